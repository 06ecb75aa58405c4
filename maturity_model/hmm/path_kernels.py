"""Compiled kernels for whole paths: first slips, long stays, first passages.

Layout, lanes and rules as in :mod:`.kernels`.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import HUGE, JIT
from maturity_model.hmm.kernels import (
    _inflow,
    _outflow,
    _step,
    _step_back,
    _weigh_back,
    fill_moves,
)


@njit(**JIT)
def _landing(moves, emission, scale, p, q, n_phases, n_stages, first, landing, work):
    # landing[t, k] = P(observations from t on | first stage of phase k at t), divided by
    # P(observations from t on | observations before t), for steps first..T-1 of one lane.
    n_t, _, n_d = landing.shape
    n_s = n_phases * n_stages
    beta, g, inverse = work[:n_s], work[n_s : 2 * n_s], work[2 * n_s]
    for s in range(n_s):
        b = beta[s]
        for d in range(n_d):
            b[d] = 1.0
    for t in range(n_t - 1, first - 1, -1):
        _weigh_back(emission, scale, p, q, t, beta, inverse, g)
        for k in range(n_phases - 1):
            row, target = g[k * n_stages], landing[t, k]
            for d in range(n_d):
                target[d] = row[d]
        if t > first:
            _step_back(g, moves[t - 1], p, n_phases, n_stages, beta)


@njit(**JIT)
def _slips_of_lane(
    start, filtered, moves, emission, scale, p, q, k, n_phases, n_stages, landing, w, out, work
):
    # out += w * P(first move below phase k at step start + i, phase k at `start` | everything).
    n_t, n_s, n_d = filtered.shape[2:]
    now, then, flow = work[:n_s], work[n_s : 2 * n_s], work[2 * n_s : 2 * n_s + n_phases]
    inverse = work[2 * n_s + n_phases]
    steps = min(out.shape[1], n_t - 1 - start)
    # now[j]: P(in state j, never below phase k since `start` | observations to then).
    for j in range(k * n_stages, n_s):
        a, v = filtered[p, q, start, j], now[j]
        inside = j < (k + 1) * n_stages
        for d in range(n_d):
            v[d] = a[d] if inside else 0.0
    for i in range(steps):
        t = start + i + 1
        total = scale[p, q, t]
        for d in range(n_d):
            inverse[d] = 1.0 / total[d] if total[d] > 0.0 else 0.0
        _outflow(now, moves[t - 1], p, n_phases, n_stages, k, flow)
        by_setback, back, below = out[0, i], flow[k], landing[t, k - 1]
        by_collapse, sink, bottom = out[1, i], flow[0], landing[t, 0]
        for d in range(n_d):
            by_setback[d] += w[d] * back[d] * below[d]
        for d in range(n_d):
            by_collapse[d] += w[d] * sink[d] * bottom[d]
        _inflow(now, moves[t - 1], p, n_phases, n_stages, k, flow, then)
        for j in range(k * n_stages, n_s):
            v, e = then[j], emission[t, j, q]
            for d in range(n_d):
                v[d] *= e[d] * inverse[d]
        now, then = then, now


@njit(**JIT)
def first_slips(
    filtered, moves, emission, scale, node_weight, starts, n_phases, n_stages, out, landing, work
):
    """P(first move below the phase at step ``start`` is at step start + i | all observations).

    Parameters
    ----------
    node_weight : ndarray, shape (P, Q, D)
        P(node | all observations) within a draw.
    starts : int64 ndarray, shape (M,)
        Ascending.
    out : ndarray, shape (M, 2, H, D), output
        By start; by setback, by collapse; entry i-1 is for step start + i. Steps beyond
        the series get 0.
    landing : ndarray, shape (T, K-1, D)
    work : ndarray, shape (2 S + K + 1, D)
    """
    n_p, n_q = filtered.shape[:2]
    out[:] = 0.0
    for p in range(n_p):
        for q in range(n_q):
            _landing(moves, emission, scale, p, q, n_phases, n_stages, starts[0] + 1, landing, work)
            for i in range(starts.shape[0]):
                for k in range(1, n_phases):
                    _slips_of_lane(
                        starts[i], filtered, moves, emission, scale, p, q, k, n_phases, n_stages,
                        landing, node_weight[p, q], out[i], work,
                    )  # fmt: skip


@njit(**JIT)
def long_stays(filtered, moves, emission, scale, node_weight, phase, n_phases, n_stages, out, work):
    """P(in ``phase`` now and at each of the i steps before | all observations).

    Parameters
    ----------
    node_weight : ndarray, shape (P, Q, D)
        P(node | all observations) within a draw.
    out : ndarray, shape (L, D), output
        Entry i for i steps before; 0 where the series is shorter.
    work : ndarray, shape (r + 1, D)
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    low, last = phase * n_stages, n_s - 1
    inverse = work[n_stages]
    out[:] = 0.0
    steps = min(out.shape[0], n_t)
    for p in range(n_p):
        for q in range(n_q):
            w = node_weight[p, q]
            # work[i] = P(observations after t, in the phase until now | stage i at t), divided
            # by P(observations after t | observations to t).
            for i in range(n_stages):
                b = work[i]
                for d in range(n_d):
                    b[d] = 1.0
            for back in range(steps):
                t = n_t - 1 - back
                target = out[back]
                for i in range(n_stages):
                    a, b = filtered[p, q, t, low + i], work[i]
                    for d in range(n_d):
                        target[d] += w[d] * a[d] * b[d]
                if back == steps - 1:
                    continue
                total, mv = scale[p, q, t], moves[t - 1]
                for d in range(n_d):
                    inverse[d] = 1.0 / total[d] if total[d] > 0.0 else 0.0
                for i in range(n_stages):
                    b, e = work[i], emission[t, low + i, q]
                    for d in range(n_d):
                        x = b[d] * e[d] * inverse[d]
                        b[d] = x if x < HUGE else HUGE
                for i in range(n_stages):
                    b = work[i]
                    stay = mv[4 * n_phases, p] if low + i == last else mv[phase, p]
                    for d in range(n_d):
                        b[d] *= stay[d]
                    if i < n_stages - 1:
                        a, adv = work[i + 1], mv[n_phases + phase, p]
                        for d in range(n_d):
                            b[d] += adv[d] * a[d]


