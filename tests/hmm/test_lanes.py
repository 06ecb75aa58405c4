"""The kernels that work on many lanes, against enumeration and dense chains.

The risk of slipping back is compared with all futures in ``tests/assessment/test_risk.py``.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hmm.lane_models import Lanes, random_hazards, random_lanes
from hmm.oracle import Model, enumerate_paths, first_impossible_week, solve
from scipy.special import erfcx
from scipy.stats import norm

from maturity_model._typing import Floats
from maturity_model.hmm import arithmetic, kernels, table_kernels
from maturity_model.hmm.chain import forward_backward
from maturity_model.hmm.staged import StagedChain, move_probabilities

EXACT = {"rtol": 1e-10, "atol": 1e-12}
SMALL = [StagedChain(2, 1), StagedChain(2, 2), StagedChain(3, 1), StagedChain(4, 1)]


def run_filter(lanes: Lanes) -> tuple[Floats, Floats]:
    p, q, weeks, states, draws = lanes.sizes
    filtered = np.full((p, q, weeks, states, draws), np.nan)
    scale = np.full((p, q, weeks, draws), np.nan)
    flow = np.full((lanes.chain.n_phases, draws), np.nan)
    start = np.tile(lanes.initial, (p, q, 1, 1))
    kernels.filter_lanes(start, lanes.moves, lanes.emission, *lanes.chain, filtered, scale, flow)
    return filtered, scale


def run_smoother(
    lanes: Lanes, filtered: Floats, scale: Floats, weight: Floats
) -> tuple[Floats, Floats]:
    _, _, weeks, states, draws = lanes.sizes
    out, down = np.full((weeks, states, draws), np.nan), np.full((weeks, draws), np.nan)
    kernels.smooth_lanes(
        lanes.moves, lanes.emission, filtered, scale, weight, *lanes.chain, out, down,
        np.full((2 * states + 1, draws), np.nan),
    )  # fmt: skip
    return out, down


def slips(model: Model, phase_of: Floats) -> Floats:
    """P(move to a lower phase between t-1 and t | all data), by enumeration."""
    every = enumerate_paths(model)
    weight = np.exp(every.log_probability - every.log_probability.max())
    phases = phase_of[every.paths]
    fell = phases[:, 1:] < phases[:, :-1]
    return np.concatenate([[0.0], weight @ fell / weight.sum()])


@pytest.mark.parametrize("chain", SMALL)
@pytest.mark.parametrize(("zeros", "impossible"), [(0, 0), (0.5, 0), (0, 0.3), (0.4, 0.3)])
def test_filter_and_smoother_agree_with_all_paths(
    chain: StagedChain, zeros: float, impossible: float
) -> None:
    lanes = random_lanes(
        [*chain, int(10 * zeros), int(10 * impossible)], chain, 5, nodes=(2, 2), draws=3,
        zeros=zeros, impossible=impossible,
    )  # fmt: skip
    p, q, _, _, draws = lanes.sizes
    filtered, scale = run_filter(lanes)
    weight = np.random.default_rng(0).dirichlet(np.ones(p * q), draws).T.reshape(p, q, draws).copy()
    want = np.zeros((5, chain.n_states, draws))
    fell = np.zeros((5, draws))
    for d, i, j in itertools.product(range(draws), range(p), range(q)):
        model = lanes.dense(i, j, d)
        week = first_impossible_week(model)
        if week is not None:
            assert (scale[i, j, week:, d] == 0).all()
            assert (filtered[i, j, week:, :, d] == 0).all()
            weight[i, j, d] = 0.0  # as mixture.py gives it
            continue
        truth = solve(model)
        np.testing.assert_allclose(filtered[i, j, :, :, d], truth.filtered, **EXACT)
        assert np.log(scale[i, j, :, d]).sum() == pytest.approx(truth.log_likelihood, abs=1e-10)
        want[:, :, d] += weight[i, j, d] * truth.smoothed
        fell[:, d] += weight[i, j, d] * slips(model, chain.phase_of)
    assert weight.any()
    assert weight.all() or impossible > 0
    smoothed, down = run_smoother(lanes, filtered, scale, weight)
    assert np.isfinite(filtered).all()
    np.testing.assert_allclose(smoothed, want, **EXACT)
    np.testing.assert_allclose(down, fell, **EXACT)


@pytest.mark.parametrize("chain", [StagedChain(4, 3), StagedChain(2, 5), StagedChain(5, 2)])
@pytest.mark.parametrize("zeros", [0.0, 0.4])
def test_larger_chains_agree_with_the_general_engine(chain: StagedChain, zeros: float) -> None:
    lanes = random_lanes([*chain, 7], chain, 40, nodes=(3, 2), draws=5, zeros=zeros)
    p, q, weeks, states, draws = lanes.sizes
    filtered, scale = run_filter(lanes)
    weight = np.random.default_rng(1).dirichlet(np.ones(p * q), draws).T.reshape(p, q, draws).copy()
    smoothed, down = run_smoother(lanes, filtered, scale, weight)
    for d in range(draws):
        want = np.zeros((weeks, states))
        for i, j in itertools.product(range(p), range(q)):
            truth = forward_backward(*lanes.dense(i, j, d))
            np.testing.assert_allclose(filtered[i, j, :, :, d], truth.filtered, **EXACT)
            assert np.log(scale[i, j, :, d]).sum() == pytest.approx(truth.log_likelihood, rel=1e-12)
            want += weight[i, j, d] * truth.smoothed
        np.testing.assert_allclose(smoothed[:, :, d], want, **EXACT)
    assert (down >= 0).all()
    assert (down <= 1 + 1e-12).all()


def test_evidence_for_a_state_out_of_reach_does_not_overflow() -> None:
    # From state 0 the last state is 11 steps away, but every week shouts for it: the
    # likelihood ratio of the future exceeds the largest float.
    chain = StagedChain(4, 3)
    lanes = random_lanes(6, chain, 30, draws=2)
    lanes.initial[:] = np.eye(12)[:, :1]
    lanes.emission[:, :11] = 1e-90
    lanes.emission[:, 11] = 1.0
    filtered, scale = run_filter(lanes)
    smoothed, down = run_smoother(lanes, filtered, scale, np.ones((1, 1, 2)))
    assert np.isfinite(down).all()
    for d in range(2):
        truth = forward_backward(*lanes.dense(0, 0, d))
        np.testing.assert_allclose(smoothed[:, :, d], truth.smoothed, **EXACT)


def test_ten_thousand_weeks_stay_finite_and_normalised() -> None:
    lanes = random_lanes(8, StagedChain(4, 3), 10_000, draws=4)
    filtered, scale = run_filter(lanes)
    smoothed, down = run_smoother(lanes, filtered, scale, np.ones((1, 1, 4)))
    assert np.isfinite(np.log(scale)).all()
    assert np.isfinite(down).all()
    np.testing.assert_allclose(filtered.sum(axis=3), 1.0, rtol=0, atol=1e-12)
    np.testing.assert_allclose(smoothed.sum(axis=1), 1.0, rtol=0, atol=1e-9)


@pytest.mark.parametrize("chain", [*SMALL, StagedChain(4, 3)])
@pytest.mark.parametrize("zeros", [0.0, 0.5])
def test_move_lanes_are_move_probabilities(chain: StagedChain, zeros: float) -> None:
    rng = np.random.default_rng(11)
    k, (weeks, p, draws) = chain.n_phases, (6, 3, 4)
    advance = random_hazards(rng, (weeks, k, p, draws), zeros=zeros)
    advance[2] *= 1e-9
    factor = rng.uniform(0.1, 3.0, (weeks, 1, draws))
    setback, collapse = random_hazards(rng, (2, weeks, k, draws), zeros=zeros)
    setback[2:4] *= 1e-6
    collapse[2:4] *= 1e-7
    moves = np.full((weeks - 1, chain.n_moves, p, draws), np.nan)
    kernels.move_lanes(advance, factor, setback, collapse, moves)
    for i in range(p):
        # The move from t to t+1 is made of the hazards of t+1.
        want = move_probabilities(advance[1:, :, i] * factor[1:], setback[1:], collapse[1:])
        np.testing.assert_allclose(moves[:, :, i], want, rtol=1e-12, atol=0)


@pytest.mark.parametrize("power", [0.0, 0.35, 1.0])
def test_bernoulli_table(power: float) -> None:
    rng = np.random.default_rng(13)
    logit, skilled = rng.normal(0, 4, (6, 3, 5)), rng.normal(0, 1, (6, 2, 5))
    logit[0] = [[-400.0], [400.0], [0.0]]
    seen = np.array([1.0, -1.0, 1.0, -1.0, 1.0, 1.0])
    out = np.full((6, 3, 2, 5), np.nan)
    table_kernels.bernoulli_table(logit, skilled, seen, power, out)
    x = seen[:, None, None, None] * (logit[:, :, None] + skilled[:, None])
    np.testing.assert_allclose(out, np.exp(-power * np.logaddexp(0, -x)), rtol=1e-12)
    if power == 1.0:
        other = np.empty_like(out)
        table_kernels.bernoulli_table(logit, skilled, -seen, 1.0, other)
        np.testing.assert_allclose(out + other, 1.0, rtol=1e-14)
    if power == 0.0:
        assert (out == 1).all()


def intervals(power: float, outlier: float, **change: Any) -> tuple[Floats, dict[str, Floats]]:
    rng = np.random.default_rng(14)
    low = np.array([-np.inf, -1.0, 0.3, 2.0, -np.inf, 9.0, -30.0])
    high = np.array([0.0, 0.5, 0.3001, np.inf, np.inf, 11.0, -29.0])
    a = {
        "low": low, "high": high, "mean": rng.normal(0, 1, (7, 3, 4)),
        "sd": rng.uniform(0.3, 2, (7, 3, 4)), "wide_mean": rng.normal(0, 1, (7, 4)),
        "wide_sd": rng.uniform(5, 9, (7, 4)), "outlier": np.full(4, outlier),
    }  # fmt: skip
    a.update(change)
    out = np.full((7, 3, 4), np.nan)
    table_kernels.interval_table(*a.values(), power, out, np.empty(4))
    return out, a


def between(low: Floats, high: Floats, mean: Floats, sd: Floats) -> Floats:
    a, b = (low - mean) / sd, (high - mean) / sd
    return np.where(a > 0, norm.sf(a) - norm.sf(b), norm.cdf(b) - norm.cdf(a))


@pytest.mark.parametrize("power", [0.5, 1.0])
@pytest.mark.parametrize("outlier", [0.0, 0.05])
def test_interval_table_against_scipy(power: float, outlier: float) -> None:
    out, a = intervals(power, outlier)
    low, high = a["low"][:, None, None], a["high"][:, None, None]
    p = (1 - outlier) * between(low, high, a["mean"], a["sd"])
    p += outlier * between(low, high, a["wide_mean"][:, None], a["wide_sd"][:, None])
    # Steps from 9 to 11 and from -30 to -29 lie far in the tails, the third is narrow.
    np.testing.assert_allclose(out, p**power, rtol=1e-10, atol=0)
    np.testing.assert_allclose(out[4], 1.0, rtol=1e-14)  # anything at all


def test_far_tails_keep_their_digits() -> None:
    out, _ = intervals(1.0, 0.0, mean=np.zeros((7, 3, 4)), sd=np.ones((7, 3, 4)))
    np.testing.assert_allclose(out[5], norm.sf(9) - norm.sf(11), rtol=1e-12)
    np.testing.assert_allclose(out[6], norm.cdf(-29) - norm.cdf(-30), rtol=1e-12)
    assert 0 < out[6, 0, 0] < 1e-180


def test_intervals_without_evidence_or_beyond_all_belief() -> None:
    out, _ = intervals(0.0, 0.0, mean=np.full((7, 3, 4), 1e6))
    assert (out == 1).all()
    out, _ = intervals(1.0, 0.0, mean=np.full((7, 3, 4), 1e6))
    assert (out[1] == 0).all()


def lane_by_lane(function: Any, x: Floats) -> Floats:
    return np.array([function(value) for value in x])


def test_exp_lanes_is_exact_to_a_few_roundings() -> None:
    rng = np.random.default_rng(15)
    x = np.concatenate([rng.uniform(-700, 700, 20_000), rng.uniform(-1, 1, 5000), [0.0, 1e-300]])
    error = np.abs(lane_by_lane(arithmetic.exp_lanes, x) / np.exp(x) - 1)
    assert error.max() < 4e-16
    assert arithmetic.exp_lanes(0.0) == 1.0


def test_exp_lanes_beyond_its_ends() -> None:
    assert 0 < arithmetic.exp_lanes(-np.inf) < 1e-303
    assert arithmetic.exp_lanes(-1e6) == arithmetic.exp_lanes(-700.0)
    assert arithmetic.exp_lanes(np.inf) == arithmetic.exp_lanes(700.0)
    assert math.isfinite(arithmetic.exp_lanes(1e300))


def test_log_lanes_is_exact_to_a_few_roundings() -> None:
    rng = np.random.default_rng(16)
    x = np.concatenate([np.exp(rng.uniform(-690, 690, 20_000)), rng.uniform(0.5, 2, 5000), [1.0]])
    error = np.abs(lane_by_lane(arithmetic.log_lanes, x) - np.log(x))
    assert (error <= 3e-16 + 2.3e-16 * np.abs(np.log(x))).all()
    assert arithmetic.log_lanes(1.0) == 0.0


def test_scaled_tail_lanes_against_scipy() -> None:
    x = np.concatenate([np.linspace(0, 30, 3001), np.geomspace(30, 1e4, 50)])
    found = lane_by_lane(arithmetic.scaled_tail_lanes, x)
    np.testing.assert_allclose(2 * found, erfcx(x), rtol=2e-15)


def test_hazard_share_is_exact() -> None:
    x = np.concatenate(
        [np.exp(np.random.default_rng(17).uniform(-30, 6, 5000)), [1e-3, 1.0000001e-3]]
    )
    share = np.array([arithmetic.hazard_share(np.exp(-h), h) for h in x])
    np.testing.assert_allclose(share, -np.expm1(-x) / x, rtol=2e-13)
    assert arithmetic.hazard_share(1.0, 0.0) == 1.0
