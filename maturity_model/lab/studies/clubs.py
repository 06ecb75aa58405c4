"""Clubs of the model's own world whose tanks have ways of their own, and how they are filtered.

Signs and readings of one tank are not independent given its phase: a tank may carry shifts of
its own that the model lacks. Each club's parameters are one draw from the catalogue's priors,
made with other seeds than the population that filters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.logbook import Logbook
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


#: Chance that a judge names the true phase; share of the pool's tanks that are judged.
ACCURACY, JUDGED_SHARE = 0.8, 0.2
STRONG = next(world for world in WORLDS if world.name == "strong")


@dataclass(frozen=True)
class PooledClub:
    """One club: its pool without judgements, and with every check-in of a fifth of it judged.

    ``held_out`` are further tanks, never judged, and ``truth`` their true phases, shape (R,).
    """

    number: int
    unjudged: Panel
    judged: Panel
    held_out: Panel
    truth: Ints


def _judged_only(book: Logbook, tanks: frozenset[str]) -> Panel:
    checkins = (c if c.tank in tanks else replace(c, judged_phase=None) for c in book.checkins)
    return build_panel(replace(book, checkins=tuple(checkins)), book.catalogue)


def club_parameters(seed: int, number: int) -> Population:
    """The parameters of a club, as a population of one draw."""
    truth = elicit_population(
        load_catalogue(), 1.0, n_draws=1, seed=seed * 1000 + number + 1, name="known"
    )
    return replace(truth, judge_accuracy=np.full(1, ACCURACY))


def make_club(
    seed: int, number: int, pool: int, held_out: int, weeks: int, world: World = STRONG
) -> PooledClub:
    """Simulate a club; those of different numbers have different parameters, tanks and logs.

    ``pool`` tanks to learn from, ``held_out`` ones to be scored; ``world`` says how far they shift.
    """
    catalogue, truth = load_catalogue(), club_parameters(seed, number)
    rng = np.random.default_rng([seed, number])
    habits = Habits(
        weeks=weeks,
        judged=1.0,
        sign_effect_sd=world.sign_effect_sd,
        reading_effect_sd=world.reading_effect_sd,
    )
    book = simulate_logbook(truth, catalogue, pool, rng, habits, one_draw=True).logbook
    more = replace(habits, judged=0.0)
    further = simulate_logbook(truth, catalogue, held_out, rng, more, one_draw=True)
    some = frozenset(list(book.tanks)[: round(JUDGED_SHARE * pool)])
    return PooledClub(
        number, _judged_only(book, frozenset()), _judged_only(book, some), *panel_and_truth(further)
    )
