"""Log-likelihood and gradient of tanks of any length, whose weeks lie in rows.

Tanks lie in blocks of eight lanes (:class:`.design.Lanes`).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.fitting.kernels.chain_gradient import block, workspace
from maturity_model.fitting.kernels.simd_lanes import WIDTH, load, rows, store
from maturity_model.hmm.arithmetic import JIT


@njit(**JIT)
def _any_nan(x):
    n = 0
    for i in range(len(x)):
        n += x[i] != x[i]
    return n > 0


@njit(**JIT)
def tanks_gradient(initial, log_h, log_lik, first, row, tank, n_stages, value, smoothed, d):
    """Log-likelihood of tanks of any length, and its gradient.

    With a NaN among hazards or log-likelihoods every value is NaN.

    Parameters
    ----------
    initial : ndarray, rows (B, S)
        P(state in week 0).
    log_h : ndarray, rows (Z, 3, K)
        Log hazards of the move into each step; a block's first step is not used.
    log_lik : ndarray, shape (R, S)
        log P(observations of a tank's week | state).
    first, row, tank : int64 ndarray
        Of :class:`.design.Lanes`; rows are those of ``log_lik``.
    n_stages : int
    value : ndarray, shape (N,), output
    smoothed : ndarray, shape (R, S), output
        P(state | all of the tank's observations): the gradient by ``log_lik``; 0 in rows that
        no lane has.
    d : ndarray, rows (Z, 3, K), output
        Gradient by ``log_h``; 0 in a block's first step.
    """
    n_r, n_s = log_lik.shape
    n_k = n_s // n_stages
    if _any_nan(log_lik.reshape(-1)) or _any_nan(log_h):
        # Comparisons further on would turn it into a number.
        value[:], smoothed[:], d[:] = np.nan, 0.0, 0.0
        return
    longest = 1
    for b in range(len(first) - 1):
        longest = max(longest, first[b + 1] - first[b])
    work = workspace(longest, n_k, n_stages)
    ll, p, v = rows(longest * n_s), rows(longest * n_s), np.empty(WIDTH)
    smoothed[:] = 0.0
    for b in range(len(first) - 1):
        steps = first[b + 1] - first[b]
        for t in range(steps):
            for i in range(WIDTH):
                r = row[first[b] + t, i]
                for s in range(n_s):
                    ll[(t * n_s + s) * WIDTH + i] = log_lik[r, s] if r < n_r else 0.0
        size, a = 3 * n_k * WIDTH, first[b]
        d[a * size : (a + 1) * size] = 0.0
        moves = slice((a + 1) * size, first[b + 1] * size)
        block(
            n_k, n_stages, initial[b * n_s * WIDTH : (b + 1) * n_s * WIDTH], log_h[moves],
            ll[: steps * n_s * WIDTH], work, v, p, d[moves],
        )  # fmt: skip
        for i in range(WIDTH):
            if tank[b, i] >= 0:
                value[tank[b, i]] = v[i]
        for t in range(steps):
            for i in range(WIDTH):
                r = row[first[b] + t, i]
                if r < n_r:
                    for s in range(n_s):
                        smoothed[r, s] = p[(t * n_s + s) * WIDTH + i]


@njit(**JIT)
def weigh_tanks(initial, log_h, log_lik, first, row, tank, n_stages, smoothed, d, g):
    """Gradients of :func:`tanks_gradient` by ``log_h`` and ``log_lik``, weighed by tank.

    Takes what that function took and left, and the weight of each tank, ``g`` (N,).
    """
    n_r, n_s = log_lik.shape
    per = 3 * log_h.shape[2]
    slopes, weight, by_log_h = d.reshape(-1), rows(1), rows(d.size // WIDTH)
    by_log_lik = np.zeros(log_lik.shape)
    for b in range(len(first) - 1):
        for i in range(WIDTH):
            weight[i] = g[tank[b, i]] if tank[b, i] >= 0 else 0.0
        for z in range(first[b] * per, first[b + 1] * per):
            store(by_log_h, z, load(weight, 0) * load(slopes, z))
        for z in range(first[b], first[b + 1]):
            for i in range(WIDTH):
                r = row[z, i]
                if r < n_r:
                    for s in range(n_s):
                        by_log_lik[r, s] = weight[i] * smoothed[r, s]
    return by_log_h.reshape(log_h.shape), by_log_lik
