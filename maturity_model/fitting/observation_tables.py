"""Log-likelihood of a tank's observations by week, for many draws of a population at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.population.tables import judgement_table, reading_table, sign_table

if TYPE_CHECKING:
    from maturity_model.panel import Observations, Panel
    from maturity_model.population.types import Population

#: Probabilities are raised to this before their logarithm is taken.
LEAST_PROBABILITY = 1e-300
#: Lower bound of a log-likelihood that is exponentiated: exp(-600) is still a normal number.
LEAST_EXPONENT = -600.0


class Powers(NamedTuple):
    """Powers on the likelihood by kind of observation; 0 leaves a kind out."""

    signs: float = 1.0
    readings: float = 1.0
    judgements: float = 1.0

    @classmethod
    def of(cls, power: float | Powers) -> Powers:
        """The same power for every kind, unless it is given by kind."""
        return power if isinstance(power, Powers) else cls(power, power, power)


def powers_of_fit(population: Population) -> Powers:
    """Powers that a population was fitted with; that of judgements may differ."""
    w = population.evidence_weight
    return Powers(w, w, float(population.provenance.get("judgement_weight", w)))


class LogTable(NamedTuple):
    """Log-likelihood of the distinct observations of one kind.

    Attributes
    ----------
    kind : Observations
        Signs, readings or judgements of a panel.
    values : ndarray, shape (C, S, Q, D)
        By code, state, skill node (of length 1 where skill does not matter) and draw.
    """

    kind: Observations
    values: Floats


def log_tables(
    panel: Panel, population: Population, skill: Floats, power: float | Powers
) -> list[LogTable]:
    """Tabulate every kind of observation that counts.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order.
    skill : ndarray, shape (Q,)
        Nodes, in standard deviations.
    power : float or Powers
        The evidence weight.
    """
    signs, readings, judgements = Powers.of(power)
    tables = []
    if signs:
        tables.append((panel.signs, sign_table(panel, population, skill, signs)))
    if readings:
        table = reading_table(panel, population, readings)
        tables.append((panel.readings, table[:, :, None, :]))
    if judgements:
        table = judgement_table(panel, population, judgements)
        tables.append((panel.judgements, table[:, :, None, :]))
    return [LogTable(kind, np.log(np.maximum(t, LEAST_PROBABILITY))) for kind, t in tables]


def weeks_and_codes(panel: Panel, n: int, kind: Observations) -> tuple[Ints, Ints]:
    """Week, from the tank's start, and code of each observation of tank n."""
    starts, code = kind.of_rows(int(panel.first[n]), int(panel.first[n + 1]))
    return np.repeat(np.arange(len(starts) - 1), np.diff(starts)), code


def log_emission(
    panel: Panel, n: int, tables: list[LogTable], shape: tuple[int, int, int]
) -> Floats:
    """Log-likelihood of each week's observations of tank n.

    Parameters
    ----------
    panel : Panel
    n : int
    tables : list of LogTable
    shape : tuple of int
        Numbers of states, skill nodes and draws.

    Returns
    -------
    ndarray, shape (T, S, Q, D)
    """
    rows = np.zeros((int(panel.first[n + 1] - panel.first[n]), *shape))
    for kind, values in tables:
        for week, code in zip(*weeks_and_codes(panel, n, kind), strict=True):
            rows[week] += values[code]
    return rows


def scaled_emission(rows: Floats) -> tuple[Floats, Floats]:
    """Exponentiate log-likelihoods week by week, relative to the largest of the week.

    A product of many probabilities would underflow. All draws share one scale per week, so
    that they can still be compared.

    Parameters
    ----------
    rows : ndarray, shape (T, S, Q, D)

    Returns
    -------
    emission : ndarray, shape (T, S, Q, D)
        Largest value 1 in each week.
    log_scale : ndarray, shape (T,)
    """
    top = rows.max(axis=(1, 2, 3))
    shifted = np.maximum(rows - top[:, None, None, None], LEAST_EXPONENT)
    return np.exp(shifted), top
