"""Compiled kernels that remove observations from a filtered series.

Layout, lanes and rules as in :mod:`.kernels`.
"""

from __future__ import annotations

from numba import njit

from maturity_model.hmm.arithmetic import JIT, TINY, log_lanes
from maturity_model.hmm.kernels import _step, _step_back, _weigh_back

#: States whose sum lies between these need no rescaling.
LOW, HIGH = 1e-30, 1e30


@njit(**JIT)
def _divide_out(starts, codes, table, t, q, joint, inverse, out):
    # out[i, m] += sum_s joint[m, s] / (factor of observation i in state s).
    n_m, n_s, n_d = joint.shape
    at = 0 if table.shape[2] == 1 else q
    for i in range(starts[t], starts[t + 1]):
        for s in range(n_s):
            e = table[codes[i], s, at]
            for d in range(n_d):
                inverse[d] = 1.0 / e[d] if e[d] > 0.0 else 0.0
            for m in range(n_m):
                a, target = joint[m, s], out[i, m]
                for d in range(n_d):
                    target[d] += a[d] * inverse[d]


@njit(**JIT)
def leave_one_out(
    moves, emission, filtered, scale, node_weight, ends, n_phases, n_stages,
    starts_a, codes_a, table_a, out_a, starts_b, codes_b, table_b, out_b,
    starts_c, codes_c, table_c, out_c, beta, g, joint,
):  # fmt: skip
    """Remove each observation, one at a time, within each draw.

    With J_t(s, m, node) = P(state s at t, node, end in set m | all observations), removing
    observation i of step t, whose factor is e_i, gives

        out[i, m] = sum over s, node of J_t(s, m, node) / e_i(s, node)
                  = P(end in set m | all others) P(all others) / P(all).

    All nodes go backwards together and J_t is used at once, so that everything stays in the
    processor's cache.

    Parameters
    ----------
    node_weight : ndarray, shape (P, Q, D)
        P(node | all observations) within a draw.
    ends : ndarray, shape (M, S)
        1 where the end state belongs to the set. A row of ones gives P(others) / P(all).
    starts_a, codes_a : int64 ndarray
        Observations of a first kind, as in :func:`.kernels.multiply_codes`; b and c likewise.
    table_a : ndarray, shape (C, S, Q or 1, D)
        Their factors. States with factor 0 are skipped, because nothing can be divided out.
    out_a : ndarray, shape (observations, M, D), output
    beta : ndarray, shape (M, P, Q, S, D)
        Scratch, like ``g`` (S + 1, D) and ``joint`` (M, S, D).
    """
    n_p, n_q, n_t, n_s, n_d = filtered.shape
    n_m = ends.shape[0]
    out_a[:] = 0.0
    out_b[:] = 0.0
    out_c[:] = 0.0
    rows, inverse = g[:n_s], g[n_s]
    for m in range(n_m):
        for p in range(n_p):
            for q in range(n_q):
                for s in range(n_s):
                    b = beta[m, p, q, s]
                    for d in range(n_d):
                        b[d] = ends[m, s]
    for t in range(n_t - 1, -1, -1):
        if t < n_t - 1:
            for p in range(n_p):
                for q in range(n_q):
                    for m in range(n_m):
                        _weigh_back(emission, scale, p, q, t + 1, beta[m, p, q], inverse, rows)
                        _step_back(rows, moves[t], p, n_phases, n_stages, beta[m, p, q])
        here = starts_a[t + 1] - starts_a[t] + starts_b[t + 1] - starts_b[t]
        if here + starts_c[t + 1] - starts_c[t] == 0:
            continue
        for q in range(n_q):
            joint[:] = 0.0
            for p in range(n_p):
                w = node_weight[p, q]
                for s in range(n_s):
                    a, row = filtered[p, q, t, s], rows[s]
                    for d in range(n_d):
                        row[d] = w[d] * a[d]
                    for m in range(n_m):
                        b, x = beta[m, p, q, s], joint[m, s]
                        for d in range(n_d):
                            x[d] += row[d] * b[d]
            _divide_out(starts_a, codes_a, table_a, t, q, joint, inverse, out_a)
            _divide_out(starts_b, codes_b, table_b, t, q, joint, inverse, out_b)
            _divide_out(starts_c, codes_c, table_c, t, q, joint, inverse, out_c)


@njit(**JIT)
def filter_without(
    initial, moves, emission, starts, codes, table, first, n_phases, n_stages, states,
    log_likelihood, work,
):  # fmt: skip
    """Filter without some of the observations; only the last step is returned.

    Parameters
    ----------
    initial : ndarray, shape (S, D)
        Used where ``first`` is 0.
    emission : ndarray, shape (T, S, Q, D)
        Product of the factors of all observations.
    starts, codes : int64 ndarray
        The observations to remove, as in :func:`.kernels.multiply_codes`.
    table : ndarray, shape (C, S, Q or 1, D)
        Their factors, all above 0.
    first : int
        The step to begin with. Above 0, ``states`` and ``log_likelihood`` hold the results of
        the step before it.
    states : ndarray, shape (P, Q, S, D), output
        P(state at the end | the other observations) within a lane.
    log_likelihood : ndarray, shape (P, Q, D), output
        Of the other observations; -1e300 where they are impossible.
    work : ndarray, shape (Q + 2, S, D)
    """
    n_p, n_q, n_s, n_d = states.shape
    shared = table.shape[2] == 1
    if first == 0:
        log_likelihood[:] = 0.0
    new = work[n_q]
    n_t = emission.shape[0]
    for t in range(first, n_t):
        for q in range(n_q):
            for s in range(n_s):
                e, row = emission[t, s, q], work[q, s]
                for d in range(n_d):
                    row[d] = e[d]
                for i in range(starts[t], starts[t + 1]):
                    factor = table[codes[i], s, 0 if shared else q]
                    for d in range(n_d):
                        row[d] /= factor[d]
        for p in range(n_p):
            for q in range(n_q):
                now, log_l = states[p, q], log_likelihood[p, q]
                if t == 0:
                    new[:] = initial
                else:
                    _step(now, moves[t - 1], p, n_phases, n_stages, work[n_q + 1], new)
                total = work[n_q + 1, 0]
                for d in range(n_d):
                    total[d] = 0.0
                for s in range(n_s):
                    a, e, b = new[s], work[q, s], now[s]
                    for d in range(n_d):
                        x = a[d] * e[d]
                        b[d] = x
                        total[d] += x
                # Most steps need no rescaling, and so no logarithm.
                outside = 1 if t == n_t - 1 else 0
                for d in range(n_d):
                    outside += (total[d] < LOW) + (total[d] > HIGH)
                if outside == 0:
                    continue
                for d in range(n_d):
                    ok = total[d] > TINY
                    log_l[d] += log_lanes(total[d]) if ok else -1e300
                    total[d] = 1.0 / total[d] if ok else 0.0
                for s in range(n_s):
                    b = now[s]
                    for d in range(n_d):
                        b[d] *= total[d]
