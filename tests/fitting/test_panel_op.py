"""The fused likelihood of a panel: by parts, by differences, and out at the edges."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

pytensor = pytest.importorskip("pytensor", reason="the extra 'fit' is not installed")
pm = pytest.importorskip("pymc")
pt = pytest.importorskip("pytensor.tensor")

from fitting.shorter import shorten
from fitting.test_model import CATALOGUE, PRIORS, plain, small_panel

from maturity_model._typing import Floats
from maturity_model.fitting.design import Design, make_design
from maturity_model.fitting.kernels import packing, panel_kernels, panel_op, panel_slopes
from maturity_model.fitting.likelihood import PARAMETERS, fused_by_tank, log_likelihood_by_tank
from maturity_model.fitting.model import build_model, data_of, into_model, pack_panel
from maturity_model.fitting.options import ModelOptions
from maturity_model.hmm.staged import StagedChain
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors, geometric

pytestmark = pytest.mark.fit

WEIGHT, JUDGED = 0.6, 0.9


def parameters(design: Design, priors: Priors, seed: int = 5) -> dict[str, Floats]:
    """Something for every parameter of the likelihood, off the middle of its prior."""
    rng = np.random.default_rng(seed)

    def about(x: Any, sd: float = 0.3) -> Floats:
        x = np.asarray(x, float)
        return x + rng.normal(0, sd, x.shape)

    n, m = len(design.tanks), len(design.keepers)
    effects = {
        f"event_{move}": about(priors.event_effect[:, i])
        for i, move in enumerate(("advance", "setback", "collapse"))
    }
    return {
        "log_advance": about(priors.log_advance),
        "log_setback": about(priors.log_setback[1:]),
        "log_collapse": about(priors.log_collapse[1:]),
        "husbandry": about(priors.husbandry),
        **effects,
        "event_memory": priors.event_memory * np.exp(rng.normal(0, 0.2, len(priors.events))),
        "pace": rng.normal(0, 0.4, n),
        "sign_logit": about(priors.sign_logit),
        "persistence": np.abs(about(np.broadcast_to(priors.persistence, len(priors.signs)))),
        "look_effect": about(priors.look_effect),
        "skill": rng.normal(0, 0.5, m),
        "tank_sign": rng.normal(0, 0.5, (n, len(priors.signs))),
        "reading_mean": about(priors.reading_mean),
        "reading_sd": priors.reading_sd * np.exp(rng.normal(0, 0.1, priors.reading_sd.shape)),
        "carry": np.clip(about(np.broadcast_to(priors.carry, len(priors.analytes)), 0.1), 0.1, 0.9),
        "outlier": np.array(0.03),
        "judge_accuracy": np.array(0.8),
        "judge_repeat": np.array(0.3),
    }


def value_and_slopes(
    panel: Any, priors: Priors, options: ModelOptions, by_parts: bool, given: dict[str, Floats]
) -> tuple[Floats, dict[str, Floats]]:
    """Log-likelihood of each tank, and slopes of a weighted sum of them."""
    design = make_design(panel, priors, by_tank=options.tank_signs)
    variables = {
        name: pt.tensor(name, dtype="float64", shape=(None,) * np.ndim(x))
        for name, x in given.items()
    }
    with pm.Model():
        data = into_model(data_of(design, priors, WEIGHT, options, by_parts=by_parts))
    data["by_tank"] = design.by_tank
    chain = StagedChain(len(priors.phases), priors.n_stages)
    if by_parts:
        each = log_likelihood_by_tank(variables, data, priors, chain, WEIGHT, JUDGED)
    else:
        each = fused_by_tank(variables, data, priors, chain)
    weight = np.random.default_rng(1).normal(size=len(design.tanks))
    wrt = list(variables.values())
    slopes = pytensor.grad((each * weight).sum(), wrt, disconnected_inputs="ignore")
    with plain():
        run = pytensor.function(wrt, [each, *slopes], on_unused_input="ignore")
    value, *rest = run(*given.values())
    return value, dict(zip(variables, rest, strict=True))


CASES = {
    "plain": (0, ModelOptions(judgement_weight=JUDGED)),
    "ragged": (1, ModelOptions(judgement_weight=JUDGED)),
    "by tank": (1, ModelOptions(judgement_weight=JUDGED, tank_signs=True)),
    "signs": (0, ModelOptions(judgement_weight=JUDGED, readings=False, judgements=False)),
    "readings": (0, ModelOptions(judgement_weight=JUDGED, signs=False, judgements=False)),
    "judgements": (1, ModelOptions(judgement_weight=JUDGED, signs=False, readings=False)),
}


@pytest.mark.parametrize("stages", [3, 1])
@pytest.mark.parametrize("name", CASES)
def test_fused_is_by_parts(name: str, stages: int) -> None:
    ragged, options = CASES[name]
    # A tank of one week, too.
    panel = shorten(small_panel(), {0: 5, 2: 17, 4: 23}) if ragged else small_panel()
    priors = PRIORS if stages == 3 else geometric(PRIORS)
    given = parameters(make_design(panel, priors, by_tank=options.tank_signs), priors)
    parts, slopes = value_and_slopes(panel, priors, options, True, given)
    fused, found = value_and_slopes(panel, priors, options, False, given)
    np.testing.assert_allclose(fused, parts, rtol=0, atol=1e-10)
    assert set(found) == set(PARAMETERS)
    for parameter, slope in slopes.items():
        np.testing.assert_allclose(
            found[parameter], slope, rtol=1e-9, atol=1e-10, err_msg=parameter
        )


@cache
def busy() -> tuple[Design, packing.Packed, Floats, Floats]:
    """Eleven tanks of several looks a week; kernels' parameters, and a table of readings."""
    population = elicit_population(CATALOGUE, 1.0, n_draws=8, seed=4)
    habits = Habits(weeks=9, judged=0.3, events_per_year=6.0)
    rng = np.random.default_rng(3)
    book = simulate_logbook(population, CATALOGUE, 11, rng, habits, one_draw=True).logbook
    panel = build_panel(book, CATALOGUE)
    # Each look three times over: more signs a week than are multiplied at once.
    signs = panel.signs
    again = replace(signs, row=np.repeat(signs.row, 3), code=np.repeat(signs.code, 3))
    design = make_design(replace(panel, signs=again), PRIORS)
    packed = pack_panel(design, PRIORS, WEIGHT, ModelOptions())
    at = panel_kernels.places(packed.whole)
    theta = rng.normal(0, 0.5, at[-1])
    theta[at[panel_kernels.BASE] :] -= 2.0
    theta[at[panel_kernels.DECAY] :] = rng.uniform(0.2, 0.8, packed.whole[packing.E])
    reading = rng.normal(-2, 1, (len(design.reading_cell), 12))
    return design, packed, theta, reading


