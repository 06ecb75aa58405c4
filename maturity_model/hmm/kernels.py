"""Compiled kernels of the staged chain, many lanes at a time.

A *lane* is one member of a mixture (a draw of the parameters at one quadrature node)
or one series. The last axis is contiguous over lanes, so that the inner loops run in
SIMD registers. Arrays are laid out

=============  ==================  =====================================================
initial        (S, D)              P(state at step 0)
moves          (T-1, 4K+3, P, D)   entry t moves from t to t+1 (:mod:`.staged`)
emission       (T, S, Q, D)        likelihood of step t's observations, up to a factor
filtered       (P, Q, T, S, D)     P(state at t | observations to t) within a lane
scale          (P, Q, T, D)        P(observations at t | observations before t)
node weights   (P, Q, T, D)        P(node | observations to t) within draw d
=============  ==================  =====================================================

with D draws, P nodes that change the moves and Q nodes that change the emissions.
A lane under which the data are impossible gets scale 0 and probabilities 0.
All kernels release the GIL, write into arrays that the caller made and allocate
nothing (``work`` arrays are scratch), so that :mod:`.native` can keep their machine code.
"""

from __future__ import annotations

import math

from numba import njit

from maturity_model.hmm.arithmetic import (
    HUGE,
    JIT,
    TINY,
    exp_lanes,
    hazard_share,
    log_lanes,
)


@njit(**JIT)
def multiply_codes(starts, codes, table, out):
    """Multiply look-up rows into emissions: ``out[t] *= prod table[codes of step t]``.

    Parameters
    ----------
    starts : int64 ndarray, shape (T+1,)
        ``codes[starts[t]:starts[t+1]]`` are those of step t.
    codes : int64 ndarray
    table : ndarray, shape (C, S, Qt, D)
        Qt is Q or 1.
    out : ndarray, shape (T, S, Q, D)
    """
    n_t, n_s, n_q, n_d = out.shape
    shared = table.shape[2] == 1
    for t in range(n_t):
        for i in range(starts[t], starts[t + 1]):
            c = codes[i]
            for s in range(n_s):
                for q in range(n_q):
                    row = table[c, s, 0 if shared else q]
                    target = out[t, s, q]
                    for d in range(n_d):
                        target[d] *= row[d]


