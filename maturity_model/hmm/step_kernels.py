"""The filter taken up again where an earlier run left it, by the recursion of :mod:`.kernels`."""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import JIT, TINY
from maturity_model.hmm.kernels import _step


@njit(**JIT)
def filter_on(start, moves, emission, n_phases, n_stages, filtered, scale, mass):
    """Scaled forward recursion from states that are filtered already.

    Parameters
    ----------
    start : ndarray, shape (P, Q, S, D)
        P(state at the step before | observations to it) within a lane.
    moves : ndarray, shape (T, 4K+3, P, D)
        Entry t moves *into* step t.
    emission, filtered, scale, mass
        As in :func:`.kernels.filter_lanes`, of the new steps alone.
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    for p in range(n_p):
        for t in range(n_t):
            for q in range(n_q):
                now, total = filtered[p, q, t], scale[p, q, t]
                if t == 0:
                    _step(start[p, q], moves[t], p, n_phases, n_stages, mass, now)
                else:
                    _step(filtered[p, q, t - 1], moves[t], p, n_phases, n_stages, mass, now)
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