def kernels(theta: Floats, weight: Floats | None = None) -> tuple[Floats, Floats | None]:
    _, packed, _, reading = busy()
    judged = np.full((len(busy()[0].judged_cell), 12), -1.0)
    out = panel_op._forward(theta, reading, judged, *packed)
    if weight is None:
        return out[0], None
    return out[0], panel_op._backward(theta, reading, judged, *packed, *out[1:], weight)[0]


def test_slopes_against_differences() -> None:
    """Every parameter of the kernel, with more signs a week than one product holds."""
    design, packed, theta, _ = busy()
    assert np.bincount(design.sign_row).max() > 2 * panel_kernels.MANY
    weight = np.random.default_rng(7).normal(size=len(design.tanks))
    slope = kernels(theta, weight)[1]
    assert slope is not None
    h = 1e-5
    for i in range(len(theta)):
        up, down = theta.copy(), theta.copy()
        up[i] += h
        down[i] -= h
        expected = (kernels(up)[0] - kernels(down)[0]) @ weight / (2 * h)
        assert slope[i] == pytest.approx(expected, rel=1e-6, abs=2e-6), i
    assert len(theta) == panel_kernels.places(packed.whole)[-1]


def test_products_are_sums_of_logarithms() -> None:
    design, packed, theta, _ = busy()
    whole, real = packed
    at = panel_kernels.places(whole)
    cells, codes = packing._by_observer(design)
    chance = np.empty(len(cells) * 16)
    panel_kernels._chances(theta, at, whole, real, chance)
    logit = theta[: 12 * len(PRIORS.signs)].reshape(-1, 12)[cells["sign"]]
    shift = cells["level"] * theta[at[panel_kernels.PERSISTENCE] :][cells["sign"]]
    more = theta[at[panel_kernels.LOOK] :][cells["look"]]
    more = more + theta[at[panel_kernels.SKILL] :][cells["observer"]]
    x = cells["seen"][:, None] * (logit + (shift + PRIORS.small[cells["sign"]] * more)[:, None])
    expected = -np.logaddexp(0, -x)
    np.testing.assert_allclose(np.log(chance.reshape(-1, 16)[:, :12]), expected, atol=1e-14)
    table = panel_kernels.padded(np.zeros((len(design.reading_cell), 12)))
    judged = panel_kernels.padded(np.zeros((len(design.judged_cell), 12)))
    out = np.empty((whole[packing.R] + 1) * 16)
    panel_kernels._log_likelihoods(whole, real, chance, table, judged, out)
    total = np.zeros((whole[packing.R], 12))
    np.add.at(total, design.sign_row, WEIGHT * expected[codes])
    np.testing.assert_allclose(out.reshape(-1, 16)[:-1, :12], total, atol=1e-11)


