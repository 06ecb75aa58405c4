"""The gradient kernel for one size, fixed when it is compiled: 4 phases of 3 stages.

The same recursions as in :mod:`.gradient`, where they can be read more easily. Here the
numbers of phases, stages and lanes are constants and every array is flat, so that the
compiler unrolls the states, knows that rows do not overlap, and keeps each step in
SIMD registers. Row ``s`` of a step lies at ``[s * L, (s + 1) * L)``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.hmm.kernels import _JIT, exp_lanes, log_lanes

#: Phases, stages, and lanes of one block.
K, R, L = 4, 3, 32
S, LAST, M = K * R, K * R - 1, 4 * K + 3
# Rows of a step's moves: M probabilities, then the hazards of each phase.
SL, HL, ML = S * L, 3 * K * L, (M + 3 * K) * L
ADV, BACK, FALL, END = K * L, 2 * K * L, 3 * K * L, 4 * K * L
HAZ = M * L


@njit(**_JIT)
def _moves(log_h, mv):
    # Hazards and move probabilities of one step, a phase at a time.
    for row in range(3 * K):
        if row < K or row % K > 0:
            for i in range(L):
                mv[HAZ + row * L + i] = exp_lanes(log_h[row * L + i])
        else:
            for i in range(L):
                mv[HAZ + row * L + i] = 0.0
    for k in range(K + 1):
        phase = k if k < K else K - 1
        use = 1.0 if k < K else 0.0
        at = HAZ + phase * L
        stay, adv = (k * L, ADV + k * L) if k < K else (END, END)
        back, fall = (BACK + k * L, FALL + k * L) if k < K else (END + L, END + 2 * L)
        for i in range(L):
            a, b, c = use * mv[at + i], mv[at + K * L + i], mv[at + 2 * K * L + i]
            h = a + b + c
            keep = exp_lanes(-h)
            series = 1.0 - h * (0.5 - h * (1.0 / 6.0 - h * (1.0 / 24.0 - h / 120.0)))
            share = (1.0 - keep) / h if h > 1e-3 else series
            mv[adv + i] = a * share
            mv[back + i] = b * share
            mv[fall + i] = c * share
            mv[stay + i] = keep


@njit(**_JIT)
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


@njit(**_JIT)
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


@njit(**_JIT)
def _forward(prev, mv, now):
    # now = prev @ (transition matrix).
    for i in range(L):
        back = 0.0
        bottom = 0.0
        for kk in range(K):
            k = K - 1 - kk
            mass = 0.0
            for j in range(R):
                s = k * R + j
                if s < LAST:
                    mass += prev[s * L + i]
                x = (mv[END + i] if s == LAST else mv[k * L + i]) * prev[s * L + i]
                if j > 0:
                    x += mv[ADV + k * L + i] * prev[(s - 1) * L + i]
                elif k > 0:
                    x += back + mv[ADV + (k - 1) * L + i] * prev[(s - 1) * L + i]
                else:
                    x += back + bottom
                now[s * L + i] = x
            if k > 0:
                back = mass * mv[BACK + k * L + i]
                bottom += mass * mv[FALL + k * L + i]
                if k == K - 1:
                    back += prev[LAST * L + i] * mv[END + L + i]
                    bottom += prev[LAST * L + i] * mv[END + 2 * L + i]


@njit(**_JIT)
def _backward(g, mv, beta):
    # beta = (transition matrix) @ g.
    for i in range(L):
        for k in range(K):
            down = 0.0
            if k > 0:
                down = mv[BACK + k * L + i] * g[(k - 1) * R * L + i] + mv[FALL + k * L + i] * g[i]
            for j in range(R):
                s = k * R + j
                if s < LAST:
                    beta[s * L + i] = (
                        mv[k * L + i] * g[s * L + i] + mv[ADV + k * L + i] * g[(s + 1) * L + i] + down
                    )
        beta[LAST * L + i] = (
            mv[END + i] * g[LAST * L + i]
            + mv[END + L + i] * g[(K - 2) * R * L + i]
            + mv[END + 2 * L + i] * g[i]
        )


@njit(**_JIT)
def _ratio(stay, h):
    # 1/(e^h - 1) - 1/h; what cancels here is multiplied by h afterwards.
    f = (stay - (1.0 - stay) / h) / (1.0 - stay)
    return f if h > 1e-6 else -0.5


@njit(**_JIT)
def _score(alpha, g, mv, d):
    # Gradient by the log hazards of one step: Fisher's identity.
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
            stay = mv[k * L + i]
            stays *= stay
            ups *= mv[ADV + k * L + i]
            a = mv[HAZ + k * L + i]
            if k == 0:
                d[i] = ups + a * (ups * _ratio(stay, a) - stays)
                d[K * L + i] = 0.0
                d[2 * K * L + i] = 0.0
            else:
                b, c = mv[HAZ + (K + k) * L + i], mv[HAZ + (2 * K + k) * L + i]
                below, bottom = g[(k - 1) * R * L + i], g[i]
                downs = mass * mv[BACK + k * L + i] * below
                falls = mass * mv[FALL + k * L + i] * bottom
                common = (ups + downs + falls) * _ratio(stay, a + b + c) - stays
                d[k * L + i] = ups + a * common
                if k == K - 1:
                    end = alpha[LAST * L + i]
                    down = end * mv[END + L + i] * below
                    fall = end * mv[END + 2 * L + i] * bottom
                    keep = end * mv[END + i] * g[LAST * L + i]
                    common += (down + fall) * _ratio(mv[END + i], b + c) - keep
                    downs += down
                    falls += fall
                d[(K + k) * L + i] = downs + b * common
                d[(2 * K + k) * L + i] = falls + c * common


@njit(**_JIT)
def _product(x, y, out):
    for i in range(SL):
        out[i] = x[i] * y[i]


@njit(**_JIT)
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
    mv, alpha, em, beta, g, top, total = work
    steps = log_lik.shape[0] // SL
    value[:] = 0.0
    for t in range(steps):
        now, e = alpha[t * SL : (t + 1) * SL], em[t * SL : (t + 1) * SL]
        _emit(log_lik[t * SL : (t + 1) * SL], e, top)
        if t == 0:
            now[:] = initial
        else:
            moves = mv[(t - 1) * ML : t * ML]
            _moves(log_h[(t - 1) * HL : t * HL], moves)
            _forward(alpha[(t - 1) * SL : t * SL], moves, now)
        _scale(now, e, top, total, value)
    beta[:] = 1.0
    smoothed[(steps - 1) * SL :] = alpha[(steps - 1) * SL : steps * SL]
    for t in range(steps - 2, -1, -1):
        now, moves = alpha[t * SL : (t + 1) * SL], mv[t * ML : (t + 1) * ML]
        _product(em[(t + 1) * SL : (t + 2) * SL], beta, g)
        _backward(g, moves, beta)
        _product(now, beta, smoothed[t * SL : (t + 1) * SL])
        _score(now, g, moves, d[t * HL : (t + 1) * HL])


@njit(**_JIT)
def workspace(steps):
    """Working arrays of :func:`block` for series of this many steps."""
    return (
        np.empty((steps - 1) * ML), np.empty(steps * SL), np.empty(steps * SL),
        np.empty(SL), np.empty(SL), np.empty(L), np.empty(L),
    )  # fmt: skip
