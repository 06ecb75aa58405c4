"""Compiled recursions of a general chain, in logarithms (see :mod:`.chain`).

T weeks, S states. ``log_transition`` is (n, S, S): n = T - 1, or 1 if moves never change.
No argument may hold NaN or +inf; -inf is probability 0.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_JIT = {"cache": True, "nogil": True}


@njit(**_JIT)
def _log_sum(x):
    # log sum exp; -inf if all are.
    top = x[0]
    for i in range(1, x.shape[0]):
        top = max(top, x[i])
    if top == -np.inf:
        return top
    total = 0.0
    for i in range(x.shape[0]):
        total += math.exp(x[i] - top)
    return top + math.log(total)


@njit(**_JIT)
def log_filter(log_initial, log_transition, log_data, log_filtered, log_predicted, log_scale):
    """Fill the (T, S) filtered and predicted logs and the (T,) scale; -1, or a bad week."""
    weeks, states = log_data.shape
    varies = log_transition.shape[0] > 1
    row = np.empty(states)
    for t in range(weeks):
        if t == 0:
            log_predicted[0] = log_initial
        else:
            move = log_transition[t - 1 if varies else 0]
            for j in range(states):
                for i in range(states):
                    row[i] = log_filtered[t - 1, i] + move[i, j]
                log_predicted[t, j] = _log_sum(row)
        for j in range(states):
            row[j] = log_predicted[t, j] + log_data[t, j]
        scale = _log_sum(row)
        if scale == -np.inf:
            return t
        log_scale[t] = scale
        for j in range(states):
            log_filtered[t, j] = row[j] - scale
    return -1


@njit(**_JIT)
def log_smooth(log_transition, log_filtered, log_predicted, log_smoothed):
    """Fill the (T, S) smoothed logs from the filter's."""
    weeks, states = log_filtered.shape
    varies = log_transition.shape[0] > 1
    ratio = np.empty(states)
    row = np.empty(states)
    log_smoothed[weeks - 1] = log_filtered[weeks - 1]
    for t in range(weeks - 2, -1, -1):
        move = log_transition[t if varies else 0]
        for j in range(states):
            ratio[j] = log_smoothed[t + 1, j]
            if ratio[j] != -np.inf:  # then the state was predicted as possible too
                ratio[j] -= log_predicted[t + 1, j]
        for i in range(states):
            for j in range(states):
                row[j] = move[i, j] + ratio[j]
            log_smoothed[t, i] = log_filtered[t, i] + _log_sum(row)
        log_smoothed[t] -= _log_sum(log_smoothed[t])


@njit(**_JIT)
def viterbi(log_initial, log_transition, log_data, origin, path):
    """Fill the (T, S) origins and the (T,) path; -1, or a bad week."""
    weeks, states = log_data.shape
    varies = log_transition.shape[0] > 1
    best = np.empty(states)
    previous = log_initial.copy()
    for t in range(weeks):
        for j in range(states):
            best[j] = previous[j]
            if t > 0:
                chosen = 0
                value = -np.inf
                for i in range(states):
                    candidate = previous[i] + log_transition[t - 1 if varies else 0, i, j]
                    if candidate > value:
                        value = candidate
                        chosen = i
                best[j] = value
                origin[t, j] = chosen
            best[j] += log_data[t, j]
        top = best.max()
        if top == -np.inf:
            return t
        for j in range(states):
            previous[j] = best[j] - top
    path[weeks - 1] = previous.argmax()
    for t in range(weeks - 1, 0, -1):
        path[t - 1] = origin[t, path[t]]
    return -1


@njit(**_JIT)
def _draw(cumulative, uniform):
    # First index whose cumulative weight exceeds the target: never one of weight 0.
    target = uniform * cumulative[-1]
    last = 0
    for i in range(cumulative.shape[0]):
        if cumulative[i] > target:
            return i
        if i > 0 and cumulative[i] > cumulative[i - 1]:
            last = i
    return last


@njit(**_JIT)
def backward_sample(log_transition, log_filtered, uniforms, paths):
    """Fill paths (size, T) from uniforms (size, T) by backward sampling."""
    weeks, states = log_filtered.shape
    varies = log_transition.shape[0] > 1
    cumulative = np.empty((states, states))
    row = np.empty(states)
    for t in range(weeks - 1, -1, -1):
        # Row j: P(z_t | z_{t+1} = j, data); the last week has one row for all.
        for j in range(states if t < weeks - 1 else 1):
            for i in range(states):
                row[i] = log_filtered[t, i]
                if t < weeks - 1:
                    row[i] += log_transition[t if varies else 0, i, j]
            top = row.max()
            total = 0.0
            for i in range(states):
                if row[i] != -np.inf:
                    total += math.exp(row[i] - top)
                cumulative[j, i] = total
        for n in range(paths.shape[0]):
            j = paths[n, t + 1] if t < weeks - 1 else 0
            paths[n, t] = _draw(cumulative[j], uniforms[n, t])
