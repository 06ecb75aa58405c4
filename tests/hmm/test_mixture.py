"""One series under many draws and nodes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hmm.lane_models import Lanes, random_lanes

from maturity_model._typing import Floats
from maturity_model.hmm.chain import forward_backward
from maturity_model.hmm.mixture import FilteredMixture, SavedFilter, extend, filter_mixture, k_limit
from maturity_model.hmm.staged import StagedChain

EXACT = {"rtol": 1e-10, "atol": 1e-12}


def run(lanes: Lanes, weeks: int | None = None) -> FilteredMixture:
    weeks = len(lanes.emission) if weeks is None else weeks
    return filter_mixture(
        lanes.chain, lanes.initial, lanes.moves[: weeks - 1], lanes.emission[:weeks],
        lanes.node_prior,
    )  # fmt: skip


def dense_mixture(lanes: Lanes, d: int, weeks: int) -> tuple[float, Floats, Floats]:
    """Log-likelihood and last filtered and first smoothed states of a draw, over its nodes."""
    p, q, *_ = lanes.sizes
    logs, last, first = [], [], []
    for i, j in itertools.product(range(p), range(q)):
        initial, transition, log_likelihood = lanes.dense(i, j, d)
        part = forward_backward(initial, transition[: weeks - 1], log_likelihood[:weeks])
        logs.append(part.log_likelihood + np.log(lanes.node_prior[i, j]))
        last.append(part.filtered[-1])
        first.append(part.smoothed[0])
    top = max(logs)
    weight = np.exp(np.array(logs) - top)
    total = top + np.log(weight.sum())
    weight /= weight.sum()
    return total, weight @ np.array(last), weight @ np.array(first)


@pytest.mark.parametrize("chain", [StagedChain(2, 2), StagedChain(4, 3)])
def test_nodes_are_weighed_by_what_they_make_of_the_data(chain: StagedChain) -> None:
    lanes = random_lanes([*chain, 1], chain, 25, nodes=(3, 2), draws=4)
    result = run(lanes)
    np.testing.assert_allclose(result.node_weight.sum(axis=(0, 1)), 1.0, rtol=0, atol=1e-13)
    np.testing.assert_allclose(result.states.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    smoothed, _ = result.smooth()
    for d in range(4):
        for weeks in (1, 2, 13, 25):
            total, last, first = dense_mixture(lanes, d, weeks)
            assert result.log_likelihood[weeks - 1, d] == pytest.approx(total, rel=1e-12)
            np.testing.assert_allclose(result.states[weeks - 1, :, d], last, **EXACT)
        np.testing.assert_allclose(smoothed[0, :, d], first, **EXACT)


@pytest.mark.parametrize("spread", [0.02, 6.0])
def test_nothing_said_of_a_week_changes_later(spread: float) -> None:
    # Mild evidence keeps plain weights, strong evidence tempers them: both are causal.
    lanes = random_lanes(2, StagedChain(4, 3), 30, nodes=(3, 2), draws=60)
    lanes.emission[:] = lanes.emission**spread
    whole = run(lanes)
    assert (whole.trusted.power[-1] < 1) == (spread > 1)
    for weeks in (1, 2, 17, 29):
        part = run(lanes, weeks)
        pairs = [
            (part.states, whole.states[:weeks]),
            (part.draw_weight, whole.draw_weight[:weeks]),
            (part.phases(), whole.phases()[:weeks]),
            (part.log_likelihood, whole.log_likelihood[:weeks]),
            (part.node_weight, whole.node_weight[:, :, :weeks]),
            (part.trusted.power, whole.trusted.power[:weeks]),
        ]
        for a, b in pairs:
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_a_saved_filter_goes_on_as_the_whole_one(seed: int) -> None:
    lanes = random_lanes(seed, StagedChain(4, 3), 9, nodes=(2, 3), draws=5, impossible=0.2)
    lanes.emission[:, 0] += 0.01  # something stays possible,
    lanes.emission[4, :, 0, 2] = 0.0  # but nothing from week 4 under a draw and a node
    whole = run(lanes)
    for cut in range(8):
        moves, emission = lanes.moves[cut:], lanes.emission[cut + 1 :]
        saved = SavedFilter.at(whole, cut)
        more = extend(saved, lanes.chain, moves, emission, lanes.node_prior)
        for name in ("filtered", "scale", "node_weight"):
            expected = getattr(whole, name)[:, :, cut + 1 :]
            np.testing.assert_array_equal(getattr(more, name), expected)
        for name in ("states", "log_likelihood", "draw_weight"):
            np.testing.assert_array_equal(getattr(more, name), getattr(whole, name)[cut + 1 :])
    with pytest.raises(ValueError, match="moves has the shape"):
        extend(saved, lanes.chain, lanes.moves, emission, lanes.node_prior)
    with pytest.raises(ValueError, match="emission has the shape"):
        extend(saved, lanes.chain, moves[:0], emission[:0], lanes.node_prior)


def test_impossible_draws_and_nodes_have_no_weight() -> None:
    lanes = random_lanes(4, StagedChain(3, 2), 12, nodes=(1, 2), draws=40)
    lanes.emission[5, :, :, 7] = 0.0  # a draw
    lanes.emission[5, :, 1, 8] = 0.0  # one node of a draw
    result = run(lanes)
    assert np.isfinite(result.states).all()
    assert (result.log_likelihood[5:, 7] == -np.inf).all()
    assert (result.draw_weight[5:, 7] <= 1e-300).all()
    assert (result.node_weight[0, 1, 5:, 8] == 0).all()
    np.testing.assert_allclose(result.node_weight[0, 0, 5:, 8], 1.0, rtol=1e-14)
    np.testing.assert_allclose(result.phases().sum(axis=1), 1.0, rtol=0, atol=1e-12)
    smoothed, down = result.smooth()
    assert np.isfinite(smoothed).all()
    assert np.isfinite(down).all()


def test_data_impossible_under_all_draws() -> None:
    lanes = random_lanes(5, StagedChain(2, 2), 6, draws=30)
    lanes.emission[3:] = 0.0
    result = run(lanes)
    for array in (result.states, result.draw_weight, result.node_weight, *result.smooth()):
        assert np.isfinite(array).all()
    assert (result.trusted.power[3:] == 0).all()
    assert (result.phases()[3:] == 0).all()


def test_shapes_that_do_not_fit_are_refused() -> None:
    chain, initial, moves, emission, prior = random_lanes(8, StagedChain(3, 2), 6, draws=4)
    for bad in (
        (StagedChain(2, 2), initial, moves, emission, prior),
        (chain, initial[:, :3], moves, emission, prior),
        (chain, initial, moves[1:], emission, prior),
        (chain, initial, moves, emission, np.ones((2, 1))),
    ):
        with pytest.raises(ValueError, match="has the shape"):
            filter_mixture(*bad)


def test_limit_of_k() -> None:
    # Vehtari et al. 2024, eq. 13: min(1 - 1 / log10(S), 0.7).
    assert k_limit(100) == pytest.approx(0.5)
    assert k_limit(1000) == pytest.approx(2 / 3)
    assert k_limit(10_000) == pytest.approx(0.7)
    assert k_limit(10**6) == pytest.approx(0.7)
    assert k_limit(10) == 0.0
    assert k_limit(1) == 0.0
