"""The gradient kernel for one size, fixed when it is compiled: 4 phases of 3 stages.

The same recursions as in :mod:`.chain_gradient`, where they can be read more easily. Here the
numbers of phases and stages are constants, eight series are one number (:mod:`.simd_lanes`), and
a block of them is finished before the next begins, so that all that is kept between the
forward and the backward pass stays in the nearest caches. Arrays are flat; those of the
caller hold ``per`` numbers in a row, one for each eight series of its block.

Of the moves is kept, for each phase and for the last state, with h the sum of its hazards,

* stay, ``exp(-h)``,
* share, ``(1 - exp(-h)) / h``: a move's probability is its hazard times the share,
* slope, the derivative of the share by h.

States are never divided by their sum. When the sum of step t is y, the emissions of step
t + 1 are divided by the power of two below y, which costs nothing while they are made
(:func:`.simd_lanes.exp_over`) and keeps the sums near 1; the log-likelihood is the sum of those
powers and the log of the last sum.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.fitting.kernels.simd_lanes import (
    INLINE,
    WIDTH,
    exp_over,
    exponent,
    load,
    prefetch,
    put,
    rows,
    spread,
    store,
    where_above,
)
from maturity_model.hmm.arithmetic import HUGE, JIT, TINY, log_lanes

#: Phases, stages, and lanes that are worked on together; a block may hold several times them.
K, R, L = 4, 3, WIDTH
S, LAST = K * R, K * R - 1
# Rows of a step: hazards (advance, setback, collapse), and stay, share and slope.
H, M = 3 * K, 3 * (K + 1)
BACK, FALL = K, 2 * K
SHARE, SLOPE = K + 1, 2 * (K + 1)
#: Steps between asking for a row of the caller's arrays and its use.
AHEAD = 4


@njit(**INLINE)
def _moves(log_h, at, per, haz, h0, mv, m0):
    # One step's hazards, and their stay, share and slope; k = K is the last state.
    for row in range(H):
        if row < K or row % K > 0:
            x = load(log_h, at + row * per)
            # As arithmetic.bounded_hazard.
            h = exp_over(where_above(100.0, x, x, 100.0), 0.0)
            store(haz, h0 + row, where_above(x, -500.0, h, 0.0))
    for k in range(K + 1):
        if k == 0:
            h = load(haz, h0)
        else:
            row = h0 + min(k, K - 1)
            h = load(haz, row + BACK) + load(haz, row + FALL)
            if k < K:
                h += load(haz, row)
        stay = exp_over(where_above(700.0, h, -h, -700.0), 0.0)
        # As arithmetic.hazard_share, with one division for both. The error of the slope
        # counts times h.
        inverse = 1.0 / h
        share = (1.0 - stay) * inverse
        slope = (stay - share) * inverse
        small = 1.0 - h * (0.5 - h * (1.0 / 6.0 - h * (1.0 / 24.0)))
        flat = h * (1.0 / 3.0 - h * 0.125) - 0.5
        store(mv, m0 + k, stay)
        store(mv, m0 + SHARE + k, where_above(h, 1e-3, share, small))
        store(mv, m0 + SLOPE + k, where_above(h, 1e-3, slope, flat))


@njit(**INLINE)
def _emit(log_lik, at, per, em, e0, power):
    # Likelihoods relative to the largest of the step, over 2^power. Returns its logarithm.
    high = load(log_lik, at)
    for s in range(1, S):
        x = load(log_lik, at + s * per)
        high = where_above(x, high, x, high)
    high = where_above(high, -1e300, high, 0.0)
    for s in range(S):
        x = load(log_lik, at + s * per) - high
        store(em, e0 + s, where_above(x, -700.0, exp_over(x, power), 0.0))
    return high


@njit(**INLINE)
def _forward(states, before, mv, m0, haz, h0, now):
    # now = before @ (transition matrix).
    back = spread(0.0)
    bottom = spread(0.0)
    for kk in range(K):
        k = K - 1 - kk
        stay, share = load(mv, m0 + k), load(mv, m0 + SHARE + k)
        mass = spread(0.0)
        for j in range(R):
            s = k * R + j
            here = load(states, before + s)
            if s < LAST:
                mass += here
                x = stay * here
            else:
                x = load(mv, m0 + K) * here
            if j > 0:
                x += load(haz, h0 + k) * share * load(states, before + s - 1)
            elif k > 0:
                below = load(haz, h0 + k - 1) * load(mv, m0 + SHARE + k - 1)
                x += back + below * load(states, before + s - 1)
            else:
                x += back + bottom
            store(states, now + s, x)
        if k > 0:
            mass *= share
            if k == K - 1:
                mass += load(states, before + LAST) * load(mv, m0 + SHARE + K)
            back = mass * load(haz, h0 + BACK + k)
            bottom += mass * load(haz, h0 + FALL + k)


@njit(**INLINE)
def _weigh(states, em, at):
    # Multiplies in the emissions; returns the sum of the states.
    even, odd = spread(0.0), spread(0.0)
    for s in range(S):
        x = load(states, at + s) * load(em, at + s)
        store(states, at + s, x)
        if s % 2 == 0:
            even += x
        else:
            odd += x
    return even + odd


@njit(**INLINE)
def _backward(g, mv, m0, haz, h0, beta):
    # beta = (transition matrix) @ g.
    down = spread(0.0)
    for k in range(K):
        stay, share = load(mv, m0 + k), load(mv, m0 + SHARE + k)
        ahead = load(haz, h0 + k) * share
        if k > 0:
            down = load(haz, h0 + BACK + k) * load(g, (k - 1) * R)
            down += load(haz, h0 + FALL + k) * load(g, 0)
        for j in range(R):
            s = k * R + j
            if s < LAST:
                store(beta, s, stay * load(g, s) + ahead * load(g, s + 1) + share * down)
    store(beta, LAST, load(mv, m0 + K) * load(g, LAST) + load(mv, m0 + SHARE + K) * down)


@njit(**INLINE)
def _score(states, s0, g, mv, m0, haz, h0, d, at, per, stream):
    # Into d: one step's gradient by the log hazards (Fisher's identity).
    for k in range(K):
        stays, ups, mass = spread(0.0), spread(0.0), spread(0.0)
        for j in range(R):
            s = k * R + j
            if s < LAST:
                a = load(states, s0 + s)
                stays += a * load(g, s)
                ups += a * load(g, s + 1)
                mass += a
        share, slope = load(mv, m0 + SHARE + k), load(mv, m0 + SLOPE + k)
        stays *= load(mv, m0 + k)
        ha = load(haz, h0 + k)
        if k == 0:
            put(d, at, ha * (share * ups + slope * ha * ups - stays), stream)
            put(d, at + BACK * per, spread(0.0), stream)
            put(d, at + FALL * per, spread(0.0), stream)
        else:
            hb, hc = load(haz, h0 + BACK + k), load(haz, h0 + FALL + k)
            below, bottom = load(g, (k - 1) * R), load(g, 0)
            down = hb * below + hc * bottom
            common = slope * (ha * ups + mass * down) - stays
            put(d, at + k * per, ha * (share * ups + common), stream)
            mass *= share
            if k == K - 1:
                end = load(states, s0 + LAST)
                stays = load(mv, m0 + K) * load(g, LAST)
                common += end * (load(mv, m0 + SLOPE + K) * down - stays)
                mass += end * load(mv, m0 + SHARE + K)
            put(d, at + (BACK + k) * per, hb * (mass * below + common), stream)
            put(d, at + (FALL + k) * per, hc * (mass * bottom + common), stream)


@njit(**JIT)
def block(initial, log_h, log_lik, work, group, per, value, smoothed, d, stream):
    """Value and gradient of L series of one block; all arrays are flat.

    Parameters
    ----------
    initial : ndarray, size S L per
    log_h : ndarray, size (T-1) 3 K L per
        Log hazards: advance, setback, collapse.
    log_lik : ndarray, size T S L per
    work : tuple of ndarray
        From :func:`workspace`.
    group, per : int
        Which L series of the block, and how many times L it holds.
    value : ndarray, size L per, output
    smoothed : ndarray, size T S L per, output
    d : ndarray, size (T-1) 3 K L per, output
    stream : bool
        Whether these two are written past the caches (:func:`.simd_lanes.put`).
    """
    mv, em, states, haz, beta, g = work
    steps = log_lik.shape[0] // (S * L * per)
    logs, power, y = spread(0.0), spread(0.0), spread(0.0)
    for t in range(steps):
        now = t * S
        for row in range(S):
            prefetch(log_lik, ((t + AHEAD) * S + row) * per + group)
        for row in range(H):
            prefetch(log_h, ((t + AHEAD) * H + row) * per + group)
        high = _emit(log_lik, now * per + group, per, em, now, power)
        logs += high + power * 0.6931471805599453
        if t == 0:
            for s in range(S):
                store(states, s, load(initial, s * per + group))
        else:
            m0, h0 = (t - 1) * M, (t - 1) * H
            _moves(log_h, h0 * per + group, per, haz, h0, mv, m0)
            _forward(states, now - S, mv, m0, haz, h0, now)
        y = _weigh(states, em, now)
        # An impossible step: from here on all states are 0 and the value is -inf.
        power = where_above(y, TINY, exponent(y), -np.inf)
    possible = where_above(y, TINY, y, 1.0)
    store(g, 0, possible)
    store(g, 1, where_above(y, TINY, logs, -np.inf))
    for i in range(L):
        value[group * L + i] = g[L + i] + log_lanes(g[i])
    last = (steps - 1) * S
    inverse = where_above(y, TINY, 1.0 / possible, 0.0)
    for s in range(S):
        store(beta, s, inverse)
        put(smoothed, (last + s) * per + group, load(states, last + s) * inverse, stream)
    for t in range(steps - 2, -1, -1):
        now, m0, h0 = t * S, t * M, t * H
        for s in range(S):
            x = load(em, now + S + s) * load(beta, s)
            store(g, s, where_above(HUGE, x, x, HUGE))
        _backward(g, mv, m0, haz, h0, beta)
        _score(states, now, g, mv, m0, haz, h0, d, h0 * per + group, per, stream)
        for s in range(S):
            x = load(states, now + s) * load(beta, s)
            put(smoothed, (now + s) * per + group, x, stream)


@njit(**JIT)
def workspace(steps):
    """Working arrays of :func:`block` for series of this many steps."""
    moves = max(steps - 1, 0)
    return (rows(moves * M), rows(steps * S), rows(steps * S), rows(moves * H), rows(S), rows(S))
