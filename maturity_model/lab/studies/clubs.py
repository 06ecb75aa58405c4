"""Clubs of the model's own world whose tanks have ways of their own, and how they are filtered.

Signs and readings of one tank are not independent given its phase: a tank may carry shifts of
its own that the model lacks. Each club's parameters are one draw from the catalogue's priors,
made with other seeds than the population that filters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population


@dataclass(frozen=True)
class World:
    """Tanks' own shifts: of each sign's log-odds, of each analyte's log level (sd)."""

    name: str
    sign_effect_sd: float
    reading_effect_sd: float


WORLDS = (
    World("none", 0.0, 0.0),
    World("moderate", 0.7, 0.4),
    World("strong", 1.2, 0.7),
    World("very strong", 1.8, 1.0),
)


def simulate_world(
    world: World, n_tanks: int, weeks: int, seed: int, clubs: int
) -> list[Simulated]:
    """Clubs of one world, each with its own draw of the parameters; ``n_tanks`` in all."""
    catalogue = load_catalogue()
    habits = Habits(
        weeks=weeks,
        sign_effect_sd=world.sign_effect_sd,
        reading_effect_sd=world.reading_effect_sd,
    )
    out = []
    for club in range(clubs):
        rng = np.random.default_rng([seed, club])
        truth = elicit_population(catalogue, 1.0, n_draws=64, seed=seed * 1000 + club + 1)
        out.append(simulate_logbook(truth, catalogue, n_tanks // clubs, rng, habits, one_draw=True))
    return out


def panel_and_truth(simulated: Simulated) -> tuple[Panel, Ints]:
    """A club's log on the weekly grid, and the true phase of each of its R tank-weeks."""
    panel = build_panel(simulated.logbook, simulated.logbook.catalogue)
    # The last check-in may lie before the last simulated week.
    weeks = np.diff(panel.first)
    truth = [phase[:n] for phase, n in zip(simulated.phases, weeks, strict=True)]
    return panel, np.concatenate(truth)


def filtered_phases(panel: Panel, population: Population, weight: float) -> Floats:
    """P(phase | log up to each week) of all tanks, shape (R, K), at an evidence weight."""
    tables = make_tables(panel, population, weight)
    return np.concatenate([filter_tank(tables, n)[0].phases() for n in range(len(panel.tanks))])
