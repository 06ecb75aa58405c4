"""Each tank of a panel under every draw of a population, pace and skill integrated out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import filter_emission
from maturity_model.fitting.power_tables import Powers, power_tables
from maturity_model.fitting.tank_sign_effects import marginal_log_likelihood
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Quadrature nodes for pace and skill: more than the weekly path has time for.
NODES = (9, 5)
#: Draws filtered at a time, which bounds the memory.
CHUNK = 64


def filter_tanks(
    panel: Panel, population: Population, powers: Powers
) -> Iterator[tuple[int, slice, FilteredMixture, float]]:
    """Filter all tanks at evidence weights, :data:`CHUNK` draws at a time.

    The population's signs stand in the catalogue's order.

    Yields
    ------
    n : int
        Tank.
    draws : slice
    filtered : FilteredMixture
    log_scale : float
        To be added to its log-likelihood.
    """
    for first in range(0, population.n_draws, CHUNK):
        draws = slice(first, min(first + CHUNK, population.n_draws))
        part = take_draws(population, np.arange(draws.start, draws.stop))
        tables = power_tables(panel, part, powers, NODES)
        for n in range(len(panel.tanks)):
            emission, log_scale = tables.scaled_emission(n)
            filtered, _ = filter_emission(tables, n, emission)
            yield n, draws, filtered, float(log_scale.sum())


def tank_log_likelihood(panel: Panel, population: Population, power: float | Powers) -> Floats:
    """Log-likelihood of each tank by draw, (N, D), as of a new tank of a new keeper.

    At an evidence weight; 1 is the plain likelihood. With ``sign_tank_sd``, tank-level sign
    effects are integrated out too.
    """
    if population.sign_tank_sd is not None:
        return marginal_log_likelihood(panel, population, Powers.of(power))
    out = np.empty((len(panel.tanks), population.n_draws))
    for n, draws, filtered, log_scale in filter_tanks(panel, population, Powers.of(power)):
        out[n, draws] = filtered.log_likelihood[-1] + log_scale
    return out


def smoothed_without_judgements(panel: Panel, population: Population, power: float) -> Floats:
    """P(phase | signs, readings, events of the tank) by tank-week, shape (R, K).

    Averaged over draws of equal weight.
    """
    out = np.zeros((int(panel.first[-1]), len(population.phases)))
    for n, _, filtered, _ in filter_tanks(panel, population, Powers(power, power, 0.0)):
        states, _ = filtered.smooth()
        share = filtered.chain.by_phase(states.sum(axis=2)) / population.n_draws
        out[panel.first[n] : panel.first[n + 1]] += share
    return out
