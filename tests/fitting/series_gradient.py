"""The chain's kernel for series of equal length, as tests ask for it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.chain_gradient import block, workspace


class ValueAndGradient(NamedTuple):
    """Log-likelihood and its gradient, in B blocks of eight lanes.

    Attributes
    ----------
    log_likelihood : ndarray, shape (B, 8)
    smoothed : ndarray, shape (B, T, S, 8)
        P(state at t | all observations): the gradient by the log-likelihood of step t.
    hazards : ndarray, shape (B, T-1, 3, K, 8)
        Gradient by the log hazards of the move from t to t+1.
    """

    log_likelihood: Floats
    smoothed: Floats
    hazards: Floats


@njit
def _blocks(initial, log_h, log_lik, n_stages, value, smoothed, d):  # type: ignore[no-untyped-def]
    n_b, n_t, n_s, _ = log_lik.shape
    work = workspace(n_t, n_s // n_stages, n_stages)
    for b in range(n_b):
        block(
            n_s // n_stages, n_stages, initial[b].reshape(-1), log_h[b].reshape(-1),
            log_lik[b].reshape(-1), work, value[b], smoothed[b].reshape(-1), d[b].reshape(-1),
        )  # fmt: skip


def value_and_gradient(
    initial: Floats, log_hazards: Floats, log_likelihood: Floats, n_stages: int
) -> ValueAndGradient:
    """Series of T steps: arrays of shape (B, S, 8), (B, T-1, 3, K, 8) and (B, T, S, 8)."""
    shapes = (log_likelihood[:, 0, 0].shape, log_likelihood.shape, log_hazards.shape)
    out = ValueAndGradient(*(np.empty(shape) for shape in shapes))
    _blocks(initial, log_hazards, log_likelihood, n_stages, *out)
    return out
