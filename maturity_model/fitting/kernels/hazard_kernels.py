"""Log hazards of every tank's weekly moves, and their gradient by the parameters.

Tanks lie in blocks of eight lanes (:class:`.design.Lanes`); arrays are flat rows of eight, as in
:mod:`.chain_gradient`, in steps z of the blocks one behind another.
"""

from __future__ import annotations

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
def hazards(
    baseline, by_husbandry, pace, effect, decay, husbandry, impulse, pending, first, tank,
    log_h, loads,
):  # fmt: skip
    """Log hazards of the moves into each step.

    ``log h[advance, k] = baseline + husbandry by_husbandry[:, k] + pace + min(effect load, cap)``,
    and the same without husbandry and pace for setback and collapse;
    ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0 in each tank.

    Parameters
    ----------
    baseline : ndarray, shape (3, K)
        Log hazards of advance, setback and collapse before anything acts on them.
    by_husbandry : ndarray, shape (J, K)
    pace : ndarray, shape (N,)
    effect : ndarray, shape (3, E)
        Of one unit of each event's load on the log hazards of the three moves.
    decay : ndarray, shape (E,)
        Share of a load that remains after a week.
    husbandry, impulse, pending : ndarray, rows (Z, J), (Z, E), (Z, E)
    first, tank : int64 ndarray
        Of :class:`.design.Lanes`.
    log_h : ndarray, rows (Z, 3, K), output
        Of the move into each step; a block's first step means nothing.
    loads : ndarray, rows (Z, E), output
    """
    n_k, n_j, n_e = baseline.shape[1], by_husbandry.shape[0], len(decay)
    own = rows(1)
    for b in range(len(first) - 1):
        _of_tanks(pace, tank[b], own)
        for z in range(first[b], first[b + 1]):
            advance, setback, collapse = spread(0.0), spread(0.0), spread(0.0)
            for e in range(n_e):
                x = load(impulse, z * n_e + e)
                if z > first[b]:
                    before = (z - 1) * n_e + e
                    x += load(pending, before) + decay[e] * load(loads, before)
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
                    x += by_husbandry[j, k] * load(husbandry, z * n_j + j)
                store(log_h, at, x)
                store(log_h, at + n_k, setback + baseline[1, k])
                store(log_h, at + 2 * n_k, collapse + baseline[2, k])


@njit(**INLINE)
def _add(sums, row, x):
    store(sums, row, load(sums, row) + x)


@njit(**JIT)
def _total(sums, out):
    # Over the eight lanes of each row.
    for i in range(len(out)):
        out[i] = sums[i * WIDTH : (i + 1) * WIDTH].sum()


@njit(**JIT)
def hazard_slopes(
    effect, decay, husbandry, first, tank, loads, g,
    by_baseline, by_by_husbandry, by_pace, by_effect, by_decay,
):  # fmt: skip
    """Gradient by the parameters of :func:`hazards`, given that by the log hazards.

    Parameters
    ----------
    effect, decay, husbandry, first, tank, loads
        As :func:`hazards` took and left them.
    g : ndarray, rows (Z, 3, K)
        Gradient by the log hazards; 0 in a block's first step.
    by_baseline, by_by_husbandry, by_pace, by_effect, by_decay : ndarray, output
        Gradients by the parameters of these names.
    """
    (n_j, n_k), n_e = by_by_husbandry.shape, len(decay)
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
                one, two, three = load(g, at), load(g, at + n_k), load(g, at + 2 * n_k)
                _add(baseline, k, one)
                _add(baseline, n_k + k, two)
                _add(baseline, 2 * n_k + k, three)
                for j in range(n_j):
                    _add(of_husbandry, j * n_k + k, one * load(husbandry, z * n_j + j))
                advance, setback, collapse = advance + one, setback + two, collapse + three
            _add(pace, 0, advance)
            shift_a, shift_s, shift_c = spread(0.0), spread(0.0), spread(0.0)
            for e in range(n_e):
                x = load(loads, z * n_e + e)
                shift_a += effect[0, e] * x
                shift_s += effect[1, e] * x
                shift_c += effect[2, e] * x
            # Beyond the cap nothing changes any more.
            advance = where_above(shift_a, LARGEST_EFFECT, spread(0.0), advance)
            setback = where_above(shift_s, LARGEST_EFFECT, spread(0.0), setback)
            collapse = where_above(shift_c, LARGEST_EFFECT, spread(0.0), collapse)
            for e in range(n_e):
                x = load(loads, z * n_e + e)
                _add(effects, e, advance * x)
                _add(effects, n_e + e, setback * x)
                _add(effects, 2 * n_e + e, collapse * x)
                by_load = effect[0, e] * advance + effect[1, e] * setback + effect[2, e] * collapse
                more = load(loads, (z - 1) * n_e + e) + decay[e] * load(slope, e)
                store(slope, e, more)
                _add(decays, e, by_load * more)
        for i in range(WIDTH):
            if tank[b, i] >= 0:
                by_pace[tank[b, i]] = pace[i]
    _total(baseline, by_baseline.reshape(-1))
    _total(of_husbandry, by_by_husbandry.reshape(-1))
    _total(effects, by_effect.reshape(-1))
    _total(decays, by_decay)
