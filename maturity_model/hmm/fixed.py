"""The gradient kernel for one size, fixed when it is compiled: 4 phases of 3 stages.

The same recursions as in :mod:`.gradient`, where they can be read more easily. Here the
numbers of phases, stages and lanes are constants and every array is flat, so that the
compiler unrolls the states, knows that rows do not overlap, and keeps each step in
SIMD registers. Row ``s`` of a step lies at ``[s * L, (s + 1) * L)``.

Speed is bound by memory, so little is kept: outputs hold what the forward pass leaves for
the backward pass (filtered states, hazards), and of the moves only, for each phase and
for the last state, with h the sum of its hazards,

* stay, ``exp(-h)``,
* share, ``(1 - exp(-h)) / h``: a move's probability is its hazard times the share,
* slope, the derivative of the share by h.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.hmm.arithmetic import HUGE, JIT, bounded_hazard, exp_lanes, log_lanes

#: Phases, stages, and lanes of one block.
K, R, L = 4, 3, 32
S, LAST = K * R, K * R - 1
# Sizes of a step's rows: states, hazards, and stay, share and slope.
SL, HL, ML = S * L, 3 * K * L, 3 * (K + 1) * L
BACK, FALL = K * L, 2 * K * L
SHARE, SLOPE = (K + 1) * L, 2 * (K + 1) * L


@njit(**JIT)
def _moves(log_h, haz, mv):
    # One step's hazards, and their stay, share and slope; k = K is the last state.
    for row in range(3 * K):
        if row < K or row % K > 0:
            for i in range(L):
                haz[row * L + i] = bounded_hazard(log_h[row * L + i])
        else:
            for i in range(L):
                haz[row * L + i] = 0.0
    for k in range(K + 1):
        at = k * L if k < K else (K - 1) * L
        use = 1.0 if k < K else 0.0
        for i in range(L):
            h = use * haz[at + i] + haz[BACK + at + i] + haz[FALL + at + i]
            stay = exp_lanes(-h)
            # As hazard_share, with one division for both.
            inverse = 1.0 / h
            share = (1.0 - stay) * inverse
            slope = (stay - share) * inverse
            small = 1.0 - h * (0.5 - h * (1.0 / 6.0 - h * (1.0 / 24.0 - h * (1.0 / 120.0))))
            flat = h * (1.0 / 3.0 - h * (0.125 - h * (1.0 / 30.0))) - 0.5
            mv[k * L + i] = stay
            mv[SHARE + k * L + i] = share if h > 1e-3 else small
            mv[SLOPE + k * L + i] = slope if h > 1e-3 else flat


@njit(**JIT)
def _emit(log_lik, em, top):
    # Likelihoods relative to the largest of the step.
    for i in range(L):
        high = log_lik[i]
        for s in range(1, S):
            x = log_lik[s * L + i]
            high = x if x > high else high
        high = high if high > -1e300 else 0.0
        top[i] = high
        for s in range(S):
            x = log_lik[s * L + i] - high
            p = exp_lanes(x)
            em[s * L + i] = p if x > -700.0 else 0.0


@njit(**JIT)
def _scale(now, em, top, total, value):
    # Multiply in the emissions, normalise, and leave emission / scale behind.
    for i in range(L):
        y = 0.0
        for s in range(S):
            x = now[s * L + i] * em[s * L + i]
            now[s * L + i] = x
            y += x
        total[i] = y
    for i in range(L):
        y = total[i]
        possible = y > 1e-300
        x = log_lanes(y) + top[i]
        value[i] += x if possible else -np.inf
        total[i] = 1.0 / y if possible else 0.0
    for i in range(L):
        y = total[i]
        for s in range(S):
            now[s * L + i] *= y
            em[s * L + i] *= y


@njit(**JIT)
def _forward(prev, mv, haz, now):
    # now = prev @ (transition matrix).
    for i in range(L):
        back = 0.0
        bottom = 0.0
        for kk in range(K):
            k = K - 1 - kk
            stay, share = mv[k * L + i], mv[SHARE + k * L + i]
            mass = 0.0
            for j in range(R):
                s = k * R + j
                if s < LAST:
                    mass += prev[s * L + i]
                x = (mv[K * L + i] if s == LAST else stay) * prev[s * L + i]
                if j > 0:
                    x += haz[k * L + i] * share * prev[(s - 1) * L + i]
                elif k > 0:
                    below = haz[(k - 1) * L + i] * mv[SHARE + (k - 1) * L + i]
                    x += back + below * prev[(s - 1) * L + i]
                else:
                    x += back + bottom
                now[s * L + i] = x
            if k > 0:
                mass *= share
                if k == K - 1:
                    mass += prev[LAST * L + i] * mv[SHARE + K * L + i]
                back = mass * haz[BACK + k * L + i]
                bottom += mass * haz[FALL + k * L + i]


@njit(**JIT)
def _backward(g, mv, haz, beta):
    # beta = (transition matrix) @ g.
    for i in range(L):
        down = 0.0
        for k in range(K):
            stay, share = mv[k * L + i], mv[SHARE + k * L + i]
            ahead = haz[k * L + i] * share
            if k > 0:
                down = haz[BACK + k * L + i] * g[(k - 1) * R * L + i] + haz[FALL + k * L + i] * g[i]
            for j in range(R):
                s = k * R + j
                if s < LAST:
                    beta[s * L + i] = (
                        stay * g[s * L + i] + ahead * g[(s + 1) * L + i] + share * down
                    )
        beta[LAST * L + i] = mv[K * L + i] * g[LAST * L + i] + mv[SHARE + K * L + i] * down


@njit(**JIT)
def _score(alpha, g, mv, d):
    # d: hazards in, gradient by the log hazards of one step out (Fisher's identity).
    for i in range(L):
        for k in range(K):
            stays, ups, mass = 0.0, 0.0, 0.0
            for j in range(R):
                s = k * R + j
                if s < LAST:
                    a = alpha[s * L + i]
                    stays += a * g[s * L + i]
                    ups += a * g[(s + 1) * L + i]
                    mass += a
            share, slope = mv[SHARE + k * L + i], mv[SLOPE + k * L + i]
            stays *= mv[k * L + i]
            ha = d[k * L + i]
            if k == 0:
                d[i] = ha * (share * ups + slope * ha * ups - stays)
                d[BACK + i] = 0.0
                d[FALL + i] = 0.0
            else:
                hb, hc = d[BACK + k * L + i], d[FALL + k * L + i]
                below, bottom = g[(k - 1) * R * L + i], g[i]
                down = hb * below + hc * bottom
                common = slope * (ha * ups + mass * down) - stays
                d[k * L + i] = ha * (share * ups + common)
                mass *= share
                if k == K - 1:
                    end = alpha[LAST * L + i]
                    common += end * (mv[SLOPE + K * L + i] * down - mv[K * L + i] * g[LAST * L + i])
                    mass += end * mv[SHARE + K * L + i]
                d[BACK + k * L + i] = hb * (mass * below + common)
                d[FALL + k * L + i] = hc * (mass * bottom + common)


@njit(**JIT)
def _weigh(em, beta, g):
    for i in range(SL):
        x = em[i] * beta[i]
        g[i] = x if x < HUGE else HUGE


@njit(**JIT)
def _smooth(beta, now):
    for i in range(SL):
        now[i] *= beta[i]


@njit(**JIT)
def block(initial, log_h, log_lik, work, value, smoothed, d):
    """Value and gradient of one block of L series; all arrays are flat.

    Parameters
    ----------
    initial : ndarray, size S L
    log_h : ndarray, size (T-1) 3 K L
        Log hazards: advance, setback, collapse.
    log_lik : ndarray, size T S L
    work : tuple of ndarray
        From :func:`workspace`.
    value : ndarray, size L, output
    smoothed : ndarray, size T S L, output
    d : ndarray, size (T-1) 3 K L, output
    """
    mv, em, beta, g, top, total = work
    steps = log_lik.shape[0] // SL
    value[:] = 0.0
    for t in range(steps):
        now, e = smoothed[t * SL : (t + 1) * SL], em[t * SL : (t + 1) * SL]
        _emit(log_lik[t * SL : (t + 1) * SL], e, top)
        if t == 0:
            now[:] = initial
        else:
            moves, haz = mv[(t - 1) * ML : t * ML], d[(t - 1) * HL : t * HL]
            _moves(log_h[(t - 1) * HL : t * HL], haz, moves)
            _forward(smoothed[(t - 1) * SL : t * SL], moves, haz, now)
        _scale(now, e, top, total, value)
    beta[:] = 1.0
    for t in range(steps - 2, -1, -1):
        now, moves = smoothed[t * SL : (t + 1) * SL], mv[t * ML : (t + 1) * ML]
        haz = d[t * HL : (t + 1) * HL]
        _weigh(em[(t + 1) * SL : (t + 2) * SL], beta, g)
        _backward(g, moves, haz, beta)
        _score(now, g, moves, haz)
        _smooth(beta, now)


@njit(**JIT)
def workspace(steps):
    """Working arrays of :func:`block` for series of this many steps."""
    return (
        np.empty((steps - 1) * ML), np.empty(steps * SL),
        np.empty(SL), np.empty(SL), np.empty(L), np.empty(L),
    )  # fmt: skip
