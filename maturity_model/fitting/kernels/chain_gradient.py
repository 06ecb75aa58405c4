"""Log-likelihood of many series and its exact gradient, series in SIMD lanes.

By Fisher's identity the gradient of the log-likelihood is the smoothed expectation of
the complete-data score (Cappe, Moulines and Ryden 2005, *Inference in Hidden Markov
Models*, section 10.1.2), so that one forward and one backward pass give it exactly and
no automatic differentiation runs through time.

With hazards ``h_m`` of the moves out of a phase, ``h`` their sum, ``N_0`` the expected
number of stays and ``N_m`` of moves m,

    d log L / d log h_m = N_m - h_m N_0 + h_m (sum_m N_m) (1 / (e^h - 1) - 1 / h).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels import chain_gradient_4x3 as fixed
from maturity_model.fitting.kernels.simd_lanes import WIDTH, aligned, rows, settle
from maturity_model.hmm.arithmetic import (
    HUGE,
    JIT,
    TINY,
    bounded_hazard,
    exp_lanes,
    hazard_share,
    log_lanes,
)
from maturity_model.hmm.kernels import _step, _step_back

#: Lanes of a block, if nothing else is said: the general kernel's loops are as long, and
#: want them long; the one of fixed size takes them in groups and hardly minds.
LANES = 4 * fixed.L
#: Outputs of more bytes are written past the caches, which they would not stay in anyway.
STREAMED = 2**22


class ValueAndGradient(NamedTuple):
    """Log-likelihood and its gradient, in blocks of lanes.

    Attributes
    ----------
    log_likelihood : ndarray, shape (B, L)
        log P(observations of a series); -inf where they are impossible, and then its
        gradient is 0.
    smoothed : ndarray, shape (B, T, S, L)
        P(state at t | all observations): the gradient by the log-likelihood of
        step t's observations; its first row is also that by the log of the initial
        distribution.
    hazards : ndarray, shape (B, T-1, 3, K, L)
        Gradient by the log hazards of the move from t to t+1.
    """

    log_likelihood: Floats
    smoothed: Floats
    hazards: Floats


@njit(**JIT)
def _fill_moves(log_h, hazards, moves):
    # hazards (T-1, 3, K, L) and moves (T-1, 4K+3, 1, L) of one block.
    n_t, _, n_phases, n_l = log_h.shape
    for t in range(n_t):
        for k in range(n_phases + 1):
            end = k == n_phases
            phase = n_phases - 1 if end else k
            ha, hb, hc = hazards[t, 0, phase], hazards[t, 1, phase], hazards[t, 2, phase]
            if not end:
                la, lb, lc = log_h[t, 0, k], log_h[t, 1, k], log_h[t, 2, k]
                for i in range(n_l):
                    ha[i] = bounded_hazard(la[i])
                    hb[i] = 0.0
                    hc[i] = 0.0
                if k > 0:
                    for i in range(n_l):
                        hb[i] = bounded_hazard(lb[i])
                        hc[i] = bounded_hazard(lc[i])
                stay, adv = moves[t, k, 0], moves[t, n_phases + k, 0]
                back, fall = moves[t, 2 * n_phases + k, 0], moves[t, 3 * n_phases + k, 0]
            else:
                stay, adv = moves[t, 4 * n_phases, 0], moves[t, 4 * n_phases, 0]
                back, fall = moves[t, 4 * n_phases + 1, 0], moves[t, 4 * n_phases + 2, 0]
            use = 0.0 if end else 1.0
            for i in range(n_l):
                a = use * ha[i]
                total = a + hb[i] + hc[i]
                keep = exp_lanes(-total)
                share = hazard_share(keep, total)
                adv[i] = a * share
                back[i] = hb[i] * share
                fall[i] = hc[i] * share
                stay[i] = keep


@njit(**JIT)
def _forward(initial, log_lik, moves, n_phases, n_stages, alpha, emission, value, mass, top):
    # Scaled forward pass of one block; fills alpha, emission (scaled) and value.
    n_t, n_s, n_l = alpha.shape
    for i in range(n_l):
        value[i] = 0.0
    total = mass[0]
    for t in range(n_t):
        now, e = alpha[t], emission[t]
        for i in range(n_l):
            top[i] = -np.inf
        for s in range(n_s):
            ll = log_lik[t, s]
            for i in range(n_l):
                x = ll[i]
                top[i] = x if x > top[i] else top[i]
        for i in range(n_l):
            top[i] = top[i] if top[i] > -np.inf else 0.0
        for s in range(n_s):
            ll, row = log_lik[t, s], e[s]
            for i in range(n_l):
                x = ll[i] - top[i]
                p = exp_lanes(x)
                row[i] = p if x > -700.0 else 0.0
        if t == 0:
            for s in range(n_s):
                a, p0 = now[s], initial[s]
                for i in range(n_l):
                    a[i] = p0[i]
        else:
            _step(alpha[t - 1], moves[t - 1], 0, n_phases, n_stages, mass, now)
        for i in range(n_l):
            total[i] = 0.0
        for s in range(n_s):
            a, row = now[s], e[s]
            for i in range(n_l):
                a[i] *= row[i]
                total[i] += a[i]
        for i in range(n_l):
            x = total[i]
            possible = x > TINY
            value[i] += (log_lanes(x) if possible else -np.inf) + top[i]
            total[i] = 1.0 / x if possible else 0.0
        for s in range(n_s):
            a, row = now[s], e[s]
            for i in range(n_l):
                a[i] *= total[i]
                # Emissions carry the scale from here on: the backward pass needs both.
                row[i] *= total[i]


@njit(**JIT)
def _counts(alpha, g, mv, haz, n_phases, n_stages, n0, nm, d):
    # Adds one step's gradient by log hazards. alpha, g (S, L); haz, d (3, K, L).
    n_s, n_l = alpha.shape
    last = n_s - 1
    bottom = g[0]
    for k in range(n_phases):
        ga, gb, gc = d[0, k], d[1, k], d[2, k]
        ha, hb, hc = haz[0, k], haz[1, k], haz[2, k]
        below = g[max(k - 1, 0) * n_stages]
        for part in range(2):
            end = part == 1
            if end and k < n_phases - 1:
                break
            first = last if end else k * n_stages
            stop = last + 1 if end else min((k + 1) * n_stages, last)
            if end:
                stay, back, fall = (
                    mv[4 * n_phases, 0], mv[4 * n_phases + 1, 0], mv[4 * n_phases + 2, 0],
                )  # fmt: skip
                adv = stay
            else:
                stay, adv = mv[k, 0], mv[n_phases + k, 0]
                back, fall = mv[2 * n_phases + k, 0], mv[3 * n_phases + k, 0]
            for i in range(n_l):
                n0[i] = 0.0
                nm[i] = 0.0
            for j in range(first, stop):
                a, same = alpha[j], g[j]
                for i in range(n_l):
                    n0[i] += a[i] * stay[i] * same[i]
                if not end:
                    up = g[j + 1]
                    for i in range(n_l):
                        n = a[i] * adv[i] * up[i]
                        ga[i] += n
                        nm[i] += n
                if k > 0:
                    for i in range(n_l):
                        nb = a[i] * back[i] * below[i]
                        nc = a[i] * fall[i] * bottom[i]
                        gb[i] += nb
                        gc[i] += nc
                        nm[i] += nb + nc
            for i in range(n_l):
                h = (0.0 if end else ha[i]) + hb[i] + hc[i]
                # 1 / (e^h - 1) - 1 / h; its series below 0.01 is exact to 1e-16.
                keep = stay[i]
                if h > 0.01:
                    f = keep / (1.0 - keep) - 1.0 / h
                else:
                    f = -0.5 + h / 12.0 - h * h * h / 720.0 + h * h * h * h * h / 30240.0
                common = nm[i] * f - n0[i]
                if not end:
                    ga[i] += ha[i] * common
                gb[i] += hb[i] * common
                gc[i] += hc[i] * common


@njit(**JIT)
def _block(initial, log_h, log_lik, n_stages, value, smoothed, d):
    # Any number of phases, stages and lanes; arrays of one block, lanes last.
    n_t, n_s, n_l = log_lik.shape
    n_phases = n_s // n_stages
    hazards = np.empty((n_t - 1, 3, n_phases, n_l))
    moves = np.empty((n_t - 1, 4 * n_phases + 3, 1, n_l))
    alpha = np.empty((n_t, n_s, n_l))
    emission = np.empty((n_t, n_s, n_l))
    mass = np.zeros((n_phases, n_l))
    n0 = np.empty(n_l)
    nm = np.empty(n_l)
    beta = np.ones((n_s, n_l))
    g = np.empty((n_s, n_l))
    _fill_moves(log_h, hazards, moves)
    _forward(initial, log_lik, moves, n_phases, n_stages, alpha, emission, value, mass, n0)
    smoothed[n_t - 1] = alpha[n_t - 1]
    d[:] = 0.0
    for t in range(n_t - 2, -1, -1):
        for s in range(n_s):
            e, b, row = emission[t + 1, s], beta[s], g[s]
            for i in range(n_l):
                x = e[i] * b[i]
                row[i] = x if x < HUGE else HUGE
        _counts(alpha[t], g, moves[t], hazards[t], n_phases, n_stages, n0, nm, d[t])
        _step_back(g, moves[t], 0, n_phases, n_stages, beta)
        for s in range(n_s):
            a, b, out = alpha[t, s], beta[s], smoothed[t, s]
            for i in range(n_l):
                out[i] = a[i] * b[i]


@njit(**JIT)
def gradient_blocks(initial, log_h, log_lik, n_stages, value, smoothed, d):
    """Kernel of :func:`value_and_gradient`: the same arrays, outputs made by the caller."""
    n_b, n_t, n_s, n_l = log_lik.shape
    quick = n_stages == fixed.R and n_s == fixed.S and n_l % fixed.L == 0
    work = fixed.workspace(n_t if quick else 1)
    large = 8 * (smoothed.size + d.size) > STREAMED
    stream = quick and large and aligned(smoothed) and aligned(d)
    for b in range(n_b):
        if quick:
            for group in range(n_l // fixed.L):
                fixed.block(
                    initial[b].reshape(-1), log_h[b].reshape(-1), log_lik[b].reshape(-1), work,
                    group, n_l // fixed.L,
                    value[b], smoothed[b].reshape(-1), d[b].reshape(-1), stream,
                )  # fmt: skip
        else:
            _block(initial[b], log_h[b], log_lik[b], n_stages, value[b], smoothed[b], d[b])
        for i in range(n_l):
            if not value[b, i] > -np.inf:
                value[b, i] = -np.inf
                smoothed[b, :, :, i] = 0.0
                d[b, :, :, :, i] = 0.0
    if stream:
        settle()


def _empty(shape: tuple[int, ...]) -> Floats:
    # On whole cache lines: only those can be streamed, and they are loaded twice as fast.
    return rows.py_func(-(-math.prod(shape) // WIDTH))[: math.prod(shape)].reshape(shape)


def to_lanes(series: Floats, fill: float = 0.0, lanes: int = LANES) -> Floats:
    """Lay series out in blocks of lanes.

    Parameters
    ----------
    series : ndarray, shape (N, ...)
    fill : float
        Value of the lanes that are left over.
    lanes : int

    Returns
    -------
    ndarray, shape (B, ..., lanes)
        Series n is lane ``n % lanes`` of block ``n // lanes``.
    """
    n = len(series)
    blocks = -(-n // lanes)
    full = np.full((blocks * lanes, *series.shape[1:]), fill)
    full[:n] = series
    full = np.moveaxis(full.reshape(blocks, lanes, *series.shape[1:]), 1, -1)
    out = _empty(full.shape)
    out[...] = full
    return out


def from_lanes(blocks: Floats, n: int) -> Floats:
    """Undo :func:`to_lanes`: (B, ..., lanes) back to (N, ...)."""
    out = np.moveaxis(blocks, -1, 1)
    return np.ascontiguousarray(out.reshape(-1, *out.shape[2:])[:n])


def value_and_gradient(
    initial: Floats,
    log_hazards: Floats,
    log_likelihood: Floats,
    n_stages: int,
    out: ValueAndGradient | None = None,
) -> ValueAndGradient:
    """Log-likelihood of B L series of T steps, and its gradient.

    Series lie in B blocks of L lanes (:func:`to_lanes`). With 4 phases of 3 stages and a
    multiple of 8 lanes a kernel compiled for that size is used (:mod:`.chain_gradient_4x3`),
    several times faster, most of all with 8 lanes and if arrays begin on a cache line (64 bytes),
    as those of :func:`to_lanes` and those that this function makes do.

    Parameters
    ----------
    initial : ndarray, shape (B, S, L)
        P(state at step 0).
    log_hazards : ndarray, shape (B, T-1, 3, K, L)
        Log hazards of advance, setback and collapse on the move from t to t+1
        (:mod:`.staged`); -inf allowed; above 100 they count as 100, below -500 as -inf.
        Setback and collapse from phase 0 are ignored.
    log_likelihood : ndarray, shape (B, T, S, L)
        log P(observations at t | state), with -inf allowed. A series shorter than T is
        padded with zeros here and -inf in the log hazards. A state 700 below the step's
        largest counts as impossible.
    n_stages : int
    out : ValueAndGradient, optional
        Result of an earlier call of the same size, to be overwritten and returned.

    Returns
    -------
    ValueAndGradient

    Raises
    ------
    ValueError
        When shapes do not fit together.
    """
    n_b, weeks, states, lanes = log_likelihood.shape
    phases = states // n_stages
    if phases * n_stages != states or phases < 2:
        raise ValueError(f"{states} states do not make phases of {n_stages} stages")
    for name, array, want in (
        ("initial", initial, (n_b, states, lanes)),
        ("log_hazards", log_hazards, (n_b, weeks - 1, 3, phases, lanes)),
    ):
        if array.shape != want:
            raise ValueError(f"{name} has the shape {array.shape}, not {want}")
    shapes = ((n_b, lanes), log_likelihood.shape, log_hazards.shape)
    if out is None:
        out = ValueAndGradient(*(_empty(shape) for shape in shapes))
    for name, array, want in zip(out._fields, out, shapes, strict=True):
        fits = array.shape == want and array.dtype == np.float64 and array.flags.c_contiguous
        if not fits:
            raise ValueError(f"out.{name} is no C-ordered float64 array of the shape {want}")
    arrays = [np.ascontiguousarray(x, float) for x in (initial, log_hazards, log_likelihood)]
    gradient_blocks(*arrays, n_stages, *out)
    return out
