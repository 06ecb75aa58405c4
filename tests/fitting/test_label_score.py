"""Scores of labels by a filter: against sums over dense matrices, and their slopes."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.fitting.handing_on.label_score import label_score
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

CHAIN = StagedChain(4, 3)
T, P, Q, D = 9, 2, 3, 4
STEP = np.array([2, 5, 5, 8])


def _world(seed: int) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    initial = np.ascontiguousarray(rng.dirichlet(np.ones(12), D).T)
    emission = rng.uniform(0.1, 1.0, (T, 12, Q, D))
    ends = (0.05, 0.5), (0.01, 0.2), (0.01, 0.2)
    hazards = (rng.uniform(low, high, (T - 1, 4, P * D)) for low, high in ends)
    moves = move_probabilities(*hazards).reshape(T - 1, 19, P, D)
    return initial, moves, emission, rng.uniform(0.05, 1.0, (len(STEP), 4))


PRIOR = np.outer([0.4, 0.6], [0.2, 0.5, 0.3])


def _filtered(initial: np.ndarray, moves: np.ndarray, emission: np.ndarray) -> FilteredMixture:
    return filter_mixture(CHAIN, initial, moves, emission, PRIOR)


def test_the_score_is_that_of_dense_matrices() -> None:
    initial, moves, emission, likelihood = _world(1)
    phase = np.zeros((T, 4))
    for p in range(P):
        for q in range(Q):
            for d in range(D):
                a = PRIOR[p, q] / D * initial[:, d] * emission[0, :, q, d]
                phase[0] += a.reshape(4, 3).sum(axis=1)
                dense = transition_matrices(moves[:, :, p, d], CHAIN)
                for t in range(1, T):
                    a = (a @ dense[t - 1]) * emission[t, :, q, d]
                    phase[t] += a.reshape(4, 3).sum(axis=1)
    phase /= phase.sum(axis=1, keepdims=True)
    want = np.log((phase[STEP] * likelihood).sum(axis=1)).sum()
    found = label_score(_filtered(initial, moves, emission), STEP, likelihood)
    assert found.score == pytest.approx(want, abs=1e-12)


@pytest.mark.parametrize("what", ["emission", "moves"])
def test_slopes_are_differences(what: str) -> None:
    initial, moves, emission, likelihood = _world(2)
    found = getattr(label_score(_filtered(initial, moves, emission), STEP, likelihood), what)
    rng, step = np.random.default_rng(3), 1e-6
    for _ in range(80):
        at, ends = tuple(rng.integers(0, n) for n in found.shape), []
        for h in (step, -step):
            arrays = {"moves": moves.copy(), "emission": emission.copy()}
            # The slope on emissions is by their logarithms.
            arrays[what][at] += h if what == "moves" else arrays[what][at] * np.expm1(h)
            ends.append(label_score(_filtered(initial, **arrays), STEP, likelihood).score)
        assert (ends[0] - ends[1]) / (2 * step) == pytest.approx(found[at], abs=2e-8)


def test_a_label_that_says_nothing_moves_nothing() -> None:
    initial, moves, emission, _ = _world(4)
    found = label_score(_filtered(initial, moves, emission), STEP, np.full((4, 4), 0.25))
    assert found.score == pytest.approx(4 * np.log(0.25), abs=1e-12)
    np.testing.assert_allclose(found.emission, 0.0, atol=1e-12)
    np.testing.assert_allclose(found.moves, 0.0, atol=1e-12)


def test_only_the_past_counts() -> None:
    initial, moves, emission, likelihood = _world(5)
    found = label_score(_filtered(initial, moves, emission), STEP[:1], likelihood[:1])
    assert np.abs(found.emission[: STEP[0] + 1]).max() > 1e-4
    np.testing.assert_array_equal(found.emission[STEP[0] + 1 :], 0.0)
    np.testing.assert_array_equal(found.moves[STEP[0] :], 0.0)
