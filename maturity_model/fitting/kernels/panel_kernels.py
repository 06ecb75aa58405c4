"""Compiled kernels of the fused likelihood: from parameters to tanks, and back to slopes.

The same likelihood as the parts of :mod:`.op_kernels` put together, without the arrays
between them: chances of a sign are multiplied before one logarithm is taken, loads and hazards
are made lane by lane where the chain reads them, and slopes are summed up where they arise.

Parameters lie behind one another in ``theta`` (:func:`places`); the panel as in
:mod:`.packing`. Rows of the caller's padded arrays hold ``wide(S)`` numbers each.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.fitting.kernels.chain_gradient import gradient_blocks
from maturity_model.fitting.kernels.packing import (
    ANSWER,
    BLOCKS,
    BY_TANK,
    CELL_KEEPER,
    CELL_LOOK,
    CELL_SIGN,
    CELL_TANK,
    FIRST,
    HUSBANDRY,
    IMPULSE,
    INITIAL,
    JUDGED_BEGIN,
    JUDGED_CODE,
    LEVEL,
    LOOKS,
    ORDER,
    PENDING,
    READING_BEGIN,
    READING_CODE,
    SIGN_BEGIN,
    SIGN_CODE,
    SMALL,
    STAGES,
    WEIGHTS,
    C,
    E,
    G,
    J,
    K,
    M,
    N,
    R,
    S,
)
from maturity_model.fitting.kernels.simd_lanes import (
    INLINE,
    WIDTH,
    exp_over,
    load,
    log_of,
    rows,
    spread,
    store,
    turned,
    where_above,
)
from maturity_model.hmm.arithmetic import JIT
from maturity_model.population.tables import LARGEST_EFFECT

#: Log-odds of a sign, and what is added to them, count as this at most (and as little).
FARTHEST = 25.0
#: Chances that are multiplied before a logarithm is taken: each is above exp(-2 FARTHEST).
MANY = 12


@njit(**JIT)
def wide(n):
    """Rows of lanes that hold n numbers, in numbers."""
    return -(-n // WIDTH) * WIDTH


@njit(**JIT)
def places(whole):
    """Where the parts of ``theta`` begin, and where it ends.

    In this order: log-odds by sign and state (G, S), persistence (G), way of looking, skill by
    keeper (M), shift by tank and sign (N, G; none if not by tank), log hazards of advance,
    setback and collapse (3, K), husbandry (J, K), pace by tank (N), effects of events on the
    three moves (3, E), what is left of a load after a week (E).
    """
    g, n = whole[G], whole[N]
    by_tank = n * g if whole[BY_TANK] else 0
    at = np.empty(11, dtype=np.int64)
    sizes = (
        g * whole[S], g, whole[LOOKS], whole[M], by_tank, 3 * whole[K], whole[J] * whole[K], n,
        3 * whole[E], whole[E],
    )  # fmt: skip
    at[0] = 0
    for i in range(10):
        at[i + 1] = at[i] + sizes[i]
    return at


LOGIT, PERSISTENCE, LOOK, SKILL, SHIFT, BASE, BY_HUSBANDRY, PACE, EFFECT, DECAY = range(10)


@njit(**JIT)
def _chances(theta, at, whole, real, chance):
    # P(answer | state) of each cell. The odds against an answer are the product of two numbers,
    # so that few exponentials are taken: of signs and answers, and of cells.
    n_c, n_g, n_s = whole[C], whole[G], whole[S]
    per = wide(n_s) // WIDTH
    width = per * WIDTH
    logit, shift = np.zeros(2 * n_g * width), np.zeros(wide(n_c))
    for g in range(n_g):
        for j in range(n_s):
            logit[g * width + j] = theta[at[LOGIT] + g * n_s + j]
            logit[(n_g + g) * width + j] = -logit[g * width + j]
    for c in range(n_c):
        g = whole[whole[CELL_SIGN] + c]
        more = theta[at[LOOK] + whole[whole[CELL_LOOK] + c]]
        more += theta[at[SKILL] + whole[whole[CELL_KEEPER] + c]]
        x = real[whole[LEVEL] + c] * theta[at[PERSISTENCE] + g] + real[whole[SMALL] + g] * more
        if whole[BY_TANK]:
            x += theta[at[SHIFT] + whole[whole[CELL_TANK] + c] * n_g + g]
        shift[c] = real[whole[ANSWER] + c] * x
    for row in range(2 * n_g * per):
        store(logit, row, _against(load(logit, row)))
    for row in range(len(shift) // WIDTH):
        store(shift, row, _against(load(shift, row)))
    for c in range(n_c):
        answer = whole[whole[CELL_SIGN] + c] + (n_g if real[whole[ANSWER] + c] < 0.0 else 0)
        for v in range(per):
            store(chance, c * per + v, 1.0 / (1.0 + load(logit, answer * per + v) * shift[c]))


@njit(**INLINE)
def _against(x):
    # exp(-x), x held within bounds.
    x = where_above(x, FARTHEST, FARTHEST, x)
    x = where_above(x, -FARTHEST, x, -FARTHEST)
    return exp_over(-x, 0.0)


@njit(**JIT)
def padded(table):
    """Rows of a (C, S) table, each on whole rows of lanes."""
    n_s = table.shape[1]
    per = wide(n_s)
    out = rows(len(table) * per // WIDTH)
    out[:] = 0.0
    for c in range(len(table)):
        for j in range(n_s):
            out[c * per + j] = table[c, j]
    return out


@njit(**JIT)
def _log_likelihoods(whole, real, chance, reading, judged, out):
    # log P(observations of a row | state), weighed; a last row of zeros stands for no row.
    n_r = whole[R]
    per = wide(whole[S]) // WIDTH
    by_sign, by_reading, by_judged = real[whole[WEIGHTS] : whole[WEIGHTS] + 3]
    begins, codes = whole[SIGN_BEGIN], whole[SIGN_CODE]
    for r in range(n_r):
        begin, end = whole[begins + r], whole[begins + r + 1]
        # Two at a time; an odd last one twice.
        for v in range(0, per, 2):
            w = min(v + 1, per - 1)
            one, two = spread(0.0), spread(0.0)
            for at in range(begin, end, MANY):
                x, y = spread(1.0), spread(1.0)
                for o in range(at, min(end, at + MANY)):
                    c = whole[codes + o] * per
                    x *= load(chance, c + v)
                    y *= load(chance, c + w)
                one += log_of(x)
                two += log_of(y)
            one *= by_sign
            two *= by_sign
            for o in range(whole[whole[READING_BEGIN] + r], whole[whole[READING_BEGIN] + r + 1]):
                c = whole[whole[READING_CODE] + o] * per
                one += by_reading * load(reading, c + v)
                two += by_reading * load(reading, c + w)
            for o in range(whole[whole[JUDGED_BEGIN] + r], whole[whole[JUDGED_BEGIN] + r + 1]):
                c = whole[whole[JUDGED_CODE] + o] * per
                one += by_judged * load(judged, c + v)
                two += by_judged * load(judged, c + w)
            store(out, r * per + v, one)
            store(out, r * per + w, two)
    out[n_r * per * WIDTH :] = 0.0


@njit(**JIT)
def _hazards(theta, at, whole, real, step, steps, pace, h):
    # Log hazards of the moves into steps 1, 2, ... of a block, rows of lanes (steps - 1, 3, K).
    n_k, n_e, n_j = whole[K], whole[E], whole[J]
    burden = rows(n_e)
    for e in range(n_e):
        store(burden, e, load(real, whole[IMPULSE] // WIDTH + step * n_e + e))
    own = load(pace, 0)
    for t in range(1, steps):
        new = whole[IMPULSE] // WIDTH + (step + t) * n_e
        late = whole[PENDING] // WIDTH + (step + t - 1) * n_e
        shifts = (spread(0.0), spread(0.0), spread(0.0))
        for e in range(n_e):
            x = load(real, new + e) + load(real, late + e)
            x += theta[at[DECAY] + e] * load(burden, e)
            store(burden, e, x)
            shifts = (
                shifts[0] + theta[at[EFFECT] + e] * x,
                shifts[1] + theta[at[EFFECT] + n_e + e] * x,
                shifts[2] + theta[at[EFFECT] + 2 * n_e + e] * x,
            )
        first = _bounded(shifts[0]) + own
        second, third = _bounded(shifts[1]), _bounded(shifts[2])
        out = (t - 1) * 3 * n_k
        for k in range(n_k):
            x = first + theta[at[BASE] + k]
            for j in range(n_j):
                x += theta[at[BY_HUSBANDRY] + j * n_k + k] * load(
                    real, whole[HUSBANDRY] // WIDTH + (step + t) * n_j + j
                )
            store(h, out + k, x)
            store(h, out + n_k + k, second + theta[at[BASE] + n_k + k])
            store(h, out + 2 * n_k + k, third + theta[at[BASE] + 2 * n_k + k])


@njit(**INLINE)
def _bounded(x):
    return where_above(x, LARGEST_EFFECT, spread(LARGEST_EFFECT), x)


@njit(**JIT)
def _into_lanes(whole, at, by_row, steps, ll):
    # A block's steps, (steps, S) rows of lanes, from rows; `at` holds the rows of a step.
    n_s = whole[S]
    per = wide(n_s) // WIDTH
    for t in range(steps):
        _rows_of(whole, at, t)
        for v in range(per):
            held = turned(
                load(by_row, at[0] * per + v), load(by_row, at[1] * per + v),
                load(by_row, at[2] * per + v), load(by_row, at[3] * per + v),
                load(by_row, at[4] * per + v), load(by_row, at[5] * per + v),
                load(by_row, at[6] * per + v), load(by_row, at[7] * per + v),
            )  # fmt: skip
            for i, x in enumerate(held):
                if v * WIDTH + i < n_s:
                    store(ll, t * n_s + v * WIDTH + i, x)


@njit(**JIT)
def _into_rows(whole, at, p, steps, by_row):
    # The other way round.
    n_s = whole[S]
    per = wide(n_s) // WIDTH
    for t in range(steps):
        _rows_of(whole, at, t)
        for v in range(per):
            s, last = t * n_s + v * WIDTH, (t + 1) * n_s
            held = turned(
                _row(p, s, last), _row(p, s + 1, last), _row(p, s + 2, last), _row(p, s + 3, last),
                _row(p, s + 4, last), _row(p, s + 5, last), _row(p, s + 6, last),
                _row(p, s + 7, last),
            )  # fmt: skip
            for i, x in enumerate(held):
                store(by_row, at[i] * per + v, x)


@njit(**INLINE)
def _row(p, row, end):
    return load(p, row) if row < end else spread(0.0)


@njit(**INLINE)
def _rows_of(whole, at, t):
    # at[i]: the row of lane i at step t, or the one beyond all; at[WIDTH + i]: its tank.
    for i in range(WIDTH):
        tank, r = at[WIDTH + i], whole[R]
        if tank >= 0:
            own = whole[whole[FIRST] + tank] + t
            r = own if own < whole[whole[FIRST] + tank + 1] else r
        at[i] = r


@njit(**JIT)
def tanks_of(whole, b, lanes):
    """Write a block's tanks into ``lanes[WIDTH:]``, -1 for none; the steps of the longest."""
    longest = 1
    for i in range(WIDTH):
        n = b * WIDTH + i
        tank = whole[whole[ORDER] + n] if n < whole[N] else -1
        lanes[WIDTH + i] = tank
        if tank >= 0:
            longest = max(longest, whole[whole[FIRST] + tank + 1] - whole[whole[FIRST] + tank])
    return longest


