"""Slopes of the fused likelihood: from smoothed states and moves back to the parameters.

By Fisher's identity the slope of a tank's log-likelihood by anything that enters it is the
smoothed expectation of the slope of what it enters. See :mod:`.panel_kernels`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

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
    JUDGED_BEGIN,
    JUDGED_CODE,
    LEVEL,
    PENDING,
    READING_BEGIN,
    READING_CODE,
    SIGN_BEGIN,
    SIGN_CODE,
    SMALL,
    WEIGHTS,
    C,
    E,
    G,
    J,
    K,
    N,
    S,
)
from maturity_model.fitting.kernels.panel_kernels import (
    BASE,
    DECAY,
    EFFECT,
    LOGIT,
    LOOK,
    PACE,
    PERSISTENCE,
    SHIFT,
    SKILL,
    places,
    tanks_of,
    wide,
)
from maturity_model.fitting.kernels.simd_lanes import (
    INLINE,
    WIDTH,
    load,
    rows,
    spread,
    store,
    where_above,
)
from maturity_model.hmm.arithmetic import JIT
from maturity_model.population.tables import LARGEST_EFFECT


@njit(**JIT)
def _observed(whole, real, smoothed, by_tank, mass, by_reading, by_judged):
    # Sums of smoothed states over the rows of each cell of signs, each reading, each judgement.
    per = wide(whole[S]) // WIDTH
    weighed = rows(per)
    for n in range(whole[N]):
        for r in range(whole[whole[FIRST] + n], whole[whole[FIRST] + n + 1]):
            power = by_tank[n] * real[whole[WEIGHTS]]
            for v in range(per):
                store(weighed, v, load(smoothed, r * per + v) * power)
            for o in range(whole[whole[SIGN_BEGIN] + r], whole[whole[SIGN_BEGIN] + r + 1]):
                to = whole[whole[SIGN_CODE] + o] * per
                for v in range(per):
                    store(mass, to + v, load(mass, to + v) + load(weighed, v))
            power = by_tank[n] * real[whole[WEIGHTS] + 1]
            _gather(whole, READING_BEGIN, READING_CODE, smoothed, power, per, r, by_reading)
            power = by_tank[n] * real[whole[WEIGHTS] + 2]
            _gather(whole, JUDGED_BEGIN, JUDGED_CODE, smoothed, power, per, r, by_judged)


@njit(**INLINE)
def _gather(whole, begins, codes, smoothed, power, per, r, out):
    for o in range(whole[whole[begins] + r], whole[whole[begins] + r + 1]):
        to = whole[whole[codes] + o] * per
        for v in range(per):
            store(out, to + v, load(out, to + v) + power * load(smoothed, r * per + v))


@njit(**JIT)
def _unpadded(rows_of_lanes, table):
    per = wide(table.shape[1])
    for c in range(len(table)):
        for j in range(table.shape[1]):
            table[c, j] = rows_of_lanes[c * per + j]


@njit(**JIT)
def _signs(whole, real, at, chance, mass, by_theta):
    # The slope of log P(answer) by its log-odds is 1 - P(answer), for "no" with a minus.
    n_s, n_g = whole[S], whole[G]
    per, held = wide(n_s) // WIDTH, rows(1)
    by_logit = rows(n_g * per)
    by_logit[:] = 0.0
    for c in range(whole[C]):
        g, answer = whole[whole[CELL_SIGN] + c], real[whole[ANSWER] + c]
        total = spread(0.0)
        for v in range(per):
            x = load(mass, c * per + v)
            x = answer * (x - x * load(chance, c * per + v))
            store(by_logit, g * per + v, load(by_logit, g * per + v) + x)
            total += x
        by_shift = _sum(total, held)
        by_theta[at[PERSISTENCE] + g] += real[whole[LEVEL] + c] * by_shift
        by_small = real[whole[SMALL] + g] * by_shift
        by_theta[at[LOOK] + whole[whole[CELL_LOOK] + c]] += by_small
        by_theta[at[SKILL] + whole[whole[CELL_KEEPER] + c]] += by_small
        if whole[BY_TANK]:
            by_theta[at[SHIFT] + whole[whole[CELL_TANK] + c] * n_g + g] += by_shift
    for g in range(n_g):
        for j in range(n_s):
            by_theta[at[LOGIT] + g * n_s + j] = by_logit[g * per * WIDTH + j]


@njit(**JIT)
def _moves(theta, at, whole, real, step, steps, weight, d, sums, pace):
    # Adds a block's slopes by what hazards are made of, lane by lane, into `sums`: rows as the
    # parts of theta from BASE on, without pace; each tank's pace has its own.
    n_k, n_e, n_j = whole[K], whole[E], whole[J]
    by_husbandry, by_effect = 3 * n_k, 3 * n_k + n_j * n_k
    by_decay = by_effect + 3 * n_e
    burden, slope = rows(n_e), rows(n_e)
    for e in range(n_e):
        store(burden, e, load(real, whole[IMPULSE] // WIDTH + step * n_e + e))
        store(slope, e, spread(0.0))
    w, own = load(weight, 0), spread(0.0)
    for t in range(1, steps):
        at_d = (step + t) * 3 * n_k
        total = (spread(0.0), spread(0.0), spread(0.0))
        for k in range(n_k):
            one = w * load(d, at_d + k)
            two, three = w * load(d, at_d + n_k + k), w * load(d, at_d + 2 * n_k + k)
            store(sums, k, load(sums, k) + one)
            store(sums, n_k + k, load(sums, n_k + k) + two)
            store(sums, 2 * n_k + k, load(sums, 2 * n_k + k) + three)
            for j in range(n_j):
                x = load(real, whole[HUSBANDRY] // WIDTH + (step + t) * n_j + j)
                to = by_husbandry + j * n_k + k
                store(sums, to, load(sums, to) + one * x)
            total = (total[0] + one, total[1] + two, total[2] + three)
        own += total[0]
        shifts = (spread(0.0), spread(0.0), spread(0.0))
        new = whole[IMPULSE] // WIDTH + (step + t) * n_e
        late = whole[PENDING] // WIDTH + (step + t - 1) * n_e
        for e in range(n_e):
            before = load(burden, e)
            decay = theta[at[DECAY] + e]
            x = load(real, new + e) + load(real, late + e) + decay * before
            store(slope, e, before + decay * load(slope, e))
            store(burden, e, x)
            shifts = (
                shifts[0] + theta[at[EFFECT] + e] * x,
                shifts[1] + theta[at[EFFECT] + n_e + e] * x,
                shifts[2] + theta[at[EFFECT] + 2 * n_e + e] * x,
            )
        # Beyond the largest effect nothing changes any more.
        total = (
            where_above(shifts[0], LARGEST_EFFECT, spread(0.0), total[0]),
            where_above(shifts[1], LARGEST_EFFECT, spread(0.0), total[1]),
            where_above(shifts[2], LARGEST_EFFECT, spread(0.0), total[2]),
        )
        for e in range(n_e):
            x, along = load(burden, e), spread(0.0)
            for m in range(3):
                one = total[0] if m == 0 else (total[1] if m == 1 else total[2])
                to = by_effect + m * n_e + e
                store(sums, to, load(sums, to) + one * x)
                along += theta[at[EFFECT] + m * n_e + e] * one
            to = by_decay + e
            store(sums, to, load(sums, to) + along * load(slope, e))
    store(pace, 0, own)


@njit(**INLINE)
def _sum(x, held):
    # Of all lanes; `held` is a row to work in.
    store(held, 0, x)
    return ((held[0] + held[1]) + (held[2] + held[3])) + ((held[4] + held[5]) + (held[6] + held[7]))


@njit(**JIT)
def backward(theta, whole, real, smoothed, chance, d, by_tank, by_theta, by_reading, by_judged):
    """Slopes of a weighted sum of the tanks' log-likelihoods.

    Parameters
    ----------
    theta, whole, real, smoothed, chance, d
        As :func:`.panel_kernels.forward` took them and left them.
    by_tank : ndarray, shape (N,)
        Weights of the tanks.
    by_theta : ndarray, output
    by_reading, by_judged : ndarray, shape (C, S), output
    """
    at = places(whole)
    n_k, n_e, n_j = whole[K], whole[E], whole[J]
    per = wide(whole[S]) // WIDTH
    by_theta[:] = 0.0
    mass = rows(whole[C] * per)
    of_reading, of_judged = rows(len(by_reading) * per), rows(len(by_judged) * per)
    mass[:] = 0.0
    of_reading[:] = 0.0
    of_judged[:] = 0.0
    _observed(whole, real, smoothed, by_tank, mass, of_reading, of_judged)
    _unpadded(of_reading, by_reading)
    _unpadded(of_judged, by_judged)
    _signs(whole, real, at, chance, mass, by_theta)
    n_sums = 3 * n_k + n_j * n_k + 4 * n_e
    sums, weight, pace = rows(n_sums), rows(1), rows(1)
    sums[:] = 0.0
    lanes, step = np.empty(2 * WIDTH, dtype=np.int64), 0
    for b in range(whole[BLOCKS]):
        steps = tanks_of(whole, b, lanes)
        for i in range(WIDTH):
            tank = lanes[WIDTH + i]
            weight[i] = by_tank[tank] if tank >= 0 else 0.0
        _moves(theta, at, whole, real, step, steps, weight, d, sums, pace)
        for i in range(WIDTH):
            if lanes[WIDTH + i] >= 0:
                by_theta[at[PACE] + lanes[WIDTH + i]] = pace[i]
        step += steps
    before_pace = 3 * n_k + n_j * n_k
    for row in range(n_sums):
        to = at[BASE] + row if row < before_pace else at[EFFECT] + row - before_pace
        by_theta[to] = sums[row * WIDTH : (row + 1) * WIDTH].sum()
