"""Log-likelihood and gradient of series of equal length, in blocks of eight lanes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.chain_gradient import block, workspace
from maturity_model.fitting.kernels.simd_lanes import WIDTH, rows
from maturity_model.hmm.arithmetic import JIT


class ValueAndGradient(NamedTuple):
    """Log-likelihood and its gradient, in blocks of eight lanes.

    Attributes
    ----------
    log_likelihood : ndarray, shape (B, 8)
        log P(observations of a series); -inf where they are impossible, and then its
        gradient is 0.
    smoothed : ndarray, shape (B, T, S, 8)
        P(state at t | all observations): the gradient by the log-likelihood of
        step t's observations; its first row is also that by the log of the initial
        distribution.
    hazards : ndarray, shape (B, T-1, 3, K, 8)
        Gradient by the log hazards of the move from t to t+1.
    """

    log_likelihood: Floats
    smoothed: Floats
    hazards: Floats


@njit(**JIT)
def gradient_blocks(initial, log_h, log_lik, n_stages, value, smoothed, d):
    """Kernel of :func:`value_and_gradient`: the same arrays, outputs made by the caller."""
    n_b, n_t, n_s, _ = log_lik.shape
    n_phases = n_s // n_stages
    work = workspace(n_t, n_phases, n_stages)
    for b in range(n_b):
        block(
            n_phases, n_stages, initial[b].reshape(-1), log_h[b].reshape(-1),
            log_lik[b].reshape(-1), work, value[b], smoothed[b].reshape(-1), d[b].reshape(-1),
        )  # fmt: skip


def _empty(shape: tuple[int, ...]) -> Floats:
    # On whole cache lines: they are loaded twice as fast.
    return rows.py_func(-(-math.prod(shape) // WIDTH))[: math.prod(shape)].reshape(shape)


def to_lanes(series: Floats, fill: float = 0.0) -> Floats:
    """Lay series, (N, ...), out in blocks of eight lanes, (B, ..., 8).

    Series n is lane ``n % 8`` of block ``n // 8``; lanes that are left over hold ``fill``.
    """
    n = len(series)
    blocks = -(-n // WIDTH)
    full = np.full((blocks * WIDTH, *series.shape[1:]), fill)
    full[:n] = series
    out = _empty((blocks, *series.shape[1:], WIDTH))
    out[...] = np.moveaxis(full.reshape(blocks, WIDTH, *series.shape[1:]), 1, -1)
    return out


def value_and_gradient(
    initial: Floats, log_hazards: Floats, log_likelihood: Floats, n_stages: int
) -> ValueAndGradient:
    """Log-likelihood of series of T steps, and its gradient.

    Series lie in B blocks of eight lanes (:func:`to_lanes`).

    Parameters
    ----------
    initial : ndarray, shape (B, S, 8)
        P(state at step 0).
    log_hazards : ndarray, shape (B, T-1, 3, K, 8)
        Log hazards of advance, setback and collapse on the move from t to t+1
        (:mod:`.staged`); -inf allowed; above 100 they count as 100, below -500 as -inf.
        Setback and collapse from phase 0 are ignored.
    log_likelihood : ndarray, shape (B, T, S, 8)
        log P(observations at t | state), with -inf allowed. A series shorter than T is
        padded with zeros here and -inf in the log hazards. A state 700 below the step's
        largest counts as impossible.
    n_stages : int
    """
    shapes = (log_likelihood[:, 0, 0].shape, log_likelihood.shape, log_hazards.shape)
    out = ValueAndGradient(*(_empty(shape) for shape in shapes))
    arrays = [np.ascontiguousarray(x, float) for x in (initial, log_hazards, log_likelihood)]
    gradient_blocks(*arrays, n_stages, *out)
    return out
