"""The chain's kernel: log-likelihood of each tank, and its gradient by hazards and rows."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from fitting.test_chain_ops import Chain, chain_inputs

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.ops import TankLogLikelihood
from maturity_model.hmm.chain import forward_backward
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

pytestmark = pytest.mark.fit

#: More tanks than lanes.
LENGTHS = [40, 1, 2, 13, 40, 5, 21, 8, 33, 40, 17]
#: Phases and stages: the size that the kernel is compiled for, and others.
SIZES = [(4, 3), (2, 1), (4, 1), (3, 2)]
TWO_SIZES = [(4, 3), (3, 2)]


class Found(NamedTuple):
    """Log-likelihood of each tank; P(state | log), the gradient by rows; that by log hazards."""

    value: Floats
    smoothed: Floats
    hazards: Floats


def value_and_gradient(chain: Chain) -> Found:
    where = (chain.data[name] for name in ("first", "row", "tank"))
    given = (chain.data["start"], chain.hazards, chain.rows, *where, np.array(chain.stages))
    return Found(*TankLogLikelihood.compute(*given))


def gradient_of_tank(chain: Chain, found: Found, n: int) -> tuple[Floats, Floats]:
    """By the log hazards of its moves, (T-1, 3, K), and by its rows, (T, S)."""
    _, hazards, rows = chain._replace(hazards=found.hazards, rows=found.smoothed).of_tank(n)
    return hazards[1:], rows


def dense(chain: Chain, n: int) -> tuple[Floats, Floats, Floats]:
    """One tank for the general engine."""
    start, hazards, rows = chain.of_tank(n)
    moves = move_probabilities(*np.exp(hazards[1:]).transpose(1, 0, 2)[..., None])[..., 0]
    staged = StagedChain(hazards.shape[2], chain.stages)
    return start, transition_matrices(moves, staged), rows


def check_against_engine(chain: Chain, found: Found, n: int) -> None:
    truth: Any = forward_backward(*dense(chain, n))
    assert found.value[n] == pytest.approx(truth.log_likelihood, rel=1e-12, abs=1e-10)
    _, smoothed = gradient_of_tank(chain, found, n)
    np.testing.assert_allclose(smoothed, truth.smoothed, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(("phases", "stages"), [*SIZES, (2, 2)])
def test_value_and_smoother_agree_with_the_general_engine(
    rng: np.random.Generator, phases: int, stages: int
) -> None:
    chain = chain_inputs(rng, LENGTHS, phases, stages)
    found = value_and_gradient(chain)
    for n in range(len(LENGTHS)):
        check_against_engine(chain, found, n)


def expected_gradient(chain: Chain, n: int) -> Floats:
    """Gradient by the log hazards from dense matrices, shape (T-1, 3, K).

    The likelihood is linear in a step's matrix: its derivative is that of the matrix, weighed
    with forward and backward quantities.
    """
    initial, matrices, log_likelihood = dense(chain, n)
    (weeks, states), log_hazards = log_likelihood.shape, chain.of_tank(n)[1]
    likelihood = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    forward, backward = np.zeros((weeks, states)), np.ones((weeks, states))
    forward[0] = initial * likelihood[0]
    for t in range(1, weeks):
        forward[t] = forward[t - 1] @ matrices[t - 1] * likelihood[t]
        forward[t] /= forward[t].sum()
    for t in range(weeks - 2, -1, -1):
        backward[t] = matrices[t] @ (likelihood[t + 1] * backward[t + 1])
        backward[t] /= backward[t].max()
    out = np.zeros((weeks - 1, *log_hazards.shape[1:]))
    for t in range(weeks - 1):
        after = likelihood[t + 1] * backward[t + 1]
        hazards = np.exp(log_hazards[t + 1])
        for s in range(states):
            k = s // chain.stages
            leads = {}
            if s + 1 < states:
                leads[0] = s + 1
            if k > 0:
                leads |= {1: (k - 1) * chain.stages, 2: 0}
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


@pytest.mark.parametrize(("phases", "stages"), SIZES)
@pytest.mark.parametrize(
    ("centre", "spread"), [(-2.0, 1.5), (-2.0, 6.0), (-12.0, 3.0), (-7.0, 0.5), (3.0, 1.0)]
)
def test_gradient_by_hazards_agrees_with_dense_matrices(
    rng: np.random.Generator, phases: int, stages: int, centre: float, spread: float
) -> None:
    chain = chain_inputs(rng, LENGTHS, phases, stages)
    chain.rows[:] = rng.normal(-4.0, 4.0, chain.rows.shape)
    chain.hazards[:] = rng.normal(centre, spread, chain.hazards.shape)
    chain.hazards[rng.random(chain.hazards.shape) < 0.05] = -np.inf
    found = value_and_gradient(chain)
    for n in (0, 2, 7):
        by_hazards, _ = gradient_of_tank(chain, found, n)
        np.testing.assert_allclose(by_hazards, expected_gradient(chain, n), rtol=1e-9, atol=1e-11)
    assert (found.hazards[:, 1:, 0] == 0).all()  # no way down from phase 0


@pytest.mark.parametrize(("phases", "stages"), TWO_SIZES)
def test_structural_zeros(rng: np.random.Generator, phases: int, stages: int) -> None:
    chain = chain_inputs(rng, [20] * 16, phases, stages)
    chain.rows[rng.random(chain.rows.shape) < 0.2] = -np.inf
    chain.hazards[rng.random(chain.hazards.shape) < 0.2] = -np.inf
    found = value_and_gradient(chain)
    assert all(not np.isnan(x).any() for x in found)
    assert (found.hazards[np.isneginf(chain.hazards)] == 0).all()
    assert (found.smoothed[np.isneginf(chain.rows)] == 0).all()
    possible = np.flatnonzero(found.value > -np.inf)
    assert len(possible) > 8
    for n in possible:
        check_against_engine(chain, found, n)


@pytest.mark.parametrize(("phases", "stages"), TWO_SIZES)
def test_impossible_tanks_have_no_gradient_and_leave_others_alone(
    rng: np.random.Generator, phases: int, stages: int
) -> None:
    chain = chain_inputs(rng, [20] * 10, phases, stages)
    before = value_and_gradient(chain)
    chain.rows[chain.first[2] + 7] = -np.inf
    found = value_and_gradient(chain)
    assert found.value[2] == -np.inf
    assert all((x == 0).all() for x in gradient_of_tank(chain, found, 2))
    for n in (0, 1, *range(3, 10)):
        assert found.value[n] == before.value[n]
        for now, then in zip(
            gradient_of_tank(chain, found, n), gradient_of_tank(chain, before, n), strict=True
        ):
            np.testing.assert_array_equal(now, then)


@pytest.mark.parametrize(("phases", "stages"), TWO_SIZES)
@pytest.mark.parametrize("hazard", [None, -700.0, -40.0, 40.0, 90.0, 400.0])
def test_evidence_for_a_state_out_of_reach(
    rng: np.random.Generator, phases: int, stages: int, hazard: float | None
) -> None:
    chain = chain_inputs(rng, [30] * 9, phases, stages)
    for start in (chain.start.T, chain.data["start"]):
        start[:] = 0.0
        start[..., 0, :] = 1.0
    chain.rows[:, :-1] -= 200.0  # all weeks shout for the last state
    if hazard is not None:
        chain.hazards[::3] = hazard
    found = value_and_gradient(chain)
    for x in found:
        assert not np.isnan(x).any()
        assert not np.isposinf(x).any()
    if hazard is None:
        assert np.isfinite(found.hazards).all()
        check_against_engine(chain, found, 3)
