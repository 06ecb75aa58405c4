"""The pooled model: the same likelihood as the weekly path, and the default's priors."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

pm = pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
pytensor = pytest.importorskip("pytensor")
pt = pytest.importorskip("pytensor.tensor")

from maturity_model.assessment.filtering import Tables, filter_emission
from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.model import build_model
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.tables import judgement_table, reading_table, sign_table
from maturity_model.population.types import DIMS

pytestmark = pytest.mark.fit

CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)
WEIGHT = 0.7


@cache
def small_panel() -> Panel:
    """Five tanks, two of them of one keeper, one begun late; some weeks judged."""
    population = elicit_population(CATALOGUE, 1.0, n_draws=8, seed=4)
    habits = Habits(weeks=24, judged=0.3, events_per_year=2.0)
    rng = np.random.default_rng(11)
    book = simulate_logbook(population, CATALOGUE, 5, rng, habits, one_draw=True).logbook
    tanks = dict(book.tanks)
    tanks["tank-0001"] = replace(tanks["tank-0001"], keeper="keeper-0000")
    tanks["tank-0002"] = replace(tanks["tank-0002"], keeper="")
    return build_panel(replace(book, tanks=tanks), CATALOGUE)


@cache
def small_model(options: ModelOptions | None = None) -> Any:
    return build_model(small_panel(), PRIORS, evidence_weight=WEIGHT, options=options)


def plain() -> Any:
    """Run graphs node by node in Python: nothing to compile, for a few calls."""
    return pytensor.config.change_flags(mode="FAST_COMPILE", cxx="")


@cache
def point() -> dict[str, NDArray[np.float64]]:
    rng = np.random.default_rng(3)
    start = small_model().initial_point()
    return {k: np.asarray(v + rng.normal(0, 0.5, np.shape(v))) for k, v in start.items()}


def test_coords_and_names() -> None:
    model = small_model()
    for name in ("tank", "keeper", "week", "phase", "sign", "analyte", "event"):
        assert name in model.coords
    assert model.coords["keeper"] == ("keeper-0000", "tank:tank-0002", "keeper-0003", "keeper-0004")
    assert model.named_vars_to_dims["sign_logit"] == ("sign", "phase")
    assert model.named_vars_to_dims["pace"] == ("tank",)
    assert model.named_vars_to_dims["skill"] == ("keeper",)
    learned = {n for n, dims in DIMS.items() if dims[-1] == "draw"}
    assert learned <= set(model.named_vars)


def test_likelihood_is_that_of_the_weekly_path() -> None:
    panel, model = small_panel(), small_model()
    names = [v.name for v in (*model.deterministics, *model.free_RVs)]
    values = model.replace_rvs_by_values([model[n] for n in names])
    each = model.logp(vars=[model["log"]], sum=False)[0]
    with plain():
        run = pytensor.function(model.value_vars, [each, *values], on_unused_input="ignore")
    found, *rest = run(*[point()[v.name] for v in model.value_vars])
    named = dict(zip(names, rest, strict=True))
    draws = {k: np.asarray(v)[..., None] for k, v in named.items()}
    population = make_population(draws, PRIORS, name="x", kind="fitted", evidence_weight=WEIGHT)
    keeper = [list(model.coords["keeper"]).index(t.keeper or f"tank:{t.name}") for t in panel.tanks]
    # Pace and skill of one tank become the one node of the weekly path's quadrature.
    unit = replace(population, pace_sd=np.ones(1), skill_sd=np.ones(1))
    for n in range(len(panel.tanks)):
        pace, skill = named["pace"][[n]], named["skill"][[keeper[n]]]
        tables = Tables(
            panel, unit, WEIGHT, pace, skill, np.ones((1, 1)),
            sign_table(panel, unit, skill, WEIGHT),
            reading_table(panel, unit, WEIGHT),
            judgement_table(panel, unit, WEIGHT),
        )  # fmt: skip
        emission, log_scale = tables.scaled_emission(n)
        weekly, _ = filter_emission(tables, n, emission)
        expected = weekly.log_likelihood[-1, 0] + log_scale.sum()
        assert found[n] == pytest.approx(expected, abs=1e-9)


def test_prior_draws_have_the_law_of_the_default_population() -> None:
    model, n = small_model(), 2000
    names = [k for k, dims in DIMS.items() if dims[-1] == "draw"]
    with plain():
        drawn = dict(zip(names, pm.draw([model[k] for k in names], n, random_seed=1), strict=True))
    elicited = elicit_population(CATALOGUE, 1.0, n_draws=n, seed=99)
    checked = 0
    for name in names:
        ours = np.moveaxis(drawn[name], 0, -1)
        theirs = getattr(elicited, name)
        if name in ("log_setback", "log_collapse"):
            theirs = theirs[1:]
        if name == "event_memory":
            # Of an event without effect it does not matter.
            on = (PRIORS.event_effect != 0).any(axis=1)
            ours, theirs = ours[on], theirs[on]
        for a, b in zip(ours.reshape(-1, n), theirs.reshape(-1, n), strict=True):
            spread = b.std()
            if spread == 0:
                np.testing.assert_allclose(a, b, rtol=1e-12)
                continue
            # About 150 parameters: 5 standard errors leave one false alarm in 10,000 runs.
            assert abs(a.mean() - b.mean()) < 5 * spread * np.sqrt(2 / n), name
            assert abs(np.log(a.std() / spread)) < 5 / np.sqrt(n) * 1.5, name
            checked += 1
    assert checked > 120
    corr = np.corrcoef(drawn["sign_logit"][:, 0].T)
    np.testing.assert_allclose(corr[np.triu_indices(4, 1)], 0.5, atol=0.1)


def test_predictive_draws_are_whole_logbooks() -> None:
    panel, model = small_panel(), small_model()
    with model, plain():
        drawn = pm.draw(model["log"], draws=2, random_seed=5)
    outcomes = Outcomes.of(panel, PRIORS)
    assert drawn.shape == (2, *outcomes.values.shape)
    assert ((drawn == -1) == (outcomes.values == -1)).all()
    assert not (drawn[0] == drawn[1]).all()
    for values in drawn:
        again = build_panel(outcomes.to_logbook(values), CATALOGUE, panel.as_of)
        np.testing.assert_array_equal(again.signs.row, panel.signs.row)
        np.testing.assert_array_equal(again.readings.row, panel.readings.row)
        np.testing.assert_array_equal(again.judgements.row, panel.judgements.row)
        np.testing.assert_array_equal(Outcomes.of(again, PRIORS).values, values)


def test_the_logs_own_answers_give_the_log_back() -> None:
    panel = small_panel()
    outcomes = Outcomes.of(panel, PRIORS)
    again = build_panel(outcomes.to_logbook(outcomes.values), CATALOGUE, panel.as_of)
    for kind in ("signs", "readings", "judgements"):
        ours, theirs = getattr(again, kind), getattr(panel, kind)
        assert (ours.codes[ours.code] == theirs.codes[theirs.code]).all()


def test_a_weight_of_nothing_leaves_the_priors() -> None:
    model = build_model(small_panel(), PRIORS, evidence_weight=0.0)
    with plain():
        each = model.compile_logp(vars=[model["log"]], sum=False)(model.initial_point())
    np.testing.assert_allclose(each[0], 0.0, atol=1e-9)


def test_wrong_inputs_are_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        build_model(small_panel(), PRIORS, evidence_weight=1.5)
    empty = replace(small_panel(), tanks=())
    with pytest.raises(ValueError, match="no tank"):
        build_model(empty, PRIORS)
