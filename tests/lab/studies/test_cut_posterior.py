"""The cut fit: what phases show is given, and stays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

pytest.importorskip("nutpie")

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.handing_on.hand_on import MOVES
from maturity_model.lab.studies.cut_posterior import EACH, cut_fit, movement_model, shown
from maturity_model.lab.studies.refit import filter_given
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import DIMS

pytestmark = pytest.mark.fit

CATALOGUE = load_catalogue()


def club(n: int, weeks: int) -> Panel:
    truth = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=8)
    rng = np.random.default_rng(8)
    book = simulate_logbook(truth, CATALOGUE, n, rng, Habits(weeks=weeks, judged=0.3)).logbook
    return build_panel(book, CATALOGUE)


def test_given_what_phases_show_the_likelihood_is_that_of_the_weekly_path() -> None:
    import pymc as pm
    import pytensor

    panel, rng = club(3, 12), np.random.default_rng(5)
    given = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=3)
    values = shown(panel, given, 0, rng)
    with pytensor.config.change_flags(mode="NUMBA"):
        model = movement_model(panel, values, 0.6, None)
        free = {v.name for v in model.free_RVs}
        assert not [name for name in free if name.startswith(("sign", "reading", "skill", "judge"))]
        point: dict[str, Any] = model.initial_point()
        density = model.compile_logp(vars=model.observed_RVs)
        parameters = pm.compile(
            model.value_vars, model.replace_rvs_by_values([model[n] for n in (*MOVES, "pace")]),
            on_unused_input="ignore",
        )  # fmt: skip
        for _ in range(3):
            at = {name: x + rng.normal(0, 0.5, np.shape(x)) for name, x in point.items()}
            drawn = dict(zip((*MOVES, "pace"), parameters(**at), strict=True))
            draws = {k: np.asarray(v)[..., None] for k, v in (values | drawn).items()}
            draws["skill_sd"] = np.ones(1)
            each = [
                filter_given(panel, n, draws, priors_from_catalogue(CATALOGUE), 0.6)
                for n in range(3)
            ]
            wanted = sum(float(f.log_likelihood[-1, 0]) for f in each)
            assert float(density(at)) == pytest.approx(wanted, rel=1e-9)


def test_a_cut_fit_learns_moves_and_leaves_what_phases_show() -> None:
    panel = club(36, 40)
    given = elicit_population(CATALOGUE, 0.4, n_draws=3, seed=21)
    found = cut_fit(panel, given, evidence_weight=0.4, tune=100, draws=16, seed=2)
    assert found.n_draws == 3 * EACH
    index = np.repeat(np.arange(3), EACH)
    for name, dims in DIMS.items():
        want = getattr(given, name)
        want = want[..., index] if dims[-1] == "draw" else want
        assert np.array_equal(getattr(found, name), want) == (name not in MOVES), name
    # A neutral effect stays neutral, and nothing falls out of the first phase.
    assert (found.event_setback[given.event_setback[:, 0] == 0] == 0).all()
    assert (found.log_setback[0] == -np.inf).all()
    # Three dozen tanks say better than practice how fast cycling passes.
    prior = elicit_population(CATALOGUE, 0.4, n_draws=500, seed=5).log_advance[0]
    assert found.log_advance[0].std() < 0.85 * prior.std()
