"""The pooled likelihood and its gradient against the dense one, and against differences."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

pytensor = pytest.importorskip("pytensor", reason="the extra 'fit' is not installed")
pm = pytest.importorskip("pymc")
pt = pytest.importorskip("pytensor.tensor")

from fitting import dense_oracle
from fitting.test_model import CATALOGUE, PRIORS, plain, small_panel

from maturity_model.fitting.design import Design, graph_data, make_design
from maturity_model.fitting.likelihood import PARAMETERS, log_likelihood_by_tank
from maturity_model.fitting.model import into_model
from maturity_model.fitting.options import ModelOptions
from maturity_model.hmm.staged import StagedChain
from maturity_model.panel import Panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors, geometric
from maturity_model.population.types import DIMS

pytestmark = pytest.mark.fit

Floats = NDArray[np.float64]
WEIGHT, JUDGED = 0.6, 0.9
CASES = {
    "plain": (False, 3, ModelOptions(judgement_weight=JUDGED)),
    # With a tank of one week.
    "ragged": (True, 3, ModelOptions(judgement_weight=JUDGED)),
    "by tank": (True, 3, ModelOptions(judgement_weight=JUDGED, tank_signs=True)),
    "one stage": (False, 1, ModelOptions(judgement_weight=JUDGED)),
    "signs": (False, 3, ModelOptions(readings=False, judgements=False)),
    "readings": (False, 3, ModelOptions(signs=False, judgements=False)),
    "judgements": (True, 3, ModelOptions(signs=False, readings=False)),
    "nothing": (False, 3, ModelOptions(signs=False, readings=False, judgements=False)),
}


def parameters(design: Design) -> dict[str, Floats]:
    """Something for every parameter of the likelihood, off the middle of its prior."""
    rng = np.random.default_rng(5)
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=5)
    given = {name: getattr(drawn, name)[..., 0] for name in PARAMETERS if name in DIMS}
    for name in ("log_setback", "log_collapse"):
        given[name] = given[name][1:]
    # So that what the catalogue calls neutral acts too.
    for name in ("husbandry", "event_advance", "event_setback", "event_collapse", "look_effect"):
        given[name] = given[name] + rng.normal(0, 0.3, given[name].shape)
    n, signs = len(design.panel.tanks), len(drawn.signs)
    given["pace"] = rng.normal(0, 0.4, n)
    given["skill"] = rng.normal(0, 0.5, len(design.keepers))
    given["tank_sign"] = rng.normal(0, 0.5, (n, signs))
    return {name: given[name] for name in PARAMETERS}


def shorten(panel: Panel, less: dict[int, int]) -> Panel:
    """Take away the last ``less[n]`` weeks of tank n, as if the log had ended there."""
    keep = np.ones(int(panel.first[-1]), dtype=bool)
    weeks = np.diff(panel.first).copy()
    for n, gone in less.items():
        keep[panel.first[n + 1] - gone : panel.first[n + 1]] = False
        weeks[n] -= gone
    moved = np.cumsum(keep) - 1

    def observations(kind: Any) -> Any:
        inside = keep[kind.row]
        return replace(kind, row=moved[kind.row[inside]], code=kind.code[inside])

    rows = ("impulse", "pending", "husbandry", "checked", "water_known")
    kinds = ("signs", "readings", "judgements")
    return replace(
        panel,
        first=np.concatenate([[0], np.cumsum(weeks)]),
        **{name: getattr(panel, name)[keep] for name in rows},
        **{name: observations(getattr(panel, name)) for name in kinds},
    )


def case(name: str) -> tuple[Any, Priors, ModelOptions, dict[str, Floats], Floats]:
    """Panel, priors, options, parameters, and weights of the tanks."""
    ragged, stages, options = CASES[name]
    less = {0: 17, 1: 12, 2: 14, 3: 12, 4: 23} if ragged else dict.fromkeys(range(5), 12)
    panel = shorten(small_panel(), less)
    priors = PRIORS if stages == 3 else geometric(PRIORS)
    given = parameters(make_design(panel, priors, by_tank=options.tank_signs))
    if not options.tank_signs:
        given["tank_sign"] *= 0.0
    return panel, priors, options, given, np.random.default_rng(1).normal(size=len(panel.tanks))


def powers(options: ModelOptions) -> dict[str, float]:
    return options.powers(WEIGHT)._asdict()


def value_and_slopes(
    panel: Any, priors: Priors, options: ModelOptions, given: dict[str, Floats], weight: Floats
) -> tuple[Floats, dict[str, Floats]]:  # fmt: skip
    """Log-likelihood of each tank, and the gradient of a weighted sum of them."""
    design = make_design(panel, priors, by_tank=options.tank_signs)
    variables = {
        name: pt.tensor(name, dtype="float64", shape=(None,) * np.ndim(x))
        for name, x in given.items()
    }
    with pm.Model():
        data = into_model(graph_data(design, priors, options.powers(WEIGHT)))
    chain = StagedChain(len(priors.phases), priors.n_stages)
    each = log_likelihood_by_tank(variables, data, priors, chain)
    wrt = list(variables.values())
    slopes = pytensor.grad((each * weight).sum(), wrt, disconnected_inputs="ignore")
    with plain():
        run = pytensor.function(wrt, [each, *slopes], on_unused_input="ignore")
    value, *rest = run(*given.values())
    return value, dict(zip(variables, rest, strict=True))


@pytest.mark.parametrize("name", CASES)
def test_value_is_that_of_the_dense_likelihood(name: str) -> None:
    panel, priors, options, given, weight = case(name)
    found, _ = value_and_slopes(panel, priors, options, given, weight)
    expected = dense_oracle.log_likelihood_by_tank(np, given, panel, priors, powers(options))
    np.testing.assert_allclose(found, expected, rtol=1e-11, atol=1e-11)


@pytest.mark.parametrize("name", CASES)
def test_gradient_is_along_differences_of_the_dense_likelihood(name: str) -> None:
    panel, priors, options, given, weight = case(name)
    _, slopes = value_and_slopes(panel, priors, options, given, weight)
    rng, h = np.random.default_rng(8), 1e-5
    # All parameters at once: those that do not count must have no slope either.
    direction = {k: rng.normal(size=np.shape(x)) for k, x in given.items()}
    if not options.tank_signs:
        direction["tank_sign"] *= 0.0
    up, down = (
        weight
        @ dense_oracle.log_likelihood_by_tank(
            np, {k: x + s * direction[k] for k, x in given.items()}, panel, priors, powers(options)
        )
        for s in (h, -h)
    )
    found = sum(float(np.sum(slopes[k] * direction[k])) for k in given)
    assert found == pytest.approx((up - down) / (2 * h), rel=1e-6, abs=1e-9)


@pytest.mark.reference
@pytest.mark.parametrize("name", ["ragged", "by tank", "one stage"])
def test_gradient_is_what_jax_makes_of_the_dense_likelihood(
    name: str, need: Callable[[str], ModuleType]
) -> None:
    jax = need("jax")
    jax.config.update("jax_enable_x64", True)
    panel, priors, options, given, weight = case(name)
    _, slopes = value_and_slopes(panel, priors, options, given, weight)

    def total(p: dict[str, Any]) -> Any:
        each = dense_oracle.log_likelihood_by_tank(jax.numpy, p, panel, priors, powers(options))
        return (each * weight).sum()

    expected = jax.grad(total)({k: jax.numpy.asarray(x) for k, x in given.items()})
    for parameter, slope in slopes.items():
        if parameter == "tank_sign" and not options.tank_signs:
            continue
        np.testing.assert_allclose(
            slope, expected[parameter], rtol=1e-9, atol=1e-9, err_msg=parameter
        )