@njit(**JIT)
def _step(prev, mv, p, n_phases, n_stages, mass, new):
    # new = prev @ (transition matrix), for all lanes d.
    n_s, n_d = prev.shape
    last = n_s - 1
    for k in range(1, n_phases):
        m = mass[k]
        for d in range(n_d):
            m[d] = 0.0
        for j in range(k * n_stages, min((k + 1) * n_stages, last)):
            a = prev[j]
            for d in range(n_d):
                m[d] += a[d]
    for j in range(n_s):
        k = j // n_stages
        row = mv[4 * n_phases, p] if j == last else mv[k, p]
        a, out = prev[j], new[j]
        for d in range(n_d):
            out[d] = row[d] * a[d]
        if j > 0:
            b, adv = prev[j - 1], mv[n_phases + (j - 1) // n_stages, p]
            for d in range(n_d):
                out[d] += adv[d] * b[d]
    end = prev[last]
    for k in range(1, n_phases):
        m, back, fall = mass[k], mv[2 * n_phases + k, p], mv[3 * n_phases + k, p]
        below, bottom = new[(k - 1) * n_stages], new[0]
        for d in range(n_d):
            below[d] += back[d] * m[d]
        for d in range(n_d):
            bottom[d] += fall[d] * m[d]
        if k == n_phases - 1:
            back, fall = mv[4 * n_phases + 1, p], mv[4 * n_phases + 2, p]
            for d in range(n_d):
                below[d] += back[d] * end[d]
            for d in range(n_d):
                bottom[d] += fall[d] * end[d]


@njit(**JIT)
def filter_lanes(initial, moves, emission, n_phases, n_stages, filtered, scale, mass):
    """Scaled forward recursion for every lane.

    Fills ``filtered`` and ``scale``; the lane's log-likelihood is the sum of the
    logarithms of ``scale`` over steps. ``mass`` (K, D) is scratch.
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    for p in range(n_p):
        # Nodes q innermost: they share the moves, which then stay in the cache.
        for t in range(n_t):
            for q in range(n_q):
                now, total = filtered[p, q, t], scale[p, q, t]
                if t == 0:
                    now[:] = initial
                else:
                    _step(filtered[p, q, t - 1], moves[t - 1], p, n_phases, n_stages, mass, now)
                for d in range(n_d):
                    total[d] = 0.0
                for s in range(n_s):
                    a, e = now[s], emission[t, s, q]
                    for d in range(n_d):
                        a[d] *= e[d]
                        total[d] += a[d]
                inverse = mass[0]
                for d in range(n_d):
                    possible = total[d] > TINY
                    inverse[d] = 1.0 / total[d] if possible else 0.0
                    total[d] = total[d] if possible else 0.0
                for s in range(n_s):
                    a = now[s]
                    for d in range(n_d):
                        a[d] *= inverse[d]


@njit(**JIT)
def _step_back(g, mv, p, n_phases, n_stages, beta):
    # beta = (transition matrix) @ g, for all lanes d.
    n_s, n_d = g.shape
    last = n_s - 1
    bottom = g[0]
    for j in range(n_s):
        k = j // n_stages
        end = j == last
        row = mv[4 * n_phases, p] if end else mv[k, p]
        a, out = g[j], beta[j]
        for d in range(n_d):
            out[d] = row[d] * a[d]
        if not end:
            b, adv = g[j + 1], mv[n_phases + k, p]
            for d in range(n_d):
                out[d] += adv[d] * b[d]
        if k > 0:
            back = mv[4 * n_phases + 1, p] if end else mv[2 * n_phases + k, p]
            fall = mv[4 * n_phases + 2, p] if end else mv[3 * n_phases + k, p]
            below = g[(k - 1) * n_stages]
            for d in range(n_d):
                out[d] += back[d] * below[d]
            for d in range(n_d):
                out[d] += fall[d] * bottom[d]


@njit(**JIT)
def smooth_lanes(
    moves, emission, filtered, scale, node_weight, n_phases, n_stages, states, down, work
):
    """Backward recursion for every lane, mixed over nodes as it goes.

    Parameters
    ----------
    node_weight : ndarray, shape (P, Q, D)
        P(node | all observations) within a draw.
    states : ndarray, shape (T, S, D), output
        P(state at t | all observations) within a draw.
    down : ndarray, shape (T, D), output
        P(move to a lower phase between t-1 and t | all observations); row 0 is 0.
    work : ndarray, shape (2, S, D)
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    states[:] = 0.0
    down[:] = 0.0
    beta, g = work[0], work[1]
    last = n_s - 1
    for p in range(n_p):
        for q in range(n_q):
            w = node_weight[p, q]
            for s in range(n_s):
                a, out = filtered[p, q, n_t - 1, s], states[n_t - 1, s]
                b = beta[s]
                for d in range(n_d):
                    b[d] = 1.0
                    out[d] += w[d] * a[d]
            for t in range(n_t - 2, -1, -1):
                total = scale[p, q, t + 1]
                for s in range(n_s):
                    e, b, gs = emission[t + 1, s, q], beta[s], g[s]
                    for d in range(n_d):
                        x = e[d] * b[d] / total[d] if total[d] > 0.0 else 0.0
                        gs[d] = x if x < HUGE else HUGE
                mv = moves[t]
                _step_back(g, mv, p, n_phases, n_stages, beta)
                fell = down[t + 1]
                for s in range(n_s):
                    a, b, out = filtered[p, q, t, s], beta[s], states[t, s]
                    for d in range(n_d):
                        out[d] += w[d] * a[d] * b[d]
                    k = s // n_stages
                    if k > 0:
                        end = s == last
                        back = mv[4 * n_phases + 1, p] if end else mv[2 * n_phases + k, p]
                        fall = mv[4 * n_phases + 2, p] if end else mv[3 * n_phases + k, p]
                        below, bottom = g[(k - 1) * n_stages], g[0]
                        for d in range(n_d):
                            fell[d] += w[d] * a[d] * back[d] * below[d]
                        for d in range(n_d):
                            fell[d] += w[d] * a[d] * fall[d] * bottom[d]


@njit(**JIT)
def mix_nodes(filtered, node_weight, out):
    """Mix lanes over nodes: ``out[t, s, d] = sum_pq node_weight * filtered``."""
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    out[:] = 0.0
    for p in range(n_p):
        for q in range(n_q):
            for t in range(n_t):
                w = node_weight[p, q, t]
                for s in range(n_s):
                    a, target = filtered[p, q, t, s], out[t, s]
                    for d in range(n_d):
                        target[d] += w[d] * a[d]


@njit(**JIT)
def _future_moves(advance, factor, setback, collapse, p, n_phases, rows):
    # rows[h, :, d]: stay, advance, setback, collapse of phases 1..K-1, then of the last state.
    n_h, n_f, n_d = factor.shape
    for h in range(n_h):
        for k in range(1, n_phases + 1):
            end = k == n_phases
            at = 4 * (k - 1)
            stay, adv = rows[h, at], rows[h, at + 1]
            back, sink = rows[h, at + 2], rows[h, at + 3]
            phase = min(k, n_phases - 1)
            base, down, fall = advance[phase, p], setback[h, phase], collapse[h, phase]
            f = factor[h, 0 if n_f == 1 else phase]
            for d in range(n_d):
                a = 0.0 if end else base[d] * f[d]
                total = a + down[d] + fall[d]
                keep = exp_lanes(-total)
                share = hazard_share(keep, total)
                stay[d] = keep
                adv[d] = a * share
                back[d] = down[d] * share
                sink[d] = fall[d] * share


@njit(**JIT)
def _stays_up(rows, horizon, start, n_phases, n_stages, w, new):
    # w[j] = P(no phase below `start` in the next `horizon` steps | state j now).
    n_s, n_d = w.shape
    first, last = start * n_stages, n_s - 1
    for j in range(first, n_s):
        for d in range(n_d):
            w[j, d] = 1.0
    for h in range(horizon - 1, -1, -1):
        for j in range(first, n_s):
            k = j // n_stages
            at = 4 * (n_phases - 1) if j == last else 4 * (k - 1)
            stay, a, out = rows[h, at], w[j], new[j]
            for d in range(n_d):
                out[d] = stay[d] * a[d]
            if j < last:
                adv, b = rows[h, at + 1], w[j + 1]
                for d in range(n_d):
                    out[d] += adv[d] * b[d]
            if k > start:
                back, below = rows[h, at + 2], w[(k - 1) * n_stages]
                for d in range(n_d):
                    out[d] += back[d] * below[d]
        for j in range(first, n_s):
            a, b = w[j], new[j]
            for d in range(n_d):
                a[d] = b[d]


@njit(**JIT)
def downward_risk(
    filtered, node_weight, advance, factor, setback, collapse, horizons, n_stages, out, rows, work
):
    """P(some phase in the next h steps is lower than the present one), within a draw.

    Parameters
    ----------
    filtered : ndarray, shape (P, Q, T, S, D)
    node_weight : ndarray, shape (P, Q, T, D)
    advance : ndarray, shape (T, K, P, D)
        Hazard of advancing as it stands at t, without events.
    factor : ndarray, shape (T, H, K or 1, D)
        Its factor 1..H steps ahead, by phase or for all.
    setback, collapse : ndarray, shape (T, H, K, D)
        Hazards 1..H steps ahead, seen from t.
    horizons : int64 ndarray, shape (M,)
        At most H each.
    out : ndarray, shape (T, M, D), output
    rows : ndarray, shape (H, 4 K, D)
    work : ndarray, shape (2, S, D)
    """
    n_p, n_q, n_t, _, n_d = filtered.shape
    n_phases = advance.shape[1]
    w, new = work[0], work[1]
    out[:] = 0.0
    for t in range(n_t):
        for p in range(n_p):
            _future_moves(advance[t], factor[t], setback[t], collapse[t], p, n_phases, rows)
            for m in range(horizons.shape[0]):
                target = out[t, m]
                for start in range(1, n_phases):
                    _stays_up(rows, horizons[m], start, n_phases, n_stages, w, new)
                    for q in range(n_q):
                        weight = node_weight[p, q, t]
                        for j in range(start * n_stages, (start + 1) * n_stages):
                            a, up = filtered[p, q, t, j], w[j]
                            for d in range(n_d):
                                target[d] += weight[d] * a[d] * (1.0 - up[d])


@njit(**JIT)
def _tail(z):
    # P(N(0,1) > z)
    return 0.5 * math.erfc(z * 0.7071067811865476)


@njit(**JIT)
def _between(low, high, mean, sd):
    a = (low - mean) / sd
    b = (high - mean) / sd
    # Work in the tail that is small, so that nothing cancels.
    if a > 0.0:
        return _tail(a) - _tail(b)
    return _tail(-b) - _tail(-a)


@njit(**JIT)
def interval_table(low, high, mean, sd, wide_mean, wide_sd, outlier, power, out, noise):
    """Likelihood of values known to lie in intervals: normal, or with a small chance noise.

    ``out = ((1 - outlier) P(low < N(mean, sd) < high) + outlier P(low < N(wide) < high))^power``

    Parameters
    ----------
    low, high : ndarray, shape (C,)
        Ends of the intervals; may be infinite.
    mean, sd : ndarray, shape (C, S, D)
    wide_mean, wide_sd : ndarray, shape (C, D)
        Of the values that say nothing about the state.
    outlier : ndarray, shape (D,)
        Chance of such a value.
    power : float
    out : ndarray, shape (C, S, D), output
    noise : ndarray, shape (D,)
        Scratch.
    """
    n_c, n_s, n_d = out.shape
    for c in range(n_c):
        for d in range(n_d):
            noise[d] = outlier[d] * _between(low[c], high[c], wide_mean[c, d], wide_sd[c, d])
        for s in range(n_s):
            for d in range(n_d):
                p = _between(low[c], high[c], mean[c, s, d], sd[c, s, d])
                p = (1.0 - outlier[d]) * p + noise[d]
                if power == 0.0:
                    out[c, s, d] = 1.0
                else:
                    out[c, s, d] = math.exp(power * math.log(p)) if p > 0.0 else 0.0


@njit(**JIT)
def bernoulli_table(logit, skilled, seen, power, out):
    """Likelihood of yes/no outcomes: ``out = P(outcome)^power``.

    Parameters
    ----------
    logit : ndarray, shape (C, S, D)
        Log-odds of yes.
    skilled : ndarray, shape (C, Q, D)
        Added to them at each node.
    seen : ndarray, shape (C,)
        1 for yes, -1 for no.
    power : float
    out : ndarray, shape (C, S, Q, D), output
    """
    n_c, n_s, n_q, n_d = out.shape
    for c in range(n_c):
        sign = seen[c]
        for s in range(n_s):
            for q in range(n_q):
                base, shift, target = logit[c, s], skilled[c, q], out[c, s, q]
                for d in range(n_d):
                    x = sign * (base[d] + shift[d])
                    # log P = min(x, 0) - log(1 + exp(-|x|))
                    size = x if x > 0.0 else -x
                    log_p = (x if x < 0.0 else 0.0) - log_lanes(1.0 + exp_lanes(-size))
                    target[d] = exp_lanes(power * log_p)


@njit(**JIT)
def move_lanes(advance, factor, setback, collapse, moves):
    """Competing hazards to probabilities of moves (:func:`.staged.move_probabilities`).

    Parameters
    ----------
    advance : ndarray, shape (T, K, P, D)
        Hazard on the move into step t, without events.
    factor : ndarray, shape (T, D)
        Its factor by events.
    setback, collapse : ndarray, shape (T, K, D)
    moves : ndarray, shape (T-1, 4 K + 3, P, D), output
        Entry t is the move from t to t+1, made of the hazards of step t+1.
    """
    n_t, n_phases, n_p, n_d = advance.shape
    for t in range(1, n_t):
        for p in range(n_p):
            for k in range(n_phases + 1):
                end = k == n_phases
                phase = n_phases - 1 if end else k
                use = 0.0 if end else 1.0
                live = 1.0 if phase > 0 else 0.0
                base, by = advance[t, phase, p], factor[t]
                back, fall = setback[t, phase], collapse[t, phase]
                stay = moves[t - 1, 4 * n_phases if end else k, p]
                ahead = moves[t - 1, 4 * n_phases if end else n_phases + k, p]
                down = moves[t - 1, 4 * n_phases + 1 if end else 2 * n_phases + k, p]
                sink = moves[t - 1, 4 * n_phases + 2 if end else 3 * n_phases + k, p]
                for d in range(n_d):
                    a, b, c = use * base[d] * by[d], live * back[d], live * fall[d]
                    total = a + b + c
                    keep = exp_lanes(-total)
                    share = hazard_share(keep, total)
                    ahead[d] = a * share
                    down[d] = b * share
                    sink[d] = c * share
                    stay[d] = keep
