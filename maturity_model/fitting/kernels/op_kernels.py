"""Compiled kernels of the pooled fit's Ops: values together with their derivatives.

Plain ``numba.njit``: no threads here (chains are what runs in parallel) and no PyTensor,
so that the kernels can be tested and timed alone.
"""

from __future__ import annotations

import hashlib
import inspect
import sys
from types import ModuleType

import numpy as np
from numba import njit

from maturity_model.fitting.kernels import chain_gradient as chain_gradient_module
from maturity_model.fitting.kernels import chain_gradient_4x3, simd_lanes
from maturity_model.fitting.kernels.chain_gradient import gradient_blocks
from maturity_model.hmm import arithmetic, kernels
from maturity_model.hmm.arithmetic import JIT, exp_lanes, log_lanes

_SOURCES = (arithmetic, chain_gradient_module, chain_gradient_4x3, kernels, simd_lanes)
#: Tanks per block: the size that the quick gradient kernel is compiled for.
LANES = chain_gradient_4x3.L
#: Cells of a table that are worked on together.
CELLS = 192


@njit(**JIT)
def _scaled_tail(x):
    # erfc(x) exp(x^2) for x >= 0 within 3e-15 (relative): a polynomial in (3 - x)/(3 + x),
    # interpolated at Chebyshev nodes; checked against scipy.special.erfcx in the tests.
    t = 3.0 / (3.0 + x)
    u = 2.0 * t - 1.0
    p = 1.8207067041398046e-10
    p = p * u + 1.359922611855207e-09
    p = p * u - 2.1434128851065285e-09
    p = p * u - 1.325561650961173e-08
    p = p * u + 1.882172630892533e-08
    p = p * u + 7.2586083669287e-08
    p = p * u - 1.3998448329554146e-07
    p = p * u - 3.2819441896519453e-07
    p = p * u + 9.24722312270277e-07
    p = p * u + 1.5802807544769263e-06
    p = p * u - 5.824897410492812e-06
    p = p * u - 1.013166006786972e-05
    p = p * u + 3.585423438881203e-05
    p = p * u + 9.225902659788963e-05
    p = p * u - 0.00018276996720801425
    p = p * u - 0.0010113539633571725
    p = p * u - 0.0004041388698282772
    p = p * u + 0.008942411538552282
    p = p * u + 0.03984258709566845
    p = p * u + 0.1034890873002975
    p = p * u + 0.19674278570135628
    p = p * u + 0.2944648177232929
    p = p * u + 0.3580023023627801
    return p * t


@njit(**JIT)
def _interval_cells(w):
    # In rows 0-3 of w: low, high, mean, sd. Out in rows 4-6: P(low < N(mean, sd) < high) and
    # its derivatives by mean and sd. One flat array with constant offsets and short loops:
    # the compiler then knows that nothing overlaps and keeps the work in SIMD registers.
    for i in range(CELLS):
        mean, one = w[2 * CELLS + i], 1.0 / w[3 * CELLS + i]
        a, b = (w[i] - mean) * one, (w[CELLS + i] - mean) * one
        # Beyond 38 sd nothing is left in double precision; infinite ends become finite.
        a = a if a > -38.0 else -38.0
        b = b if b > -38.0 else -38.0
        w[i] = a if a < 38.0 else 38.0
        w[CELLS + i] = b if b < 38.0 else 38.0
    for i in range(2 * CELLS):
        # Density, and half of erfc(|z| / sqrt 2): the probability beyond |z|.
        z = w[i]
        dense = exp_lanes(-0.5 * z * z)
        w[4 * CELLS + i] = 0.3989422804014327 * dense
        w[6 * CELLS + i] = 0.5 * dense * _scaled_tail(abs(z) * 0.7071067811865476)
    for i in range(CELLS):
        a, b, one = w[i], w[CELLS + i], 1.0 / w[3 * CELLS + i]
        dense_a, dense_b = w[4 * CELLS + i], w[5 * CELLS + i]
        tail_a, tail_b = w[6 * CELLS + i], w[7 * CELLS + i]
        # In the tail that is small, so that nothing cancels.
        across = 1.0 - tail_a - tail_b
        p = tail_b - tail_a if b < 0.0 else across
        w[4 * CELLS + i] = tail_a - tail_b if a > 0.0 else p
        w[5 * CELLS + i] = (dense_a - dense_b) * one
        w[6 * CELLS + i] = (a * dense_a - b * dense_b) * one