@njit(**JIT)
def first_passage(start, advance, factor, setback, collapse, target, n_stages, out, moves, work):
    """P(first step in phase ``target`` or above is h steps ahead), within a draw.

    Parameters
    ----------
    start : ndarray, shape (P, S, D)
        P(node, state now). States in ``target`` or above are ignored.
    advance : ndarray, shape (K, P, D)
        Present hazard of advancing, without events.
    factor : ndarray, shape (H, K or 1, D)
        Its factor 1..H steps ahead, by phase or for all.
    setback, collapse : ndarray, shape (H, K, D)
        Hazards 1..H steps ahead.
    target : int
        1..K-1.
    out : ndarray, shape (H, D), output
    moves : ndarray, shape (4 K + 3, 1, D)
    work : ndarray, shape (2 S + K, D)
    """
    n_phases, n_p, n_d = advance.shape
    n_s = n_phases * n_stages
    flow = work[2 * n_s :]
    out[:] = 0.0
    for p in range(n_p):
        now, then = work[:n_s], work[n_s : 2 * n_s]
        for j in range(n_s):
            a, v = start[p, j], now[j]
            below = j < target * n_stages
            for d in range(n_d):
                v[d] = a[d] if below else 0.0
        for h in range(out.shape[0]):
            fill_moves(advance, p, factor[h], setback[h], collapse[h], 0, moves, 0)
            _step(now, moves, 0, n_phases, n_stages, flow, then)
            # Only its first state can be reached from below; what has arrived is not followed.
            a, arrived = then[target * n_stages], out[h]
            for d in range(n_d):
                arrived[d] += a[d]
                a[d] = 0.0
            now, then = then, now
