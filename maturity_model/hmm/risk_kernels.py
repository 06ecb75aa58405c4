"""Compiled kernel of the risk of slipping over the next steps, without further events.

Layout, lanes and rules as in :mod:`.kernels`.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import JIT
from maturity_model.hmm.kernels import _inflow, _outflow, fill_moves


@njit(**JIT)
def downward_risk(
    filtered, node_weight, advance, factor, setback, collapse, horizons, n_stages, out, moves, work
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
    moves : ndarray, shape (H, 4 K + 3, 1, D)
    work : ndarray, shape (2 S + K + 1, D)
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    n_phases = advance.shape[1]
    steps = 0
    for m in range(horizons.shape[0]):
        steps = max(steps, horizons[m])
    flow, gone = work[2 * n_s : 2 * n_s + n_phases], work[2 * n_s + n_phases]
    out[:] = 0.0
    for t in range(n_t):
        for p in range(n_p):
            for h in range(steps):
                fill_moves(
                    advance[t], p, factor[t, h], setback[t, h], collapse[t, h], 1, moves[h], 0
                )
            for start in range(1, n_phases):
                # now[j]: P(node, state j, no phase below `start` since t).
                now, then = work[:n_s], work[n_s : 2 * n_s]
                for j in range(start * n_stages, n_s):
                    b = now[j]
                    for d in range(n_d):
                        b[d] = 0.0
                for j in range(start * n_stages, (start + 1) * n_stages):
                    b = now[j]
                    for q in range(n_q):
                        weight, a = node_weight[p, q, t], filtered[p, q, t, j]
                        for d in range(n_d):
                            b[d] += weight[d] * a[d]
                for d in range(n_d):
                    gone[d] = 0.0
                for h in range(steps):
                    _outflow(now, moves[h], 0, n_phases, n_stages, start, flow)
                    back, sink = flow[start], flow[0]
                    for d in range(n_d):
                        gone[d] += back[d] + sink[d]
                    for m in range(horizons.shape[0]):
                        if horizons[m] == h + 1:
                            target = out[t, m]
                            for d in range(n_d):
                                target[d] += gone[d]
                    if h < steps - 1:
                        _inflow(now, moves[h], 0, n_phases, n_stages, start, flow, then)
                        now, then = then, now
