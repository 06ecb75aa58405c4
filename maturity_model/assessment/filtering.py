"""A panel under a population: look-up tables, and one filtered tank."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.panel import Observations, Panel
from maturity_model.population.tables import (
    Hazards,
    fit_to_catalogue,
    judgement_table,
    reading_table,
    sign_table,
    tank_hazards,
)
from maturity_model.population.types import Population, take_draws

#: Horizons of the risk of slipping back, in weeks.
HORIZONS = (4, 8)
#: Quadrature nodes for pace and skill.
PACE_NODES, SKILL_NODES = 5, 3
#: A tank takes about 1 MB for each week and 256 draws; with more weeks, fewer draws are used.
FULL_WEEKS = 520
#: Below this a week's likelihood is computed in logarithms.
_SMALLEST = 1e-250


@dataclass(frozen=True)
class Tables:
    """Everything that all tanks of a panel share.

    Attributes
    ----------
    panel : Panel
    population : Population
        Its signs in the catalogue's order.
    evidence_weight : float
    pace, skill : ndarray, shape (P,), (Q,) or (Q, D)
        Nodes, in standard deviations; skill by draw where it was learned from the pool.
    node_prior : ndarray, shape (P, Q)
        Their weights; sum to 1.
    signs : ndarray, shape (C, S, Q, D)
    readings, judgements : ndarray, shape (C, S, D)
        Likelihood of each distinct observation, to the power of the evidence weight.
    log_prior : ndarray, shape (D,), or None
        Log weights of the draws before the first observation; None: all alike.
    """

    panel: Panel
    population: Population
    evidence_weight: float
    pace: Floats
    skill: Floats
    node_prior: Floats
    signs: Floats
    readings: Floats
    judgements: Floats
    log_prior: Floats | None = None

    @functools.cached_property
    def impossible(self) -> tuple[Bools, ...]:
        """By kind (signs, readings, judgements): the codes whose likelihood is 0 somewhere."""
        return tuple(
            np.asarray((table <= 0).any(axis=(1, 2, 3))) for _, table in coded_tables(self)
        )

    def scaled_emission(self, n: int, since: int = 0) -> tuple[Floats, Floats]:
        """Likelihood of each week's observations of tank n, shape (T, S, Q, D).

        Up to a factor in weeks with so many rows that their product underflows; the second
        array is its logarithm, shape (T,). Week ``since`` is the first of the T weeks.
        """
        first, last = int(self.panel.first[n]) + since, int(self.panel.first[n + 1])
        out = np.ones((last - first, *self.signs.shape[1:]))
        for kind, table in coded_tables(self):
            if len(kind.codes):
                starts, codes = kind.of_rows(first, last)
                native.multiply_codes(starts, codes, table, out)
        log_scale = np.zeros(last - first)
        for t in np.flatnonzero(out.min(axis=(1, 2, 3)) < _SMALLEST):
            out[t], log_scale[t] = self._by_logarithms(first + int(t))
        return out, log_scale

    def of_tank(self, n: int) -> Tables:
        """The same with fewer draws where the log of tank n is long, to bound memory.

        All draws up to :data:`FULL_WEEKS` weeks; evenly spaced ones for a longer log.
        """
        weeks = int(self.panel.first[n + 1] - self.panel.first[n])
        draws = draws_used(weeks, self.population.n_draws)
        if len(draws) == self.population.n_draws:
            return self
        return replace(
            self,
            population=take_draws(self.population, draws),
            signs=np.ascontiguousarray(self.signs[..., draws]),
            readings=np.ascontiguousarray(self.readings[..., draws]),
            judgements=np.ascontiguousarray(self.judgements[..., draws]),
            skill=self.skill if self.skill.ndim == 1 else self.skill[:, draws],
            log_prior=None if self.log_prior is None else self.log_prior[draws],
        )

    def _by_logarithms(self, row: int) -> tuple[Floats, float]:
        # Relative to the likeliest state and lane. The floors keep every state possible.
        total = np.zeros(self.signs.shape[1:])
        for kind, table in coded_tables(self):
            for code in kind.of_rows(row, row + 1)[1]:
                total += np.log(np.maximum(table[code], 1e-300))
        top = total.max()
        return np.exp(np.maximum(total - top, -600.0)), float(top)


def coded_tables(tables: Tables) -> tuple[tuple[Observations, Floats], ...]:
    """Signs, readings and judgements, each with its table of shape (C, S, Q or 1, D)."""
    return (
        (tables.panel.signs, tables.signs),
        (tables.panel.readings, tables.readings[:, :, None, :]),
        (tables.panel.judgements, tables.judgements[:, :, None, :]),
    )


def draws_used(weeks: int, draws: int) -> Ints:
    """Indices of the population's draws with which a tank of ``weeks`` weeks is filtered."""
    return np.arange(0, draws, max(1, -(-weeks // FULL_WEEKS)))


def make_tables(
    panel: Panel,
    population: Population,
    evidence_weight: float | None = None,
    nodes: tuple[int, int] = (PACE_NODES, SKILL_NODES),
) -> Tables:
    """Look-up tables for a panel.

    Parameters
    ----------
    evidence_weight : float, optional
        Default: the population's own.
    nodes : tuple of int
        Quadrature nodes for pace and skill.

    Raises
    ------
    PopulationMismatch
        When population and catalogue do not fit together.
    ValueError
        When the weight is not in [0, 1].
    """
    population = fit_to_catalogue(population, panel.catalogue)
    power = population.evidence_weight if evidence_weight is None else evidence_weight
    if not 0.0 <= power <= 1.0:
        raise ValueError(f"an evidence weight lies between 0 and 1, not at {power}")
    pace, pace_weight = normal_nodes(nodes[0])
    skill, skill_weight = normal_nodes(nodes[1])
    return Tables(
        panel=panel,
        population=population,
        evidence_weight=power,
        pace=pace,
        skill=skill,
        node_prior=np.outer(pace_weight, skill_weight),
        signs=sign_table(panel, population, skill, power),
        readings=reading_table(panel, population, power),
        judgements=judgement_table(panel, population, power),
    )


def filter_tank(tables: Tables, n: int) -> tuple[FilteredMixture, Hazards]:
    """Filter tank n under all draws and nodes."""
    return filter_emission(tables, n, tables.scaled_emission(n)[0])


def filter_emission(tables: Tables, n: int, emission: Floats) -> tuple[FilteredMixture, Hazards]:
    """Filter tank n given the likelihood of each week's observations, shape (T, S, Q, D)."""
    hazards = tank_hazards(tables.panel, n, tables.population, tables.pace)
    return _filtered(tables, n, hazards.moves(), emission, tables.node_prior), hazards


def forecast_only(tables: Tables, n: int, mixture: FilteredMixture) -> Floats:
    """P(phase | rock, events and husbandry alone) of tank n, shape (T, K)."""
    weeks, states, _, draws = mixture.emission.shape
    blank, pace_prior = np.ones((weeks, states, 1, draws)), tables.node_prior.sum(axis=1)[:, None]
    return _filtered(tables, n, mixture.moves, blank, pace_prior).phases()


def _filtered(
    tables: Tables, n: int, moves: Floats, emission: Floats, node_prior: Floats
) -> FilteredMixture:
    """Filter tank n from the start that its rock makes likely."""
    population = tables.population
    start = population.start[tables.panel.rock[n]]
    initial = np.repeat(start[:, None], population.n_draws, axis=1)
    return filter_mixture(population.chain, initial, moves, emission, node_prior, tables.log_prior)
