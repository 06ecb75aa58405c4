"""Tables of log-likelihoods of distinct observations, sums of them by row, and gradients.

Plain ``numba.njit``: no threads here (chains are what runs in parallel) and no PyTensor,
so that the kernels can be tested and timed alone.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from maturity_model.hmm.arithmetic import JIT, exp_lanes, log_lanes, scaled_tail_lanes

#: Log-odds of an answer, and what is added to them, count as this at most (and as little).
FARTHEST = 25.0
#: Chances that are multiplied before a logarithm is taken: each is above exp(-2 FARTHEST).
MANY = 12
#: Cells of a table of intervals that are worked on together.
CELLS = 192


@njit(**JIT)
def _odds_against(x):
    # exp(-x), x held within bounds; NaN stays NaN.
    x = FARTHEST if x > FARTHEST else x
    x = -FARTHEST if x < -FARTHEST else x
    return exp_lanes(-x) if x == x else np.nan


@njit(**JIT)
def rows_of_observations(
    table, begin, code, logit, shift, sign, seen, sign_begin, sign_code, weight
):  # fmt: skip
    """Log-likelihood of the observations of each row by state.

    Most observations are looked up in a table. Answers yes or no are too many for that: the odds
    against one are the product of two numbers, of its log-odds by state and of its shift, so that
    few exponentials are taken; and chances are multiplied before a logarithm is taken.

    The arguments are those of :func:`.ops.row_log_likelihood`, with ``sign_begin`` and
    ``sign_code`` for answers. Returns the log-likelihoods, (R, S), and P(answer | state), (A, S).
    """
    n_g, n_s = logit.shape
    power = weight.item()
    out, chance = np.empty((len(begin) - 1, n_s)), np.empty((len(shift), n_s))
    odds = np.empty((2, n_g, n_s))
    for g in range(n_g):
        for s in range(n_s):
            odds[0, g, s] = _odds_against(-logit[g, s])
            odds[1, g, s] = _odds_against(logit[g, s])
    for a in range(len(shift)):
        against = odds[1 if seen[a] > 0.0 else 0, sign[a]]
        factor = _odds_against(seen[a] * shift[a])
        for s in range(n_s):
            chance[a, s] = 1.0 / (1.0 + against[s] * factor)
    product = np.empty(n_s)
    for r in range(len(begin) - 1):
        total = out[r]
        total[:] = 0.0
        for o in range(begin[r], begin[r + 1]):
            one = table[code[o]]
            for s in range(n_s):
                total[s] += one[s]
        for first in range(sign_begin[r], sign_begin[r + 1], MANY):
            product[:] = 1.0
            for o in range(first, min(sign_begin[r + 1], first + MANY)):
                one = chance[sign_code[o]]
                for s in range(n_s):
                    product[s] *= one[s]
            for s in range(n_s):
                # The difference is 0, or NaN, which the logarithm would take for a number.
                total[s] += power * log_lanes(product[s]) + (product[s] - product[s])
    return out, chance


@njit(**JIT)
def slopes_of_observations(
    table, begin, code, logit, shift, sign, seen, sign_begin, sign_code, weight, chance, g
):  # fmt: skip
    """Gradient of :func:`rows_of_observations` by ``table``, ``logit`` and ``shift``.

    The slope of log P(answer) by its log-odds is 1 - P(answer), for "no" with a minus. Takes what
    that function took, ``chance`` that it returned, and the gradient by its log-likelihoods, ``g``.
    """
    n_s = g.shape[1]
    mass = np.zeros((len(sign), n_s))
    by_table, by_logit = np.zeros(table.shape), np.zeros(logit.shape)
    by_shift = np.empty(shift.shape)
    for r in range(len(begin) - 1):
        row = g[r]
        for o in range(begin[r], begin[r + 1]):
            to = by_table[code[o]]
            for s in range(n_s):
                to[s] += row[s]
        for o in range(sign_begin[r], sign_begin[r + 1]):
            to = mass[sign_code[o]]
            for s in range(n_s):
                to[s] += row[s]
    for a in range(len(sign)):
        m, p, to, power = mass[a], chance[a], by_logit[sign[a]], weight.item() * seen[a]
        total = 0.0
        for s in range(n_s):
            x = power * m[s] * (1.0 - p[s])
            to[s] += x
            total += x
        by_shift[a] = total
    return by_table, by_logit, by_shift


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
        # Density, and the probability beyond |z|.
        z = w[i]
        dense = exp_lanes(-0.5 * z * z)
        w[4 * CELLS + i] = 0.3989422804014327 * dense
        w[6 * CELLS + i] = dense * scaled_tail_lanes(abs(z) * 0.7071067811865476)
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
def interval_tables(low, high, mean, sd, wide_mean, wide_sd, outlier):
    """Log-likelihood of values known to lie in intervals, with derivatives.

    ``log((1 - outlier) P(low < N(mean, sd) < high) + outlier P(low < N(wide) < high))``, with the
    arguments of :func:`.ops.interval_table`. Returns the log-likelihood, its derivatives by mean
    and sd, and 1 / likelihood, each (C, S); and P(low < N(wide) < high) and its derivatives by
    mean and sd, (3, C).
    """
    n_c, n_s = mean.shape
    share = outlier.item()
    table, by_mean = np.empty(mean.shape), np.empty(mean.shape)
    by_sd, inverse = np.empty(mean.shape), np.empty(mean.shape)
    wide = np.empty((3, n_c))
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
            lo, hi, noise = low[c], high[c], share * wide[0, c]
            for j in range(n_s):
                q = i * n_s + j
                w[q], w[CELLS + q] = lo, hi
                w[2 * CELLS + q], w[3 * CELLS + q] = mean[c, j], sd[c, j]
                w[8 * CELLS + q] = noise
        _interval_cells(w)
        _mixed_cells(w, 1.0 - share)
        for i in range(width):
            for j in range(n_s):
                q = i * n_s + j
                table[at + i, j] = w[4 * CELLS + q]
                by_mean[at + i, j] = w[5 * CELLS + q]
                by_sd[at + i, j] = w[6 * CELLS + q]
                inverse[at + i, j] = w[7 * CELLS + q]
    return table, by_mean, by_sd, inverse, wide


@njit(**JIT)
def interval_slopes(
    low, high, mean, sd, wide_mean, wide_sd, outlier, by_mean, by_sd, inverse, wide, g
):
    """Gradient of :func:`interval_tables` by all of its arguments but ``low`` and ``high``.

    Takes what that function took and returned, and the gradient by the table, ``g`` (C, S).
    """
    n_c, n_s = g.shape
    on_mean, on_sd = np.empty(g.shape), np.empty(g.shape)
    on_wide_mean, on_wide_sd = np.empty(n_c), np.empty(n_c)
    share, on_outlier = outlier.item(), 0.0
    for c in range(n_c):
        noise, total = 0.0, 0.0
        for s in range(n_s):
            on_mean[c, s] = g[c, s] * by_mean[c, s]
            on_sd[c, s] = g[c, s] * by_sd[c, s]
            noise += g[c, s] * inverse[c, s]
            total += g[c, s]
        on_wide_mean[c] = share * noise * wide[1, c]
        on_wide_sd[c] = share * noise * wide[2, c]
        # The likelihood less the share of noise is that of the state.
        on_outlier += (noise * wide[0, c] - total) / (1.0 - share)
    return on_mean, on_sd, on_wide_mean, on_wide_sd, np.array(on_outlier)
