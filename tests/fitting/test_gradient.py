"""Log-likelihood of many series and its gradient."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import pytest
from fitting.series_gradient import value_and_gradient

from maturity_model._typing import Floats
from maturity_model.hmm.chain import forward_backward
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

pytestmark = pytest.mark.fit

#: The size that the kernel is compiled for, and others.
FIXED = StagedChain(4, 3)
SIZES = [FIXED, StagedChain(2, 1), StagedChain(4, 1), StagedChain(3, 2)]
LANES = 8


class Problem(NamedTuple):
    """Arguments of ``value_and_gradient``."""

    initial: Floats
    log_hazards: Floats
    log_likelihood: Floats
    n_stages: int


def problem(
    seed: int, chain: StagedChain, weeks: int, blocks: int = 2, spread: float = 2.0
) -> Problem:
    rng = np.random.default_rng(seed)
    states, lanes = chain.n_states, LANES
    return Problem(
        rng.dirichlet(np.ones(states), (blocks, lanes)).transpose(0, 2, 1).copy(),
        rng.normal(-2.0, 1.5, (blocks, weeks - 1, 3, chain.n_phases, lanes)),
        rng.normal(-4.0, spread, (blocks, weeks, states, lanes)),
        chain.n_stages,
    )


def dense(problem: Problem, chain: StagedChain, b: int, lane: int) -> tuple[Floats, Floats, Floats]:
    """One series for the general engine."""
    hazards = np.exp(problem.log_hazards[b, :, :, :, lane])
    moves = move_probabilities(*hazards.transpose(1, 0, 2)[..., None])[..., 0]
    log_likelihood = problem.log_likelihood[b, :, :, lane]
    return problem.initial[b, :, lane], transition_matrices(moves, chain), log_likelihood


@pytest.mark.parametrize("chain", SIZES)
@pytest.mark.parametrize("weeks", [1, 2, 40])
def test_value_and_smoother_agree_with_the_general_engine(chain: StagedChain, weeks: int) -> None:
    given = problem(1, chain, weeks)
    result = value_and_gradient(*given)
    for b, lane in itertools.product(range(2), range(LANES)):
        truth = forward_backward(*dense(given, chain, b, lane))
        value = result.log_likelihood[b, lane]
        assert value == pytest.approx(truth.log_likelihood, rel=1e-12, abs=1e-10)
        np.testing.assert_allclose(
            result.smoothed[b, :, :, lane], truth.smoothed, rtol=1e-10, atol=1e-12
        )


def expected_gradient(given: Problem, chain: StagedChain, b: int, lane: int) -> Floats:
    """Gradient by the log hazards from dense matrices, shape (T-1, 3, K).

    The likelihood is linear in a step's matrix: its derivative is that of the matrix, weighed
    with forward and backward quantities.
    """
    initial, matrices, log_likelihood = dense(given, chain, b, lane)
    weeks, states = log_likelihood.shape
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    forward, backward = np.zeros((weeks, states)), np.ones((weeks, states))
    forward[0] = initial * likelihood[0]
    for t in range(1, weeks):
        forward[t] = forward[t - 1] @ matrices[t - 1] * likelihood[t]
        forward[t] /= forward[t].sum()
    for t in range(weeks - 2, -1, -1):
        backward[t] = matrices[t] @ (likelihood[t + 1] * backward[t + 1])
        backward[t] /= backward[t].max()
    out = np.zeros((weeks - 1, 3, chain.n_phases))
    for t in range(weeks - 1):
        after = likelihood[t + 1] * backward[t + 1]
        hazards = np.exp(given.log_hazards[b, t, :, :, lane])
        for s in range(states):
            k = s // chain.n_stages
            leads = {}
            if s + 1 < states:
                leads[0] = s + 1
            if k > 0:
                leads |= {1: (k - 1) * chain.n_stages, 2: 0}
            h = sum(hazards[m, k] for m in leads)
            if h == 0:
                continue
            share = -np.expm1(-h) / h
            slope = (np.exp(-h) - share) / h
            # A move's probability is its hazard times the share.
            by_total = slope * sum(hazards[m, k] * after[to] for m, to in leads.items())
            for m, to in leads.items():
                one = share * after[to] + by_total - np.exp(-h) * after[s]
                out[t, m, k] += forward[t, s] * hazards[m, k] * one
        out[t] /= forward[t] @ matrices[t] @ after
    return out


@pytest.mark.parametrize("chain", SIZES)
@pytest.mark.parametrize(
    ("centre", "spread"), [(-2.0, 1.5), (-2.0, 6.0), (-12.0, 3.0), (-7.0, 0.5), (3.0, 1.0)]
)
def test_gradient_by_hazards_agrees_with_dense_matrices(
    chain: StagedChain, centre: float, spread: float
) -> None:
    given = problem(5, chain, 50, spread=4.0)
    rng = np.random.default_rng(6)
    given.log_hazards[:] = rng.normal(centre, spread, given.log_hazards.shape)
    given.log_hazards[rng.random(given.log_hazards.shape) < 0.05] = -np.inf
    result = value_and_gradient(*given)
    for b, lane in ((0, 0), (1, LANES - 1), (1, 4)):
        want = expected_gradient(given, chain, b, lane)
        np.testing.assert_allclose(result.hazards[b, ..., lane], want, rtol=1e-9, atol=1e-11)
    assert (result.hazards[:, :, 1:, 0] == 0).all()  # no way down from phase 0


@pytest.mark.parametrize("chain", [FIXED, StagedChain(3, 2)])
def test_structural_zeros(chain: StagedChain) -> None:
    given = problem(7, chain, 20)
    rng = np.random.default_rng(8)
    given.log_likelihood[rng.random(given.log_likelihood.shape) < 0.2] = -np.inf
    given.log_hazards[rng.random(given.log_hazards.shape) < 0.2] = -np.inf
    result = value_and_gradient(*given)
    assert all(not np.isnan(x).any() for x in result)
    assert (result.hazards[np.isneginf(given.log_hazards)] == 0).all()
    assert (result.smoothed[np.isneginf(given.log_likelihood)] == 0).all()
    for lane in range(LANES):
        if result.log_likelihood[0, lane] > -np.inf:
            truth = forward_backward(*dense(given, chain, 0, lane))
            assert result.log_likelihood[0, lane] == pytest.approx(truth.log_likelihood, rel=1e-12)
            np.testing.assert_allclose(
                result.smoothed[0, :, :, lane], truth.smoothed, rtol=1e-9, atol=1e-12
            )
    assert (result.log_likelihood > -np.inf).sum() > LANES


@pytest.mark.parametrize("chain", [FIXED, StagedChain(3, 2)])
def test_impossible_series_have_no_gradient_and_leave_others_alone(chain: StagedChain) -> None:
    given = problem(9, chain, 20)
    before = value_and_gradient(*given)
    given.log_likelihood[1, 7, :, 2] = -np.inf
    result = value_and_gradient(*given)
    assert result.log_likelihood[1, 2] == -np.inf
    assert (result.smoothed[1, :, :, 2] == 0).all()
    assert (result.hazards[1, ..., 2] == 0).all()
    others = np.ones((2, LANES), bool)
    others[1, 2] = False
    for a, b in zip(before, result, strict=True):
        np.testing.assert_array_equal(np.moveaxis(a, -1, 1)[others], np.moveaxis(b, -1, 1)[others])


@pytest.mark.parametrize("chain", [FIXED, StagedChain(3, 2)])
@pytest.mark.parametrize("hazard", [-700.0, -40.0, 40.0, 90.0, 400.0])
def test_extreme_hazards_and_evidence_stay_finite(chain: StagedChain, hazard: float) -> None:
    given = problem(11, chain, 30)
    given.log_hazards[:, ::3] = hazard
    given.initial[:] = np.eye(chain.n_states)[:, :1]
    given.log_likelihood[:, :, :-1] -= 200.0  # all weeks shout for the last state
    for x in value_and_gradient(*given):
        assert not np.isnan(x).any()
        assert not np.isposinf(x).any()


@pytest.mark.parametrize("chain", [FIXED, StagedChain(3, 2)])
def test_evidence_for_a_state_out_of_reach(chain: StagedChain) -> None:
    given = problem(12, chain, 30)
    given.initial[:] = np.eye(chain.n_states)[:, :1]
    given.log_likelihood[:, :, :-1] -= 200.0
    result = value_and_gradient(*given)
    truth = forward_backward(*dense(given, chain, 1, 3))
    assert result.log_likelihood[1, 3] == pytest.approx(truth.log_likelihood, rel=1e-12)
    np.testing.assert_allclose(result.smoothed[1, :, :, 3], truth.smoothed, rtol=1e-9, atol=1e-12)
    assert np.isfinite(result.hazards).all()