def test_far_out_log_odds_stay_finite() -> None:
    _, packed, theta, _ = busy()
    at = panel_kernels.places(packed.whole)
    for sign in (-1.0, 1.0):
        far = theta.copy()
        far[: at[panel_kernels.PERSISTENCE]] = sign * 400.0
        far[at[panel_kernels.SKILL] : at[panel_kernels.SKILL + 1]] = sign * 400.0
        value, slope = kernels(far, np.ones(11))
        assert np.isfinite(value).all()
        assert slope is not None
        assert np.isfinite(slope).all()


@pytest.mark.parametrize("part", ["LOGIT", "SKILL", "BASE", "PACE", "EFFECT", "DECAY"])
def test_not_a_number_stays_none(part: str) -> None:
    _, packed, theta, _ = busy()
    bad = theta.copy()
    bad[panel_kernels.places(packed.whole)[getattr(panel_kernels, part)]] = np.nan
    assert np.isnan(kernels(bad)[0]).all()


def test_arrays_of_another_panel_are_refused() -> None:
    _, packed, theta, reading = busy()
    judged = np.full((len(busy()[0].judged_cell), 12), -1.0)
    with pytest.raises(ValueError, match="parameters"):
        panel_op._forward(theta[:-1], reading, judged, *packed)
    with pytest.raises(ValueError, match="numbers of the panel"):
        panel_op._forward(theta, reading, judged, packed.whole, packed.real[:-8])
    with pytest.raises(ValueError, match="numbers of the panel"):
        panel_op._forward(theta, reading, judged, packed.whole[:5], packed.real)


def test_half_precision_is_refused() -> None:
    with (
        pytensor.config.change_flags(floatX="float32"),
        pytest.raises(ValueError, match="needs float64"),
    ):
        build_model(small_panel(), PRIORS)


def test_beyond_the_largest_effect_events_change_nothing() -> None:
    _, packed, theta, _ = busy()
    at = panel_kernels.places(packed.whole)
    far = theta.copy()
    far[at[panel_kernels.EFFECT] : at[panel_kernels.DECAY]] = 1e4
    value, slope = kernels(far, np.ones(11))
    further = far.copy()
    further[at[panel_kernels.EFFECT] : at[panel_kernels.DECAY]] = 2e4
    assert slope is not None
    loaded = np.abs(value - kernels(theta)[0]) > 1e-6
    assert loaded.any()
    np.testing.assert_allclose(kernels(further)[0], value, atol=1e-9)
    assert np.isfinite(slope).all()


def test_op_and_compiled_graph_agree() -> None:
    _, packed, theta, reading = busy()
    judged = np.full((len(busy()[0].judged_cell), 12), -1.0)
    x = pt.vector("x")
    each = panel_op.panel_log_likelihood(x, reading, judged, *packed)
    run = pytensor.function([x], [each, pytensor.grad(each.sum(), x)], mode="NUMBA")
    value, slope = run(theta)
    expected, by_theta = kernels(theta, np.ones(11))
    np.testing.assert_allclose(value, expected, rtol=1e-13)
    np.testing.assert_allclose(slope, by_theta, rtol=1e-12, atol=1e-12)


def test_the_version_follows_every_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    from maturity_model.fitting.kernels import op_kernels

    before = panel_op.version()
    real = op_kernels.inspect.getsource
    for changed in (panel_kernels, panel_slopes, packing):

        def source(module: Any, changed: Any = changed) -> str:
            return real(module) + ("# changed" if module is changed else "")

        monkeypatch.setattr(op_kernels.inspect, "getsource", source)
        assert panel_op.version() != before
    monkeypatch.undo()
    assert panel_op.version() == before
