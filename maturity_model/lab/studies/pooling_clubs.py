"""Clubs with a pool to learn from, and further tanks of the same club to be judged by it.

Every tank shifts the log-odds of each sign, and the level of each analyte, by an amount that is
hidden from the model. A club's parameters are one draw from the catalogue's priors, made with other
seeds than the population that ships.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from maturity_model._typing import Ints
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.studies.clubs import WORLDS, World, panel_and_truth
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

#: Chance that a judge names the true phase; share of the pool's tanks that are judged.
ACCURACY, JUDGED_SHARE = 0.8, 0.2
STRONG = next(world for world in WORLDS if world.name == "strong")


@dataclass(frozen=True)
class Club:
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
) -> Club:
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
    return Club(
        number, _judged_only(book, frozenset()), _judged_only(book, some), *panel_and_truth(further)
    )