@njit(**JIT)
def _mixed_cells(w, share):
    # Adds the noise (in row 8) and takes logarithms: log p in 4, its slopes in 5, 6, 1/p in 7.
    for i in range(CELLS):
        p = share * w[4 * CELLS + i] + w[8 * CELLS + i]
        p = p if p > 1e-300 else 1e-300
        one = 1.0 / p
        w[4 * CELLS + i] = log_lanes(p)
        w[5 * CELLS + i] *= share * one
        w[6 * CELLS + i] *= share * one
        w[7 * CELLS + i] = one


@njit(**JIT)
def interval_tables(
    low, high, mean, sd, wide_mean, wide_sd, outlier, table, by_mean, by_sd, inverse, wide
):
    """Log-likelihood of values known to lie in intervals, with derivatives.

    ``log((1 - outlier) P(low < N(mean, sd) < high) + outlier P(low < N(wide) < high))``

    Parameters
    ----------
    low, high : ndarray, shape (C,)
    mean, sd : ndarray, shape (C, S)
    wide_mean, wide_sd : ndarray, shape (C,)
    outlier : float
    table, by_mean, by_sd, inverse : ndarray, shape (C, S), output
        Log-likelihood; its derivatives; 1 / likelihood.
    wide : ndarray, shape (3, C), output
        P(low < N(wide) < high) and its derivatives by mean and sd.
    """
    n_c, n_s = mean.shape
    w = np.ones(9 * CELLS)
    for at in range(0, n_c, CELLS):
        width = min(CELLS, n_c - at)
        for i in range(CELLS):
            c = at + min(i, width - 1)
            w[i], w[CELLS + i] = low[c], high[c]
            w[2 * CELLS + i], w[3 * CELLS + i] = wide_mean[c], wide_sd[c]
        _interval_cells(w)
        for i in range(width):
            for part in range(3):
                wide[part, at + i] = w[(4 + part) * CELLS + i]
    per = CELLS // n_s
    for at in range(0, n_c, per):
        width = min(per, n_c - at)
        for i in range(per):
            c = at + min(i, width - 1)
            lo, hi, noise = low[c], high[c], outlier * wide[0, c]
            for j in range(n_s):
                q = i * n_s + j
                w[q], w[CELLS + q] = lo, hi
                w[2 * CELLS + q], w[3 * CELLS + q] = mean[c, j], sd[c, j]
                w[8 * CELLS + q] = noise
        _interval_cells(w)
        _mixed_cells(w, 1.0 - outlier)
        for i in range(width):
            for j in range(n_s):
                q = i * n_s + j
                table[at + i, j] = w[4 * CELLS + q]
                by_mean[at + i, j] = w[5 * CELLS + q]
                by_sd[at + i, j] = w[6 * CELLS + q]
                inverse[at + i, j] = w[7 * CELLS + q]


@njit(**JIT)
def _bernoulli_cells(w):
    # In: the log-odds of what was answered; out: its log-likelihood, the chance of the other.
    for i in range(CELLS):
        x = w[i]
        e = exp_lanes(-abs(x))
        more = 1.0 + e
        w[CELLS + i] = (x if x < 0.0 else 0.0) - log_lanes(more)
        w[2 * CELLS + i] = (e if x > 0.0 else 1.0) / more


@njit(**JIT)
def bernoulli_tables(logit, shift, row, seen, table, slope):
    """Log-likelihood of yes/no answers, with its derivative by the log-odds.

    Parameters
    ----------
    logit : ndarray, shape (G, S)
    shift : ndarray, shape (C,)
        Added to the log-odds of every state.
    row : int64 ndarray, shape (C,)
        Row of ``logit``.
    seen : ndarray, shape (C,)
        1 for yes, -1 for no.
    table, slope : ndarray, shape (C, S), output
    """
    n_c, n_s = table.shape
    w = np.zeros(3 * CELLS)
    per = CELLS // n_s
    for at in range(0, n_c, per):
        width = min(per, n_c - at)
        for i in range(width):
            base, sign, up = row[at + i], seen[at + i], shift[at + i]
            for j in range(n_s):
                w[i * n_s + j] = sign * (logit[base, j] + up)
        _bernoulli_cells(w)
        for i in range(width):
            sign = seen[at + i]
            for j in range(n_s):
                q = i * n_s + j
                table[at + i, j] = w[CELLS + q]
                slope[at + i, j] = sign * w[2 * CELLS + q]


