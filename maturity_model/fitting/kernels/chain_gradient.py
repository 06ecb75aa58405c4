"""Log-likelihood of many series and its exact gradient, eight series at a time.

By Fisher's identity the gradient of the log-likelihood is the smoothed expectation of
the complete-data score (Cappe, Moulines and Ryden 2005, *Inference in Hidden Markov
Models*, section 10.1.2), so that one forward and one backward pass give it exactly and
no automatic differentiation runs through time.

With hazards ``h_m`` of the moves out of a phase, ``h`` their sum, ``N_0`` the expected
number of stays and ``N_m`` of moves m,

    d log L / d log h_m = N_m - h_m N_0 + h_m (sum_m N_m) (1 / (e^h - 1) - 1 / h).

Eight series are one number (:mod:`.simd_lanes`), and a block of them is finished before the
next begins, so that what the backward pass needs of the forward one stays in the nearest
caches. Arrays inside the kernel are flat; their rows are counted with what changes fastest last.

States are never divided by their sum. When the sum of step t is y, the emissions of step
t + 1 are divided by the power of two below y, which costs nothing while they are made
(:func:`.simd_lanes.exp_over`) and keeps the sums near 1; the log-likelihood is the sum of those
powers and the log of the last sum.

The kernel is written once for any number of phases and stages, and compiled twice: with four
phases of three stages as constants, which lets the compiler unroll its loops and is several times
faster, and for any other size, which a fit with one stage for each phase needs.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels.simd_lanes import (
    INLINE,
    WIDTH,
    exp_over,
    exponent,
    load,
    prefetch,
    rows,
    spread,
    store,
    where_above,
)
from maturity_model.hmm.arithmetic import (
    HUGE,
    JIT,
    LEAST_LOG_HAZARD,
    MOST_LOG_HAZARD,
    TINY,
    log_lanes,
)

#: Steps between asking for a row of the caller's arrays and its use.
AHEAD = 4
LOG_2 = 0.6931471805599453


class Work(NamedTuple):
    """Arrays of a block between the passes, flat rows of eight lanes.

    Attributes
    ----------
    advance, setback, collapse : ndarray, rows (T-1, K)
        Hazards of the move from t to t+1; of phase 0 only the first.
    stay, share, slope : ndarray, rows (T-1, K + 1)
        With h the sum of a phase's hazards: ``exp(-h)``; ``(1 - exp(-h)) / h``, by which a hazard
        becomes a probability; its derivative by h. The last is that of the last state, which
        does not advance.
    emission, states : ndarray, rows (T, S)
        P(observations at t | state), scaled; P(state at t, observations until then), scaled.
    beta, ahead : ndarray, rows (S,)
        Of the backward pass: P(observations after t | state at t), scaled, and the same times
        the emission of the step after.
    """

    advance: Floats
    setback: Floats
    collapse: Floats
    stay: Floats
    share: Floats
    slope: Floats
    emission: Floats
    states: Floats
    beta: Floats
    ahead: Floats


@njit(**JIT)
def workspace(steps, n_phases, n_stages):
    """Arrays of :class:`Work` for series of this many steps."""
    moves, n_states = max(steps - 1, 0), n_phases * n_stages
    k, one, s = moves * n_phases, moves * (n_phases + 1), steps * n_states
    return Work(
        rows(k), rows(k), rows(k), rows(one), rows(one), rows(one), rows(s), rows(s),
        rows(n_states), rows(n_states),
    )  # fmt: skip


@njit(**INLINE)
def _hazard(log_hazard):
    # As arithmetic.bounded_hazard.
    bounded = where_above(MOST_LOG_HAZARD, log_hazard, log_hazard, MOST_LOG_HAZARD)
    return where_above(log_hazard, LEAST_LOG_HAZARD, exp_over(bounded, 0.0), 0.0)


@njit(**INLINE)
def _fill_moves(n_phases, log_h, t, work):
    # The move from t to t+1: its hazards, and their stay, share and slope.
    for k in range(n_phases):
        at = 3 * t * n_phases + k
        store(work.advance, t * n_phases + k, _hazard(load(log_h, at)))
        if k > 0:
            store(work.setback, t * n_phases + k, _hazard(load(log_h, at + n_phases)))
            store(work.collapse, t * n_phases + k, _hazard(load(log_h, at + 2 * n_phases)))
    for k in range(n_phases + 1):
        phase = t * n_phases + min(k, n_phases - 1)
        if k == 0:
            h = load(work.advance, phase)
        else:
            h = load(work.setback, phase) + load(work.collapse, phase)
            if k < n_phases:
                h += load(work.advance, phase)
        stay = exp_over(where_above(700.0, h, -h, -700.0), 0.0)
        # As arithmetic.hazard_share, with one division for both. The error of the slope
        # counts times h.
        inverse = 1.0 / h
        share = (1.0 - stay) * inverse
        slope = (stay - share) * inverse
        small = 1.0 - h * (0.5 - h * (1.0 / 6.0 - h * (1.0 / 24.0)))
        flat = h * (1.0 / 3.0 - h * 0.125) - 0.5
        at = t * (n_phases + 1) + k
        store(work.stay, at, stay)
        store(work.share, at, where_above(h, 1e-3, share, small))
        store(work.slope, at, where_above(h, 1e-3, slope, flat))


@njit(**INLINE)
def _fill_emission(n_states, log_lik, t, work, power):
    # Likelihoods relative to the largest of the step, over 2^power. Returns its logarithm.
    high = load(log_lik, t * n_states)
    for s in range(1, n_states):
        x = load(log_lik, t * n_states + s)
        high = where_above(x, high, x, high)
    high = where_above(high, -1e300, high, 0.0)
    for s in range(n_states):
        x = load(log_lik, t * n_states + s) - high
        store(work.emission, t * n_states + s, where_above(x, -700.0, exp_over(x, power), 0.0))
    return high


@njit(**INLINE)
def _move(n_phases, n_stages, t, work):
    # states of t+1 = states of t @ (transition matrix).
    last = n_phases * n_stages - 1
    before = t * (last + 1)
    now = before + last + 1
    h, m = t * n_phases, t * (n_phases + 1)
    back = spread(0.0)
    bottom = spread(0.0)
    for down in range(n_phases):
        k = n_phases - 1 - down
        stay, share = load(work.stay, m + k), load(work.share, m + k)
        mass = spread(0.0)
        for j in range(n_stages):
            s = k * n_stages + j
            here = load(work.states, before + s)
            if s < last:
                mass += here
                x = stay * here
            else:
                x = load(work.stay, m + n_phases) * here
            if j > 0:
                x += load(work.advance, h + k) * share * load(work.states, before + s - 1)
            elif k > 0:
                below = load(work.advance, h + k - 1) * load(work.share, m + k - 1)
                x += back + below * load(work.states, before + s - 1)
            else:
                x += back + bottom
            store(work.states, now + s, x)
        if k > 0:
            mass *= share
            if k == n_phases - 1:
                mass += load(work.states, before + last) * load(work.share, m + n_phases)
            back = mass * load(work.setback, h + k)
            bottom += mass * load(work.collapse, h + k)


@njit(**INLINE)
def _weigh(n_states, t, work):
    # Multiplies in the emissions; returns the sum of the states.
    even, odd = spread(0.0), spread(0.0)
    for s in range(n_states):
        x = load(work.states, t * n_states + s) * load(work.emission, t * n_states + s)
        store(work.states, t * n_states + s, x)
        if s % 2 == 0:
            even += x
        else:
            odd += x
    return even + odd


@njit(**INLINE)
def _move_back(n_phases, n_stages, t, work):
    # beta of t = (transition matrix) @ ahead.
    last = n_phases * n_stages - 1
    h, m = t * n_phases, t * (n_phases + 1)
    ahead = work.ahead
    down = spread(0.0)
    for k in range(n_phases):
        stay, share = load(work.stay, m + k), load(work.share, m + k)
        up = load(work.advance, h + k) * share
        if k > 0:
            down = load(work.setback, h + k) * load(ahead, (k - 1) * n_stages)
            down += load(work.collapse, h + k) * load(ahead, 0)
        for j in range(n_stages):
            s = k * n_stages + j
            if s < last:
                x = stay * load(ahead, s) + up * load(ahead, s + 1) + share * down
                store(work.beta, s, x)
    x = load(work.stay, m + n_phases) * load(ahead, last)
    store(work.beta, last, x + load(work.share, m + n_phases) * down)


@njit(**INLINE)
def _score(n_phases, n_stages, t, work, d):
    # Into d: the gradient by the log hazards of the move from t (Fisher's identity).
    last = n_phases * n_stages - 1
    s0, h, m = t * (last + 1), t * n_phases, t * (n_phases + 1)
    states, ahead = work.states, work.ahead
    for k in range(n_phases):
        stays, ups, mass = spread(0.0), spread(0.0), spread(0.0)
        for j in range(n_stages):
            s = k * n_stages + j
            if s < last:
                a = load(states, s0 + s)
                stays += a * load(ahead, s)
                ups += a * load(ahead, s + 1)
                mass += a
        share, slope = load(work.share, m + k), load(work.slope, m + k)
        stays *= load(work.stay, m + k)
        advance = load(work.advance, h + k)
        at = 3 * t * n_phases + k
        if k == 0:
            store(d, at, advance * (share * ups + slope * advance * ups - stays))
            store(d, at + n_phases, spread(0.0))
            store(d, at + 2 * n_phases, spread(0.0))
        else:
            setback, collapse = load(work.setback, h + k), load(work.collapse, h + k)
            below, bottom = load(ahead, (k - 1) * n_stages), load(ahead, 0)
            down = setback * below + collapse * bottom
            common = slope * (advance * ups + mass * down) - stays
            store(d, at, advance * (share * ups + common))
            mass *= share
            if k == n_phases - 1:
                end = load(states, s0 + last)
                stays = load(work.stay, m + n_phases) * load(ahead, last)
                common += end * (load(work.slope, m + n_phases) * down - stays)
                mass += end * load(work.share, m + n_phases)
            store(d, at + n_phases, setback * (mass * below + common))
            store(d, at + 2 * n_phases, collapse * (mass * bottom + common))


@njit(**INLINE)
def _forward(n_phases, n_stages, steps, initial, log_h, log_lik, work):
    # Fills work but for beta and ahead; returns the sum of the last step's states, 0 where the
    # data are impossible, and the logarithms that belong to it.
    n_states = n_phases * n_stages
    logs, power, y = spread(0.0), spread(0.0), spread(0.0)
    for t in range(steps):
        for s in range(n_states):
            prefetch(log_lik, (t + AHEAD) * n_states + s)
        for h in range(3 * n_phases):
            prefetch(log_h, 3 * (t + AHEAD) * n_phases + h)
        high = _fill_emission(n_states, log_lik, t, work, power)
        logs += high + power * LOG_2
        if t == 0:
            for s in range(n_states):
                store(work.states, s, load(initial, s))
        else:
            _fill_moves(n_phases, log_h, t - 1, work)
            _move(n_phases, n_stages, t - 1, work)
        y = _weigh(n_states, t, work)
        # An impossible step: from here on all states are 0 and the value is -inf.
        power = where_above(y, TINY, exponent(y), -np.inf)
    return y, logs


@njit(**INLINE)
def _block(n_phases, n_stages, initial, log_h, log_lik, work, value, smoothed, d):
    # Value and gradient of eight series; all arrays are flat.
    n_states = n_phases * n_stages
    steps = log_lik.shape[0] // (n_states * WIDTH)
    y, logs = _forward(n_phases, n_stages, steps, initial, log_h, log_lik, work)
    possible = where_above(y, TINY, y, 1.0)
    store(work.ahead, 0, possible)
    store(work.ahead, 1, where_above(y, TINY, logs, -np.inf))
    for i in range(WIDTH):
        value[i] = work.ahead[WIDTH + i] + log_lanes(work.ahead[i])
    inverse = where_above(y, TINY, 1.0 / possible, 0.0)
    for s in range(n_states):
        store(work.beta, s, inverse)
        at = (steps - 1) * n_states + s
        store(smoothed, at, load(work.states, at) * inverse)
    for t in range(steps - 2, -1, -1):
        for s in range(n_states):
            prefetch(smoothed, (t - AHEAD) * n_states + s)
        for h in range(3 * n_phases):
            prefetch(d, 3 * (t - AHEAD) * n_phases + h)
        for s in range(n_states):
            x = load(work.emission, (t + 1) * n_states + s) * load(work.beta, s)
            store(work.ahead, s, where_above(HUGE, x, x, HUGE))
        _move_back(n_phases, n_stages, t, work)
        _score(n_phases, n_stages, t, work, d)
        for s in range(n_states):
            at = t * n_states + s
            store(smoothed, at, load(work.states, at) * load(work.beta, s))


# Functions by themselves: both inside `block`, a gradient of the fit takes twice as long.
@njit(**JIT)
def _block_4x3(initial, log_h, log_lik, work, value, smoothed, d):
    _block(4, 3, initial, log_h, log_lik, work, value, smoothed, d)


@njit(**JIT)
def _block_of_any_size(n_phases, n_stages, initial, log_h, log_lik, work, value, smoothed, d):
    _block(n_phases, n_stages, initial, log_h, log_lik, work, value, smoothed, d)


@njit(**JIT)
def block(n_phases, n_stages, initial, log_h, log_lik, work, value, smoothed, d):
    """Value and gradient of eight series of T steps; all arrays are flat.

    Parameters
    ----------
    n_phases, n_stages : int
    initial : ndarray, rows (S,)
    log_h : ndarray, rows (T-1, 3, K)
        Log hazards: advance, setback, collapse.
    log_lik : ndarray, rows (T, S)
    work : Work
        From :func:`workspace`.
    value : ndarray, size 8, output
    smoothed : ndarray, rows (T, S), output
    d : ndarray, rows (T-1, 3, K), output
    """
    if n_phases == 4 and n_stages == 3:
        _block_4x3(initial, log_h, log_lik, work, value, smoothed, d)
    else:
        _block_of_any_size(n_phases, n_stages, initial, log_h, log_lik, work, value, smoothed, d)
    for i in range(WIDTH):
        if not value[i] > -np.inf:
            value[i] = -np.inf
            smoothed[i::WIDTH] = 0.0
            d[i::WIDTH] = 0.0
