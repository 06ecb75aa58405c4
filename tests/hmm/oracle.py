"""Every path of a small chain, one by one: slow, and hard to get wrong."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints


class Model(NamedTuple):
    """Arguments of ``forward_backward``, in order."""

    initial: Floats
    transition: Floats
    log_likelihood: Floats


class Enumeration(NamedTuple):
    """All S^T paths (in lexicographic order) and log p(path, data) of each."""

    paths: Ints
    log_probability: Floats


class Answer(NamedTuple):
    """What the enumeration says."""

    log_likelihood: float
    filtered: Floats
    smoothed: Floats
    best_log_probability: float
    path_probability: Floats


def log_sum(x: Floats) -> float:
    """log of the sum of exp(x); -inf for nothing."""
    top = np.max(x, initial=-np.inf)
    return float(top) if top == -np.inf else float(top + np.log(np.exp(x - top).sum()))


def log_joint(model: Model, path: Ints) -> float:
    """log p(path, data) of one path, which may be shorter than the data."""
    initial, transition, log_data = model
    with np.errstate(divide="ignore"):
        total = np.log(initial[path[0]]) + log_data[0, path[0]]
        for t in range(1, len(path)):
            move = transition if transition.ndim == 2 else transition[t - 1]
            total += np.log(move[path[t - 1], path[t]]) + log_data[t, path[t]]
    return float(total)


def enumerate_paths(model: Model, weeks: int | None = None) -> Enumeration:
    """List every path over the first weeks (all, if not given)."""
    weeks = len(model.log_likelihood) if weeks is None else weeks
    states = len(model.initial)
    paths = np.array(list(itertools.product(range(states), repeat=weeks)))
    return Enumeration(paths, np.array([log_joint(model, path) for path in paths]))


def marginal(every: Enumeration, week: int, states: int) -> Floats:
    """P(z_week | the data that the enumeration covers), shape (S,)."""
    total = log_sum(every.log_probability)
    logs = [log_sum(every.log_probability[every.paths[:, week] == s]) for s in range(states)]
    return np.exp(np.array(logs) - total)


def solve(model: Model) -> Answer:
    """Answer everything by enumeration."""
    weeks, states = model.log_likelihood.shape
    every = enumerate_paths(model)
    total = log_sum(every.log_probability)
    filtered = [marginal(enumerate_paths(model, t + 1), t, states) for t in range(weeks)]
    smoothed = [marginal(every, t, states) for t in range(weeks)]
    return Answer(
        total,
        np.array(filtered),
        np.array(smoothed),
        float(every.log_probability.max()),
        np.exp(every.log_probability - total),
    )


def first_impossible_week(model: Model) -> int | None:
    """First week up to which no path has positive probability, or None."""
    for t in range(len(model.log_likelihood)):
        if enumerate_paths(model, t + 1).log_probability.max() == -np.inf:
            return t
    return None


def random_model(
    rng: np.random.Generator,
    states: int,
    weeks: int,
    *,
    varying: bool = False,
    zeros: float = 0.0,
    impossible: float = 0.0,
    spread: float = 2.0,
) -> Model:
    """Draw a model; ``zeros`` and ``impossible`` are shares of 0 moves and -inf data."""
    shape = (weeks - 1, states, states) if varying else (states, states)

    def distributions(shape: tuple[int, ...]) -> Floats:
        weight = rng.gamma(0.7, size=shape)
        weight[rng.random(shape) < zeros] = 0.0
        keep = rng.integers(states, size=shape[:-1])
        np.put_along_axis(weight, keep[..., None], 1.0, axis=-1)  # no row without a way out
        return weight / weight.sum(axis=-1, keepdims=True)

    log_data = rng.normal(0.0, spread, (weeks, states))
    log_data[rng.random(log_data.shape) < impossible] = -np.inf
    return Model(distributions((states,)), distributions(shape), log_data)
