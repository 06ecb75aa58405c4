"""The staged chain in JAX against the compiled kernels and against JAX's own derivatives."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.chain_gradient import (
    from_lanes,
    to_lanes,
    value_and_gradient,
)
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module")
def chain(need: Callable[[str], ModuleType]) -> Any:
    need("jax")
    return need("maturity_model.fitting.jax.jax_chain")


def series(
    seed: int, phases: int = 4, stages: int = 3, n: int = 7, weeks: int = 15
) -> tuple[Floats, Floats, Floats]:
    """Initial, log hazards (some tiny, some huge, some none) and log-likelihoods, (N, ...)."""
    rng = np.random.default_rng(seed)
    hazards = rng.normal(-2.0, 1.5, (n, weeks - 1, 3, phases))
    hazards[0, 2:5] = -9.0  # the series of small hazards
    hazards[1, 3, 0] = 120.0  # beyond where hazards stop
    hazards[2, 4:] = -np.inf  # padding
    log_lik = rng.normal(-3.0, 2.0, (n, weeks, phases * stages))
    log_lik[2, 5:] = 0.0
    log_lik[3, 4, :1] = -np.inf
    return rng.dirichlet(np.ones(phases * stages), n), hazards, log_lik


def lanes_last(x: Floats) -> Floats:
    return np.ascontiguousarray(np.moveaxis(x, 0, -1))


@pytest.mark.parametrize(("phases", "stages"), [(4, 3), (4, 1), (2, 2), (3, 2)])
def test_value_and_gradient_are_those_of_the_kernel(chain: Any, phases: int, stages: int) -> None:
    initial, hazards, log_lik = series(phases, phases, stages)
    arrays = (to_lanes(x) for x in (initial, hazards, log_lik))
    expected = [from_lanes(x, len(initial)) for x in value_and_gradient(*arrays, stages)]
    found = chain.value_and_gradient(
        lanes_last(np.log(initial)), lanes_last(hazards), lanes_last(log_lik), n_stages=stages
    )
    for ours, theirs, close in zip(found, expected, (1e-9, 1e-8, 1e-8), strict=True):
        assert np.isfinite(theirs).all()
        np.testing.assert_allclose(ours, lanes_last(theirs), rtol=1e-12, atol=close)


def test_smoothed_expectation_is_what_jax_differentiates(chain: Any) -> None:
    import jax

    initial, hazards, log_lik = series(5)
    # JAX's own derivative cannot pass an infinite number.
    arrays = (np.log(initial), np.maximum(hazards, -9.0), np.maximum(log_lik, -600.0))
    arrays = tuple(lanes_last(x) for x in arrays)
    weight = np.random.default_rng(0).normal(size=len(initial))
    through = jax.grad(lambda *x: (weight * chain._forward(*x, 3)[0]).sum(), (0, 1, 2))(*arrays)
    direct = jax.grad(lambda *x: (weight * chain.log_likelihood(*x, 3)).sum(), (0, 1, 2))(*arrays)
    for ours, theirs in zip(direct, through, strict=True):
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=1e-9)
    assert np.abs(through[1]).max() > 0.1


def test_impossible_data_have_no_gradient(chain: Any) -> None:
    initial, hazards, log_lik = series(6)
    log_lik[4, 3] = -np.inf
    found = chain.value_and_gradient(
        lanes_last(np.log(initial)), lanes_last(hazards), lanes_last(log_lik), n_stages=3
    )
    assert found.log_likelihood[4] == -np.inf
    assert (np.asarray(found.smoothed)[..., 4] == 0).all()
    assert (np.asarray(found.hazards)[..., 4] == 0).all()
    assert np.isfinite(np.delete(np.asarray(found.hazards), 4, axis=-1)).all()


def test_one_week_is_its_emission(chain: Any) -> None:
    initial, hazards, log_lik = (x[:, :1] if x.ndim > 2 else x for x in series(7))
    found = chain.value_and_gradient(
        lanes_last(np.log(initial)), lanes_last(hazards[:, :0]), lanes_last(log_lik), n_stages=3
    )
    expected = np.log((initial * np.exp(log_lik[:, 0])).sum(axis=1))
    np.testing.assert_allclose(found.log_likelihood, expected, rtol=1e-12)
    np.testing.assert_allclose(np.asarray(found.smoothed)[0].sum(axis=0), 1.0, rtol=1e-12)


@pytest.mark.parametrize("stages", [3, 1])
def test_moves_are_the_dense_matrix(chain: Any, stages: int) -> None:
    rng = np.random.default_rng(3)
    hazards = rng.gamma(1.0, 0.3, (3, 4, 5))
    rates = chain.rates_of(*hazards)
    moves = move_probabilities(*hazards)
    matrix = transition_matrices(moves.T, StagedChain(4, stages))
    prev = rng.random((4 * stages, 5))
    forward, back = chain.step(prev, rates, stages), chain.step_back(prev, rates, stages)
    np.testing.assert_allclose(forward, np.einsum("sn,nsz->zn", prev, matrix), rtol=1e-12)
    np.testing.assert_allclose(back, np.einsum("nsz,zn->sn", matrix, prev), rtol=1e-12)


def test_single_precision_stays_single(chain: Any) -> None:
    initial, hazards, log_lik = series(8)
    # A hazard of e^100 leaves nothing that single precision could hold.
    hazards = np.minimum(hazards, 1.0)
    arrays = [lanes_last(x).astype(np.float32) for x in (np.log(initial), hazards, log_lik)]
    found = chain.value_and_gradient(*arrays, n_stages=3)
    exact = chain.value_and_gradient(*(x.astype(np.float64) for x in arrays), n_stages=3)
    for rough, fine in zip(found, exact, strict=True):
        assert rough.dtype == np.float32
        np.testing.assert_allclose(rough, fine, rtol=1e-4, atol=1e-4)
