"""Any hidden Markov chain: filter, smoother, best path, sampled paths, forecast.

The general engine, for checking and for chains of any shape. It works with logarithms
throughout, so that a state whose probability is far below the smallest float survives, and
wins if later data rule out the others. Steps are called weeks.

Filter and backward pass are those of Rabiner 1989, *Proc. IEEE* 77: 257-286, normalised
at each step, with the smoother written as the backward chain of Kitagawa 1987, *JASA* 82:
1032-1041 (it never meets a state that is out of reach); the best path is Viterbi's; paths
are sampled by forward filtering and backward sampling (Frühwirth-Schnatter 1994,
*J. Time Series Analysis* 15: 183-202).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from maturity_model._typing import Bools, Floats, Ints

#: Distributions must sum to 1 within this.
SUM_TOLERANCE = 1e-8


class ImpossibleDataError(ValueError):
    """The data have probability zero under the model.

    Attributes
    ----------
    week : int
        First week, counted from 0, at which no state remains possible.
    """

    def __init__(self, week: int):
        self.week = week
        super().__init__(
            f"the data are impossible under this model: no state remains possible in week "
            f"{week} (counted from 0); look for a log-likelihood of -inf or a transition "
            f"probability of 0 that should not be there"
        )


class ForwardBackward(NamedTuple):
    """What :func:`forward_backward` returns.

    Attributes
    ----------
    log_likelihood : float
        log p(y_0, ..., y_{T-1}), natural logarithm.
    filtered : ndarray, shape (T, S)
        P(z_t = s | y_0, ..., y_t); rows sum to 1.
    smoothed : ndarray, shape (T, S)
        P(z_t = s | y_0, ..., y_{T-1}); rows sum to 1.
    """

    log_likelihood: float
    filtered: Floats
    smoothed: Floats


class BestPath(NamedTuple):
    """What :func:`best_path` returns.

    Attributes
    ----------
    path : ndarray of int, shape (T,)
        The states of the most probable path, counted from 0.
    log_probability : float
        log p(z = path, y), natural logarithm; a joint probability, not given the data.
    """

    path: Ints
    log_probability: float


def forward_backward(
    initial: ArrayLike, transition: ArrayLike, log_likelihood: ArrayLike
) -> ForwardBackward:
    """Likelihood, filtered and smoothed state probabilities.

    Parameters
    ----------
    initial : array_like, shape (S,)
        P(z_0 = s). Sums to 1 within 1e-8. Zeros allowed.
    transition : array_like, shape (S, S) or (T-1, S, S)
        ``[i, j]`` is P(z_{t+1} = j | z_t = i); rows sum to 1 within 1e-8. With three axes,
        entry t moves from week t to t+1. Zeros allowed.
    log_likelihood : array_like, shape (T, S)
        log p(y_t | z_t = s), natural logarithm, up to a constant for each week. ``-inf``
        allowed; a row of zeros is a week without data.

    Returns
    -------
    ForwardBackward
        ``log_likelihood``, ``filtered`` (T, S), ``smoothed`` (T, S).

    Raises
    ------
    ImpossibleDataError
        No path has positive probability.
    ValueError
        Shapes do not agree; a value is NaN or +inf; a probability is negative; a
        distribution does not sum to 1.
    TypeError
        An argument is not real numbers.

    Examples
    --------
    Umbrella world (Russell and Norvig, *Artificial Intelligence*): two wet days.

    >>> import numpy as np
    >>> result = forward_backward(
    ...     [0.5, 0.5], [[0.7, 0.3], [0.3, 0.7]], np.log([[0.9, 0.2], [0.9, 0.2]])
    ... )
    >>> result.filtered[:, 0].round(6).tolist()
    [0.818182, 0.883357]
    """
    log_initial, log_moves, log_data = _check(initial, transition, log_likelihood)
    log_filtered, log_predicted, log_scale = _filter(log_initial, log_moves, log_data)
    log_smoothed = log_filtered.copy()
    for t in range(len(log_data) - 2, -1, -1):
        later = log_smoothed[t + 1]
        # A state that is possible later was predicted as possible too.
        ratio = np.subtract(
            later, log_predicted[t + 1], out=np.full_like(later, -np.inf), where=later > -np.inf
        )
        log_smoothed[t] += _log_sum(log_moves[t] + ratio, axis=1)
        log_smoothed[t] -= _log_sum(log_smoothed[t])
    return ForwardBackward(
        math.fsum(log_scale), _normalised(log_filtered), _normalised(log_smoothed)
    )


def best_path(initial: ArrayLike, transition: ArrayLike, log_likelihood: ArrayLike) -> BestPath:
    """Most probable path of states (Viterbi).

    Among equally probable paths the one with the lowest state in the last week is
    returned, then the lowest in the week before, and so on backwards; equality is that of
    floating-point sums.

    Parameters
    ----------
    initial, transition, log_likelihood
        As for :func:`forward_backward`.

    Returns
    -------
    BestPath
        ``path`` (T,), ``log_probability``.

    Raises
    ------
    ImpossibleDataError, ValueError, TypeError
        As for :func:`forward_backward`.
    """
    log_initial, log_moves, log_data = _check(initial, transition, log_likelihood)
    weeks = np.arange(len(log_data))
    origin = np.zeros(log_data.shape, dtype=np.int64)
    best = log_initial
    for t in weeks:
        if t > 0:
            candidates = best[:, None] + log_moves[t - 1]
            origin[t] = candidates.argmax(axis=0)
            best = candidates.max(axis=0)
        best = best + log_data[t]
        if best.max() == -np.inf:
            raise ImpossibleDataError(int(t))
        best = best - best.max()
    path = np.empty(len(weeks), dtype=np.int64)
    path[-1] = best.argmax()
    for t in weeks[:0:-1]:
        path[t - 1] = origin[t, path[t]]
    terms = [
        log_initial[path[0]],
        *log_moves[weeks[:-1], path[:-1], path[1:]],
        *log_data[weeks, path],
    ]
    return BestPath(path, math.fsum(terms))


def sample_paths(
    initial: ArrayLike,
    transition: ArrayLike,
    log_likelihood: ArrayLike,
    size: int,
    rng: np.random.Generator,
) -> Ints:
    """Draw paths from p(z_0, ..., z_{T-1} | y_0, ..., y_{T-1}), independently.

    Parameters
    ----------
    initial, transition, log_likelihood
        As for :func:`forward_backward`.
    size : int
        How many paths, at least 0.
    rng : numpy.random.Generator
        Source of T uniform numbers for each path.

    Returns
    -------
    ndarray of int, shape (size, T)
        States, counted from 0.

    Raises
    ------
    ImpossibleDataError, ValueError, TypeError
        As for :func:`forward_backward`.
    """
    if size < 0:
        raise ValueError(f"size is {size}; it must be 0 or more")
    log_initial, log_moves, log_data = _check(initial, transition, log_likelihood)
    log_filtered, _, _ = _filter(log_initial, log_moves, log_data)
    uniform = rng.random((size, len(log_data)))
    paths = np.zeros(uniform.shape, dtype=np.int64)
    for t in range(len(log_data) - 1, -1, -1):
        if t == len(log_data) - 1:
            p, row = _normalised(log_filtered[-1:]), paths[:, t]
        else:
            # Row j: P(z_t | z_{t+1} = j, data), up to a factor.
            logs, row = log_filtered[t] + log_moves[t].T, paths[:, t + 1]
            top = logs.max(axis=1, keepdims=True)
            p = np.exp(logs - np.where(top > -np.inf, top, 0.0))
        cumulative = p.cumsum(axis=1)[row]
        total = cumulative[:, -1]
        # Below the total even if the product rounds up, so that no state of weight 0 is drawn.
        target = np.minimum(uniform[:, t] * total, np.nextafter(total, 0.0))
        paths[:, t] = (cumulative > target[:, None]).argmax(axis=1)
    return paths


def forecast(initial_now: ArrayLike, transition: ArrayLike, weeks: int) -> Floats:
    """State probabilities for the coming weeks, without data.

    Parameters
    ----------
    initial_now : array_like, shape (S,)
        P(z_now = s), for example the last row of ``filtered``.
    transition : array_like, shape (S, S) or (weeks, S, S)
        As for :func:`forward_backward`; entry h moves from h to h+1 weeks ahead.
    weeks : int
        How far to look ahead, at least 0.

    Returns
    -------
    ndarray, shape (weeks + 1, S)
        Row h is P(z_{now+h} = s); row 0 is now. Rows sum to 1.

    Raises
    ------
    ValueError, TypeError
        As for :func:`forward_backward`.
    """
    if weeks < 0:
        raise ValueError(f"weeks is {weeks}; it must be 0 or more")
    now = _distribution("initial_now", initial_now)
    moves = _moves(transition, len(now), weeks)
    ahead = np.empty((weeks + 1, len(now)))
    ahead[0] = now / now.sum()
    for h in range(weeks):
        row = ahead[h] @ moves[h]
        # Rows sum to 1 within a tolerance; without this the total could drift over many weeks.
        ahead[h + 1] = row / row.sum()
    return ahead


# Checks ------------------------------------------------------------------------------


def _numbers(name: str, value: ArrayLike) -> Floats:
    array = np.asarray(value)
    if array.dtype.kind not in "biuf":
        raise TypeError(f"{name} holds {array.dtype} values; it must hold real numbers")
    array = array.astype(np.float64)
    if np.isnan(array).any():
        raise ValueError(f"{name} holds NaN{_first(np.isnan(array))}")
    if np.isposinf(array).any():
        raise ValueError(f"{name} holds +inf{_first(np.isposinf(array))}")
    return array


def _first(where: Bools) -> str:
    if where.ndim == 0:
        return ""
    return f" (first at index {tuple(int(i) for i in np.argwhere(where)[0])})"


def _probabilities(name: str, array: Floats) -> None:
    if (array < 0).any():
        raise ValueError(f"{name} holds a negative probability{_first(array < 0)}")
    off = np.abs(array.sum(axis=-1) - 1.0) > SUM_TOLERANCE
    if off.any():
        raise ValueError(
            f"{name} must sum to 1 within {SUM_TOLERANCE:g} along its last axis"
            f"{_first(np.asarray(off))}"
        )


def _distribution(name: str, value: ArrayLike) -> Floats:
    array = _numbers(name, value)
    if array.ndim != 1 or len(array) == 0:
        raise ValueError(f"{name} has shape {array.shape}; it must be (S,) with S at least 1")
    _probabilities(name, array)
    return array


def _moves(value: ArrayLike, states: int, steps: int) -> Floats:
    # Shape (steps, S, S).
    array = _numbers("transition", value)
    if array.shape not in ((states, states), (steps, states, states)):
        raise ValueError(
            f"transition has shape {array.shape}; it must be {(states, states)} or "
            f"{(steps, states, states)}, one entry for each move"
        )
    _probabilities("transition", array)
    return np.broadcast_to(array, (steps, states, states))


def _check(
    initial: ArrayLike, transition: ArrayLike, log_likelihood: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    start = _distribution("initial", initial)
    states = len(start)
    log_data = _numbers("log_likelihood", log_likelihood)
    if log_data.ndim != 2 or log_data.shape[1] != states or len(log_data) == 0:
        raise ValueError(
            f"log_likelihood has shape {log_data.shape}; it must be (T, {states}) with T at "
            f"least 1, as initial has {states} states"
        )
    moves = _moves(transition, states, len(log_data) - 1)
    with np.errstate(divide="ignore"):  # log 0 is -inf on purpose
        return np.log(start), np.log(moves), log_data


# Recursions --------------------------------------------------------------------------


def _log_sum(x: Floats, axis: int = 0) -> Floats:
    """Log of the sum of exp(x); -inf where all are."""
    return np.asarray(np.logaddexp.reduce(x, axis=axis))


def _filter(
    log_initial: Floats, log_moves: Floats, log_data: Floats
) -> tuple[Floats, Floats, Floats]:
    """Filtered and predicted logs, (T, S), and the log of each step's scale, (T,)."""
    filtered, predicted = np.empty_like(log_data), np.empty_like(log_data)
    scale = np.empty(len(log_data))
    for t, data in enumerate(log_data):
        before = filtered[t - 1, :, None] + log_moves[t - 1] if t > 0 else log_initial[None]
        predicted[t] = _log_sum(before)
        joint = predicted[t] + data
        scale[t] = _log_sum(joint)
        if scale[t] == -np.inf:
            raise ImpossibleDataError(t)
        filtered[t] = joint - scale[t]
    return filtered, predicted, scale


def _normalised(logs: Floats) -> Floats:
    # Rounding of large logarithms moves the sums off 1 by a few units in the last place.
    p = np.exp(logs)
    p /= p.sum(axis=1, keepdims=True)
    return p
