"""Compiled kernel of the risk of slipping over the next steps, without further events.

Layout, lanes and rules as in :mod:`.kernels`.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import JIT, exp_lanes, hazard_share


@njit(**JIT)
def _future_moves(advance, factor, setback, collapse, p, n_phases, rows):
    # rows[h, :, d]: stay, advance, setback, collapse of phases 1..K-1, then of the last
    # state, which is the same at all nodes p and is computed at the first one.
    n_h, n_f, n_d = factor.shape
    for h in range(n_h):
        for k in range(1, n_phases + (1 if p == 0 else 0)):
            at = 4 * (k - 1)
            stay, adv = rows[h, at], rows[h, at + 1]
            back, sink = rows[h, at + 2], rows[h, at + 3]
            phase = min(k, n_phases - 1)
            base, down, fall = advance[phase, p], setback[h, phase], collapse[h, phase]
            f = factor[h, 0 if n_f == 1 else phase]
            use = 0.0 if k == n_phases else 1.0
            for d in range(n_d):
                a = use * base[d] * f[d]
                total = a + down[d] + fall[d]
                keep = exp_lanes(-total)
                share = hazard_share(keep, total)
                stay[d] = keep
                adv[d] = a * share
                back[d] = down[d] * share
                sink[d] = fall[d] * share


@njit(**JIT)
def _flow_down(rows, start, n_phases, n_stages, highest, v, mass, gone):
    # mass[m] = flow set back out of phase m; gone += flow that lands below phase `start`.
    n_d = gone.shape[0]
    last = n_phases * n_stages - 1
    for m in range(start, min(highest // n_stages, n_phases - 1) + 1):
        flow, back, fall = mass[m], rows[4 * (m - 1) + 2], rows[4 * (m - 1) + 3]
        for d in range(n_d):
            flow[d] = 0.0
        for j in range(m * n_stages, min((m + 1) * n_stages - 1, highest, last - 1) + 1):
            a = v[j]
            for d in range(n_d):
                flow[d] += a[d]
        for d in range(n_d):
            gone[d] += fall[d] * flow[d]
            flow[d] *= back[d]
    if highest == last:
        flow, a = mass[n_phases - 1], v[last]
        back, fall = rows[4 * (n_phases - 1) + 2], rows[4 * (n_phases - 1) + 3]
        for d in range(n_d):
            gone[d] += fall[d] * a[d]
            flow[d] += back[d] * a[d]
    flow = mass[start]
    for d in range(n_d):
        gone[d] += flow[d]


@njit(**JIT)
def _step_above(rows, start, n_phases, n_stages, highest, v, mass):
    # Move v one step on within the states from phase `start` up, given the flows in mass.
    # `highest` is the highest occupied state; returns the new one.
    n_d = v.shape[1]
    last = n_phases * n_stages - 1
    above = min(highest + 1, last)
    for j in range(above, start * n_stages - 1, -1):
        m = j // n_stages
        a = v[j]
        stay = rows[4 * (n_phases - 1)] if j == last else rows[4 * (m - 1)]
        if j > highest:
            for d in range(n_d):
                a[d] = 0.0
        if j > start * n_stages:
            b, adv = v[j - 1], rows[4 * ((j - 1) // n_stages - 1) + 1]
            for d in range(n_d):
                a[d] = stay[d] * a[d] + adv[d] * b[d]
        else:
            for d in range(n_d):
                a[d] *= stay[d]
        if j == m * n_stages and m < n_phases - 1 and (m + 1) * n_stages <= highest:
            flow = mass[m + 1]
            for d in range(n_d):
                a[d] += flow[d]
    return above


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
        Hazard of advancing at t, without events.
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
    steps = 0
    for m in range(horizons.shape[0]):
        steps = max(steps, horizons[m])
    v, mass = work[0], work[1]
    gone = mass[0]
    out[:] = 0.0
    for t in range(n_t):
        for p in range(n_p):
            _future_moves(advance[t], factor[t], setback[t], collapse[t], p, n_phases, rows)
            for start in range(1, n_phases):
                # v[j]: P(node, state j, no phase below `start` since t).
                highest = (start + 1) * n_stages - 1
                for j in range(start * n_stages, highest + 1):
                    b = v[j]
                    for d in range(n_d):
                        b[d] = 0.0
                    for q in range(n_q):
                        weight, a = node_weight[p, q, t], filtered[p, q, t, j]
                        for d in range(n_d):
                            b[d] += weight[d] * a[d]
                for d in range(n_d):
                    gone[d] = 0.0
                for h in range(steps):
                    _flow_down(rows[h], start, n_phases, n_stages, highest, v, mass, gone)
                    for m in range(horizons.shape[0]):
                        if horizons[m] == h + 1:
                            target = out[t, m]
                            for d in range(n_d):
                                target[d] += gone[d]
                    if h < steps - 1:
                        highest = _step_above(rows[h], start, n_phases, n_stages, highest, v, mass)
