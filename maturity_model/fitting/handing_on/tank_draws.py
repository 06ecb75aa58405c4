"""Each tank of a panel under many draws of a population, pace and skill integrated out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.population.tables import (
    judgement_table,
    reading_table,
    sign_table,
    tank_hazards,
)
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel


#: Nodes for pace and skill: more than in the weekly path, as there is time.
NODES = (9, 5)
#: Draws at a time, which bounds the memory.
CHUNK = 64


class Powers(NamedTuple):
    """Powers on the likelihood by kind of observation; 0 leaves a kind out."""

    signs: float = 1.0
    readings: float = 1.0
    judgements: float = 1.0


def powers_of_fit(population: Population) -> Powers:
    """The powers that a population was fitted with; judgements may have one of their own."""
    w = population.evidence_weight
    return Powers(w, w, float(population.provenance.get("judgement_weight", w)))


def filter_tanks(
    panel: Panel,
    population: Population,
    power: float | Powers,
    *,
    judgements: bool = True,
) -> Iterator[tuple[int, slice, FilteredMixture, float]]:
    """Filter all tanks, some draws at a time.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order.
    power : float or Powers
        The evidence weight.
    judgements : bool
        Whether judged phases count.

    Yields
    ------
    n : int
        Tank.
    draws : slice
    found : FilteredMixture
    log_scale : float
        To be added to its log-likelihood.
    """
    pace, pace_weight = normal_nodes(NODES[0])
    skill, skill_weight = normal_nodes(NODES[1])
    prior = np.outer(pace_weight, skill_weight)
    by_kind = power if isinstance(power, Powers) else Powers(power, power, power)
    for start in range(0, population.n_draws, CHUNK):
        at = slice(start, min(start + CHUNK, population.n_draws))
        part = take_draws(population, np.arange(at.start, at.stop))
        kinds = []
        if by_kind.signs:
            kinds.append((panel.signs, sign_table(panel, part, skill, by_kind.signs)))
        if by_kind.readings:
            table = reading_table(panel, part, by_kind.readings)
            kinds.append((panel.readings, table[:, :, None, :]))
        if judgements and by_kind.judgements:
            table = judgement_table(panel, part, by_kind.judgements)
            kinds.append((panel.judgements, table[:, :, None, :]))
        logs = [(kind, np.log(np.maximum(table, 1e-300))) for kind, table in kinds]
        for n in range(len(panel.tanks)):
            first, last = int(panel.first[n]), int(panel.first[n + 1])
            rows = np.zeros((last - first, part.chain.n_states, len(skill), part.n_draws))
            for kind, table in logs:
                starts, codes = kind.of_rows(first, last)
                week = np.repeat(np.arange(last - first), np.diff(starts))
                for t, code in zip(week, codes, strict=True):
                    rows[t] += table[code]
            # A product of many chances would be too small for a number. The same scale for all
            # draws: how they compare is what weighs them.
            top = rows.max(axis=(1, 2, 3), keepdims=True)
            emission = np.exp(np.maximum(rows - top, -600.0))
            initial = np.repeat(part.start[panel.rock[n]][:, None], part.n_draws, axis=1)
            moves = tank_hazards(panel, n, part, pace).moves()
            yield (
                n,
                at,
                filter_mixture(part.chain, initial, moves, emission, prior),
                float(top.sum()),
            )


def tank_log_likelihood(panel: Panel, population: Population, power: float | Powers) -> Floats:
    """Log-likelihood of each tank by draw, as of a new tank of a new keeper.

    Parameters
    ----------
    panel : Panel
    population : Population
    power : float or Powers
        The evidence weight; 1 for the plain likelihood.

    Returns
    -------
    ndarray, shape (N, D)
    """
    by_kind = power if isinstance(power, Powers) else Powers(power, power, power)
    if population.sign_tank_sd is not None:
        from maturity_model.fitting.handing_on.tank_signs import marginal_log_likelihood

        return marginal_log_likelihood(panel, population, by_kind).log_likelihood
    out = np.empty((len(panel.tanks), population.n_draws))
    for n, at, found, scale in filter_tanks(panel, population, power):
        out[n, at] = found.log_likelihood[-1] + scale
    return out


def smoothed_without_judgements(panel: Panel, population: Population, power: float) -> Floats:
    """P(phase | signs, readings, events of the tank), draws counting alike.

    Returns
    -------
    ndarray, shape (R, K)
        By tank-week of the panel.
    """
    out = np.zeros((int(panel.first[-1]), len(population.phases)))
    for n, _, found, _ in filter_tanks(panel, population, power, judgements=False):
        states, _ = found.smooth()
        share = found.chain.by_phase(states.sum(axis=2)) / population.n_draws
        out[panel.first[n] : panel.first[n + 1]] += share
    return out
