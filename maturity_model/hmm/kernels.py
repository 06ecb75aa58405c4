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
nothing (``work`` arrays are scratch), so that :mod:`.native` can cache their machine code.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import (
    HUGE,
    JIT,
    TINY,
    exp_lanes,
    hazard_share,
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
def _outflow(states, mv, p, n_phases, n_stages, lowest, flow):
    # Downward flows out of the phases from `lowest` up: flow[0] collapses, flow[k] is set back
    # out of phase k > 0.
    n_d = states.shape[1]
    last = n_phases * n_stages - 1
    sink = flow[0]
    for d in range(n_d):
        sink[d] = 0.0
    for k in range(max(lowest, 1), n_phases):
        mass, back, fall = flow[k], mv[2 * n_phases + k, p], mv[3 * n_phases + k, p]
        for d in range(n_d):
            mass[d] = 0.0
        for j in range(k * n_stages, min((k + 1) * n_stages, last)):
            a = states[j]
            for d in range(n_d):
                mass[d] += a[d]
        for d in range(n_d):
            sink[d] += fall[d] * mass[d]
            mass[d] *= back[d]
    a, mass = states[last], flow[n_phases - 1]
    back, fall = mv[4 * n_phases + 1, p], mv[4 * n_phases + 2, p]
    for d in range(n_d):
        sink[d] += fall[d] * a[d]
        mass[d] += back[d] * a[d]


@njit(**JIT)
def _inflow(states, mv, p, n_phases, n_stages, lowest, flow, new):
    # Fills `new` from the first state of phase `lowest` up with what stays, advances and is
    # set back into each state from there. It must be another array than `states`.
    n_d = states.shape[1]
    first, last = lowest * n_stages, n_phases * n_stages - 1
    for j in range(first, last + 1):
        k = j // n_stages
        stay = mv[4 * n_phases, p] if j == last else mv[k, p]
        a, out = states[j], new[j]
        if j > first:
            b, adv = states[j - 1], mv[n_phases + (j - 1) // n_stages, p]
            for d in range(n_d):
                out[d] = stay[d] * a[d] + adv[d] * b[d]
        else:
            for d in range(n_d):
                out[d] = stay[d] * a[d]
        if j == k * n_stages and k < n_phases - 1:
            back = flow[k + 1]
            for d in range(n_d):
                out[d] += back[d]


@njit(**JIT)
def _step(states, mv, p, n_phases, n_stages, flow, new):
    # new = states @ (transition matrix), for all lanes d.
    _outflow(states, mv, p, n_phases, n_stages, 0, flow)
    _inflow(states, mv, p, n_phases, n_stages, 0, flow, new)
    bottom, sink = new[0], flow[0]
    for d in range(sink.shape[0]):
        bottom[d] += sink[d]


@njit(**JIT)
def filter_lanes(start, moves, emission, n_phases, n_stages, filtered, scale, flow):
    """Scaled forward recursion for every lane, from the first step or from a later one.

    Fills ``filtered`` and ``scale``; the lane's log-likelihood is the sum of the
    logarithms of ``scale`` over steps.

    Parameters
    ----------
    start : ndarray, shape (P, Q, S, D)
        With T-1 entries in ``moves``: P(state at step 0). With T entries: P(state at the
        step before these | observations up to it), and entry 0 moves from there to step 0.
    moves : ndarray, shape (T-1 or T, 4K+3, P, D)
    emission : ndarray, shape (T, S, Q, D)
    filtered : ndarray, shape (P, Q, T, S, D), output
    scale : ndarray, shape (P, Q, T, D), output
    flow : ndarray, shape (K, D)
        Scratch.
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    before = n_t - moves.shape[0]  # entry t - before moves into step t
    for p in range(n_p):
        # Nodes q innermost: they share the moves, which then stay in the cache.
        for t in range(n_t):
            for q in range(n_q):
                now, total = filtered[p, q, t], scale[p, q, t]
                if t < before:
                    now[:] = start[p, q]
                else:
                    prev = filtered[p, q, t - 1] if t > 0 else start[p, q]
                    _step(prev, moves[t - before], p, n_phases, n_stages, flow, now)
                for d in range(n_d):
                    total[d] = 0.0
                for s in range(n_s):
                    a, e = now[s], emission[t, s, q]
                    for d in range(n_d):
                        a[d] *= e[d]
                        total[d] += a[d]
                inverse = flow[0]
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
        if end:
            for d in range(n_d):
                out[d] = row[d] * a[d]
        else:
            b, adv = g[j + 1], mv[n_phases + k, p]
            for d in range(n_d):
                out[d] = row[d] * a[d] + adv[d] * b[d]
        if k > 0:
            back = mv[4 * n_phases + 1, p] if end else mv[2 * n_phases + k, p]
            fall = mv[4 * n_phases + 2, p] if end else mv[3 * n_phases + k, p]
            below = g[(k - 1) * n_stages]
            for d in range(n_d):
                out[d] += back[d] * below[d] + fall[d] * bottom[d]


@njit(**JIT)
def _weigh_back(emission, scale, p, q, t, beta, inverse, g):
    # g = beta * P(observations at t | state) / P(observations at t | observations before t).
    n_s, n_d = beta.shape
    total = scale[p, q, t]
    for d in range(n_d):
        inverse[d] = 1.0 / total[d] if total[d] > 0.0 else 0.0
    for s in range(n_s):
        e, b, out = emission[t, s, q], beta[s], g[s]
        for d in range(n_d):
            x = e[d] * b[d] * inverse[d]
            out[d] = x if x < HUGE else HUGE


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
    work : ndarray, shape (2 S + 1, D)
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    states[:] = 0.0
    down[:] = 0.0
    beta, g, inverse = work[:n_s], work[n_s : 2 * n_s], work[2 * n_s]
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
                _weigh_back(emission, scale, p, q, t + 1, beta, inverse, g)
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
                            fell[d] += w[d] * a[d] * (back[d] * below[d] + fall[d] * bottom[d])


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
def fill_moves(advance, p, factor, setback, collapse, lowest, moves, to):
    """Competing hazards of one step to probabilities of moves, at one node.

    Parameters
    ----------
    advance : ndarray, shape (K, P, D)
        Hazards without events; those of node ``p`` are used.
    factor : ndarray, shape (K or 1, D)
        Factor on them by events, by phase or for all.
    setback, collapse : ndarray, shape (K, D)
    lowest : int
        Phases below it are left out.
    moves : ndarray, shape (4 K + 3, any number of nodes, D), output
        Rows as in :mod:`.staged`; node ``to`` is filled.
    """
    n_phases, n_d = setback.shape
    for k in range(lowest, n_phases + 1):
        end = k == n_phases
        phase = n_phases - 1 if end else k
        use = 0.0 if end else 1.0
        live = 1.0 if phase > 0 else 0.0
        base, by = advance[phase, p], factor[phase if factor.shape[0] > 1 else 0]
        back, fall = setback[phase], collapse[phase]
        stay = moves[4 * n_phases if end else k, to]
        ahead = moves[4 * n_phases if end else n_phases + k, to]
        down = moves[4 * n_phases + 1 if end else 2 * n_phases + k, to]
        sink = moves[4 * n_phases + 2 if end else 3 * n_phases + k, to]
        for d in range(n_d):
            a, b, c = use * base[d] * by[d], live * back[d], live * fall[d]
            total = a + b + c
            keep = exp_lanes(-total)
            share = hazard_share(keep, total)
            ahead[d] = a * share
            down[d] = b * share
            sink[d] = c * share
            stay[d] = keep


@njit(**JIT)
def move_lanes(advance, factor, setback, collapse, moves):
    """Competing hazards to probabilities of moves (:func:`.staged.move_probabilities`).

    Parameters
    ----------
    advance : ndarray, shape (T, K, P, D)
        Hazard on the move into step t, without events.
    factor : ndarray, shape (T, 1, D)
        Its factor by events.
    setback, collapse : ndarray, shape (T, K, D)
    moves : ndarray, shape (T-1, 4 K + 3, P, D), output
        Entry t is the move from t to t+1, made of the hazards of step t+1.
    """
    for t in range(1, advance.shape[0]):
        for p in range(advance.shape[2]):
            fill_moves(advance[t], p, factor[t], setback[t], collapse[t], 0, moves[t - 1], p)