@njit(**JIT)
def forward(theta, reading, judged, whole, real, value, smoothed, chance, d):
    """Log-likelihood of each tank, and what :func:`backward` needs.

    Parameters
    ----------
    theta : ndarray
        Parameters, see :func:`places`. With a NaN among them every value is NaN. Log-odds of a
        sign, and what is added to them, count as :data:`FARTHEST` at most (their slopes, then,
        as if they did not).
    reading, judged : ndarray, shape (C, S)
        Log-likelihood of distinct readings and judgements by state.
    whole, real : ndarray
        See :mod:`.packing`.
    value : ndarray, shape (N,), output
    smoothed : ndarray, shape ((R + 1) wide(S),), output
        P(state | all of the tank's observations) by row; the last row means nothing.
    chance : ndarray, shape (C wide(S),), output
        P(answer | state) of each cell of signs.
    d : ndarray, shape (steps 3 K WIDTH,), output
        Slopes by log hazards, in lanes, block after block; each block's first step is not used.
    """
    at = places(whole)
    n_s, n_k = whole[S], whole[K]
    if np.isnan(theta).any():
        # Comparisons further on would turn it into a number.
        value[:], smoothed[:], chance[:], d[:] = np.nan, 0.0, 0.0, 0.0
        return
    by_row = rows((whole[R] + 1) * wide(n_s) // WIDTH)
    _chances(theta, at, whole, real, chance)
    _log_likelihoods(whole, real, chance, padded(reading), padded(judged), by_row)
    # What the tanks of a block see at each step, and what is known of them afterwards, lie in
    # lanes; `lanes` says which row and which tank.
    pace, lanes, step = rows(1), np.empty(2 * WIDTH, dtype=np.int64), 0
    for b in range(whole[BLOCKS]):
        steps = tanks_of(whole, b, lanes)
        for i in range(WIDTH):
            tank = lanes[WIDTH + i]
            pace[i] = theta[at[PACE] + tank] if tank >= 0 else 0.0
        h, ll, p = rows((steps - 1) * 3 * n_k), rows(steps * n_s), rows(steps * n_s)
        _hazards(theta, at, whole, real, step, steps, pace, h)
        _into_lanes(whole, lanes, by_row, steps, ll)
        begin = whole[INITIAL] + b * n_s * WIDTH
        own = d[step * 3 * n_k * WIDTH : (step + steps) * 3 * n_k * WIDTH]
        own[: 3 * n_k * WIDTH] = 0.0
        v = np.empty((1, WIDTH))
        gradient_blocks(
            real[begin : begin + n_s * WIDTH].reshape((1, n_s, WIDTH)),
            h.reshape((1, steps - 1, 3, n_k, WIDTH)), ll.reshape((1, steps, n_s, WIDTH)),
            whole[STAGES], v, p.reshape((1, steps, n_s, WIDTH)),
            own[3 * n_k * WIDTH :].reshape((1, steps - 1, 3, n_k, WIDTH)),
        )  # fmt: skip
        for i in range(WIDTH):
            if lanes[WIDTH + i] >= 0:
                value[lanes[WIDTH + i]] = v[0, i]
        _into_rows(whole, lanes, p, steps, smoothed)
        step += steps
