"""Log hazards of every tank's weekly moves, and their gradient by the parameters.

Tanks lie in blocks of eight lanes (:class:`.design.Lanes`); arrays are flat rows of eight, as in
:mod:`.chain_gradient`, in steps z of the blocks one behind another.
"""

from __future__ import annotations

import numpy as np
from numba import njit

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


@njit(**INLINE)
def _bounded(x):
    return where_above(x, LARGEST_EFFECT, spread(LARGEST_EFFECT), x)


@njit(**INLINE)
def _of_tanks(values, tanks, lanes):
    # Into one row: a value of each lane's tank, 0 where there is none.
    for i in range(WIDTH):
        lanes[i] = values[tanks[i]] if tanks[i] >= 0 else 0.0


@njit(**JIT)
def _by_move(advance, setback, collapse):
    # A row for each move. Nothing lies below the first phase: a 0 stands there, and is not read.
    out = np.zeros((3, len(advance)))
    first = len(advance) - len(setback)
    out[0], out[1, first:], out[2, first:] = advance, setback, collapse
    return out


@njit(**JIT)
def hazards(
    log_advance, log_setback, log_collapse, by_husbandry, pace,
    event_advance, event_setback, event_collapse, decay,
    husbandry, impulse, pending, first, tank,
):  # fmt: skip
    """Log hazards of the moves into each step.

    ``log h[advance, k] = baseline + husbandry by_husbandry[:, k] + pace + min(effect load, cap)``,
    and the same without husbandry and pace for setback and collapse;
    ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0 in each tank. The arguments
    are those of :func:`.ops.log_hazards`. Returns the log hazards, (Z, 3, K, 8), of which those of
    a block's first step mean nothing, and the loads, (Z, E, 8).
    """
    (n_j, n_k), (n_z, n_e, _) = by_husbandry.shape, impulse.shape
    baseline = _by_move(log_advance, log_setback, log_collapse)
    effect = _by_move(event_advance, event_setback, event_collapse)
    covariates, now, later = husbandry.reshape(-1), impulse.reshape(-1), pending.reshape(-1)
    log_h, loads, own = rows(3 * n_z * n_k), rows(n_z * n_e), rows(1)
    for b in range(len(first) - 1):
        _of_tanks(pace, tank[b], own)
        for z in range(first[b], first[b + 1]):
            advance, setback, collapse = spread(0.0), spread(0.0), spread(0.0)
            for e in range(n_e):
                x = load(now, z * n_e + e)
                if z > first[b]:
                    before = (z - 1) * n_e + e
                    x += load(later, before) + decay[e] * load(loads, before)
                store(loads, z * n_e + e, x)
                advance += effect[0, e] * x
                setback += effect[1, e] * x
                collapse += effect[2, e] * x
            advance = _bounded(advance) + load(own, 0)
            setback, collapse = _bounded(setback), _bounded(collapse)
            for k in range(n_k):
                at = 3 * z * n_k + k
                x = advance + baseline[0, k]
                for j in range(n_j):
                    x += by_husbandry[j, k] * load(covariates, z * n_j + j)
                store(log_h, at, x)
                store(log_h, at + n_k, setback + baseline[1, k])
                store(log_h, at + 2 * n_k, collapse + baseline[2, k])
    return log_h.reshape(n_z, 3, n_k, WIDTH), loads.reshape(n_z, n_e, WIDTH)


@njit(**INLINE)
def _add(sums, row, x):
    store(sums, row, load(sums, row) + x)


@njit(**JIT)
def hazard_slopes(
    log_advance, log_setback, log_collapse, by_husbandry, pace,
    event_advance, event_setback, event_collapse, decay,
    husbandry, impulse, pending, first, tank, loads, g,
):  # fmt: skip
    """Gradient of :func:`hazards` by its arguments up to ``decay``.

    Takes what that function took, the ``loads`` that it returned, and the gradient by the log
    hazards, ``g``, which is 0 in a block's first step.
    """
    (n_j, n_k), n_e = by_husbandry.shape, len(decay)
    effect = _by_move(event_advance, event_setback, event_collapse)
    covariates, load_of = husbandry.reshape(-1), loads.reshape(-1)
    slopes, by_pace = np.ascontiguousarray(g).reshape(-1), np.empty(pace.shape)
    baseline, of_husbandry = rows(3 * n_k), rows(n_j * n_k)
    effects, decays, pace = rows(3 * n_e), rows(n_e), rows(1)
    slope = rows(n_e)  # of each load by its decay
    baseline[:], of_husbandry[:], effects[:], decays[:] = 0.0, 0.0, 0.0, 0.0
    for b in range(len(first) - 1):
        pace[:], slope[:] = 0.0, 0.0
        for z in range(first[b] + 1, first[b + 1]):
            advance, setback, collapse = spread(0.0), spread(0.0), spread(0.0)
            for k in range(n_k):
                at = 3 * z * n_k + k
                one, two = load(slopes, at), load(slopes, at + n_k)
                three = load(slopes, at + 2 * n_k)
                _add(baseline, k, one)
                _add(baseline, n_k + k, two)
                _add(baseline, 2 * n_k + k, three)
                for j in range(n_j):
                    _add(of_husbandry, j * n_k + k, one * load(covariates, z * n_j + j))
                advance, setback, collapse = advance + one, setback + two, collapse + three
            _add(pace, 0, advance)
            shift_a, shift_s, shift_c = spread(0.0), spread(0.0), spread(0.0)
            for e in range(n_e):
                x = load(load_of, z * n_e + e)
                shift_a += effect[0, e] * x
                shift_s += effect[1, e] * x
                shift_c += effect[2, e] * x
            # Beyond the cap nothing changes any more.
            advance = where_above(shift_a, LARGEST_EFFECT, spread(0.0), advance)
            setback = where_above(shift_s, LARGEST_EFFECT, spread(0.0), setback)
            collapse = where_above(shift_c, LARGEST_EFFECT, spread(0.0), collapse)
            for e in range(n_e):
                x = load(load_of, z * n_e + e)
                _add(effects, e, advance * x)
                _add(effects, n_e + e, setback * x)
                _add(effects, 2 * n_e + e, collapse * x)
                by_load = effect[0, e] * advance + effect[1, e] * setback + effect[2, e] * collapse
                more = load(load_of, (z - 1) * n_e + e) + decay[e] * load(slope, e)
                store(slope, e, more)
                _add(decays, e, by_load * more)
        for i in range(WIDTH):
            if tank[b, i] >= 0:
                by_pace[tank[b, i]] = pace[i]
    # Over the eight lanes of each row.
    by_baseline = baseline.reshape(3, n_k, WIDTH).sum(axis=2)
    by_effect = effects.reshape(3, n_e, WIDTH).sum(axis=2)
    return (
        by_baseline[0], by_baseline[1, 1:], by_baseline[2, 1:],
        of_husbandry.reshape(n_j, n_k, WIDTH).sum(axis=2), by_pace,
        by_effect[0], by_effect[1], by_effect[2], decays.reshape(n_e, WIDTH).sum(axis=1),
    )  # fmt: skip
