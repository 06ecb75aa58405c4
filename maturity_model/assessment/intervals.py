"""A probability with the uncertainty of the population behind it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats

#: Interval over draws that is reported.
LOW, HIGH = 0.05, 0.95


class Estimate(NamedTuple):
    """A number mixed over the population's draws.

    Attributes
    ----------
    mean : float
        Weighted mean over draws. Of a probability it is the probability itself.
    low, high : float
        5 % and 95 % weighted quantiles over draws: how far it depends on what is unknown
        about the population.
    """

    mean: float
    low: float
    high: float


def bounds(values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted 5 % and 95 % quantiles over draws, shape (...) each.

    ``values`` has shape (..., D); ``weight``, shape (D,), is P(draw | log) and sums to 1.
    """
    # Indexed by hand: np.take_along_axis takes longer than the sorting.
    shape, draws = values.shape[:-1], values.shape[-1]
    rows = values.reshape(-1, draws)
    row = np.arange(len(rows))
    order = np.argsort(rows, axis=1)
    share = np.cumsum(weight[order], axis=1)
    share /= share[:, -1:]
    ends = []
    for level in (LOW, HIGH):
        at = np.minimum((share < level).sum(axis=1), draws - 1)
        ends.append(rows[row, order[row, at]].reshape(shape))
    return ends[0], ends[1]


def estimates(values: Floats, weight: Floats) -> tuple[Estimate, ...]:
    """Mix numbers over draws: ``values`` of shape (N, D), ``weight`` as in :func:`bounds`."""
    return tuple(
        Estimate(float(m), float(a), float(b))
        for m, a, b in zip(values @ weight, *bounds(values, weight), strict=True)
    )


def estimate(values: Floats, weight: Floats) -> Estimate:
    """Mix one number over draws: ``values`` and ``weight`` of shape (D,)."""
    return estimates(values[None], weight)[0]