@njit(**JIT)
def sum_codes(table, take, put, out):
    """``out[put[o]] += table[take[o]]`` for every observation o; ``out`` comes in as zeros."""
    n_s = table.shape[1]
    for o in range(len(take)):
        a, b = table[take[o]], out[put[o]]
        for j in range(n_s):
            b[j] += a[j]


@njit(**JIT)
def loads(impulse, pending, first, decay, load, by_decay):
    """Load of events on the move into each row, with its derivative by the decay.

    ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0 in each tank.

    Parameters
    ----------
    impulse, pending : ndarray, shape (R, E)
    first : int64 ndarray, shape (N + 1,)
    decay : ndarray, shape (E,)
    load, by_decay : ndarray, shape (R, E), output
    """
    for n in range(len(first) - 1):
        for r in range(first[n], first[n + 1]):
            for e in range(len(decay)):
                load[r, e] = impulse[r, e]
                by_decay[r, e] = 0.0
                if r > first[n]:
                    load[r, e] += pending[r - 1, e] + decay[e] * load[r - 1, e]
                    by_decay[r, e] = load[r - 1, e] + decay[e] * by_decay[r - 1, e]


@njit(**JIT)
def chain_gradient(log_initial, log_h, log_lik, first, order, n_stages, value, smoothed, d):
    """Log-likelihood of tanks of any length and its gradient, rows behind one another.

    Tanks of like length share a block, so that little is spent on padding.

    Parameters
    ----------
    log_initial : ndarray, shape (N, S)
    log_h : ndarray, shape (R, 3, K)
        Log hazards of advance, setback and collapse on the move into a row's week;
        a tank's first row is not used.
    log_lik : ndarray, shape (R, S)
    first : int64 ndarray, shape (N + 1,)
    order : int64 ndarray, shape (N,)
        Tanks by length.
    n_stages : int
    value : ndarray, shape (N,), output
    smoothed : ndarray, shape (R, S), output
        P(state | all of the tank's observations): the gradient by ``log_lik``.
    d : ndarray, shape (R, 3, K), output
    """
    n, n_s = log_initial.shape
    n_k = log_h.shape[2]
    for begin in range(0, n, LANES):
        tanks = min(LANES, n - begin)
        weeks = 1
        for i in range(tanks):
            tank = order[begin + i]
            weeks = max(weeks, first[tank + 1] - first[tank])
        initial = np.full((1, n_s, LANES), 1.0 / n_s)
        h = np.full((1, weeks - 1, 3, n_k, LANES), -np.inf)
        ll = np.zeros((1, weeks, n_s, LANES))
        for i in range(tanks):
            tank = order[begin + i]
            row = first[tank]
            for j in range(n_s):
                initial[0, j, i] = np.exp(log_initial[tank, j])
            for t in range(first[tank + 1] - row):
                for j in range(n_s):
                    ll[0, t, j, i] = log_lik[row + t, j]
                if t > 0:
                    for m in range(3):
                        for k in range(n_k):
                            h[0, t - 1, m, k, i] = log_h[row + t, m, k]
        v = np.empty((1, LANES))
        p = np.empty((1, weeks, n_s, LANES))
        g = np.zeros((1, weeks - 1, 3, n_k, LANES))
        gradient_blocks(initial, h, ll, n_stages, v, p, g)
        for i in range(tanks):
            tank = order[begin + i]
            row = first[tank]
            value[tank] = v[0, i]
            for t in range(first[tank + 1] - row):
                for j in range(n_s):
                    smoothed[row + t, j] = p[0, t, j, i]
                for m in range(3):
                    for k in range(n_k):
                        d[row + t, m, k] = g[0, t - 1, m, k, i] if t > 0 else 0.0


def version(*more: ModuleType) -> int:
    """A number that changes with the source of any kernel used here.

    A compiled graph is kept on disk under it; without it a changed kernel would
    silently be served in its old form.

    Parameters
    ----------
    *more : module
        Modules whose source counts too.
    """
    digest = hashlib.sha256()
    for module in (sys.modules[__name__], *_SOURCES, *more):
        digest.update(inspect.getsource(module).encode())
    return int.from_bytes(digest.digest()[:6], "little")
