"""Phases made of stages: moves, dense matrices, weights of a state."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hmm.lane_models import random_hazards

from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

CHAINS = [StagedChain(2, 1), StagedChain(2, 3), StagedChain(3, 2), StagedChain(4, 3)]


def slow_matrix(hazards: np.ndarray, chain: StagedChain) -> np.ndarray:
    """Matrix of one step from the definition, with hazards (3, K)."""
    k, r = chain
    out = np.zeros((k * r, k * r))
    for state in range(k * r):
        phase = state // r
        targets = []
        if state + 1 < k * r:
            targets.append((state + 1, hazards[0, phase]))
        if phase > 0:
            targets.append(((phase - 1) * r, hazards[1, phase]))
            targets.append((0, hazards[2, phase]))
        total = math.fsum(h for _, h in targets)
        out[state, state] = math.exp(-total)
        for target, h in targets:
            if total > 0:
                out[state, target] += -math.expm1(-total) * h / total
    return out


@pytest.mark.parametrize("chain", CHAINS)
@pytest.mark.parametrize("zeros", [0.0, 0.5])
def test_matrices_follow_the_definition(chain: StagedChain, zeros: float) -> None:
    rng = np.random.default_rng(1)
    hazards = random_hazards(rng, (3, 20, chain.n_phases, 2), zeros=zeros)
    moves = move_probabilities(*hazards)
    assert moves.shape == (20, chain.n_moves, 2)
    for t, lane in itertools.product(range(20), range(2)):
        dense = transition_matrices(moves[t, :, lane], chain)
        np.testing.assert_allclose(
            dense, slow_matrix(hazards[:, t, :, lane], chain), rtol=1e-14, atol=0
        )
        np.testing.assert_allclose(dense.sum(axis=1), 1.0, rtol=0, atol=1e-14)


def test_without_hazards_nothing_moves() -> None:
    chain = StagedChain(3, 2)
    moves = move_probabilities(*np.zeros((3, 3, 1)))
    assert np.isfinite(moves).all()
    np.testing.assert_array_equal(transition_matrices(moves[:, 0], chain), np.eye(6))


def test_tiny_hazards_keep_their_digits() -> None:
    # (1 - exp(-h)) / h as 1 - h/2 + h^2/6: h^3 is beyond a float's digits.
    hazards = np.array([3e-12, 2e-9, 5e-7])[:, None, None] * np.ones((3, 4, 1))
    moves = move_probabilities(*hazards)
    h = 3e-12 + 2e-9 + 5e-7
    share = 1 - h / 2 + h * h / 6
    np.testing.assert_allclose(moves[5, 0], 3e-12 * share, rtol=1e-14)
    np.testing.assert_allclose(moves[9, 0], 2e-9 * share, rtol=1e-14)
    np.testing.assert_allclose(moves[13, 0], 5e-7 * share, rtol=1e-14)


def test_large_hazards_always_move() -> None:
    moves = move_probabilities(
        *(np.array([800.0, 100.0, 100.0])[:, None, None] * np.ones((3, 2, 1)))
    )
    np.testing.assert_allclose(moves[[1, 3, 5, 7], 0], [0.0, 0.8, 0.1, 0.1], atol=1e-14)


def test_by_phase_sums_stages() -> None:
    chain = StagedChain(3, 2)
    states = np.arange(12.0).reshape(6, 2)
    np.testing.assert_array_equal(chain.by_phase(states, axis=0), [[2, 4], [10, 12], [18, 20]])
    np.testing.assert_array_equal(chain.by_phase(np.ones(6)), [2, 2, 2])
    assert chain.n_states == 6
    assert chain.phase_of.tolist() == [0, 0, 1, 1, 2, 2]


def test_gradual_weights_are_linear_between_the_middles() -> None:
    values = np.array([1.0, 4.0, -2.0])
    np.testing.assert_allclose(
        StagedChain(3, 3).gradual() @ values, [1, 1, 2, 3, 4, 2, 0, -2, -2], atol=1e-14
    )
    np.testing.assert_allclose(
        StagedChain(3, 2).gradual() @ values, [1, 1.75, 3.25, 2.5, -0.5, -2], atol=1e-14
    )
    np.testing.assert_array_equal(StagedChain(3, 1).gradual(), np.eye(3))
    for chain in CHAINS:
        np.testing.assert_allclose(chain.gradual().sum(axis=1), 1.0, atol=1e-14)
