"""Clubs with a pool to learn from, and further tanks of the same club to be judged by it.

Every tank shifts the log-odds of each sign, and the level of each analyte, by an amount of
its own that the model is not told about. A club's parameters are one draw from the
catalogue's priors, made with other seeds than the population that ships.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from maturity_model._typing import Ints
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

#: Chance that a judge names the true phase; share of the pool's tanks that are judged.
ACCURACY, JUDGED_SHARE = 0.8, 0.2


@dataclass(frozen=True)
class Setting:
    """Sizes of a study.

    Attributes
    ----------
    pool, held_out : int
        Tanks to learn from, and to be scored.
    weeks : int
    sign_effect_sd, reading_effect_sd : float
        Spread of tanks' own shifts; by default those of the strong world of
        :mod:`.evidence_weight`.
    seed : int
    draws, tune, chains : int
        Of each fit.
    """

    pool: int = 150
    held_out: int = 200
    weeks: int = 60
    sign_effect_sd: float = 1.2
    reading_effect_sd: float = 0.7
    seed: int = 61
    draws: int = 250
    tune: int = 300
    chains: int = 2


@dataclass(frozen=True)
class Club:
    """One club.

    Attributes
    ----------
    number : int
    unjudged, judged : Panel
        The pool, without judgements, and with every check-in of a fifth of the tanks judged.
    held_out : Panel
        Further tanks, never judged.
    truth : int ndarray, shape (R,)
        True phase in each tank-week of ``held_out``.
    """

    number: int
    unjudged: Panel
    judged: Panel
    held_out: Panel
    truth: Ints


def _with_judgements(book: Logbook, tanks: frozenset[str]) -> Logbook:
    kept = (c if c.tank in tanks else replace(c, judged_phase=None) for c in book.checkins)
    return replace(book, checkins=tuple(kept))


def _scored(simulated: Simulated, catalogue: Catalogue) -> tuple[Panel, Ints]:
    panel = build_panel(simulated.logbook, catalogue)
    # The last check-in may lie before the last simulated week.
    weeks = np.diff(panel.first)
    truth = [phase[:n] for phase, n in zip(simulated.phases, weeks, strict=True)]
    return panel, np.concatenate(truth)


def club_parameters(setting: Setting, number: int) -> Population:
    """The parameters of a club, as a population of one draw."""
    seed = setting.seed * 1000 + number + 1
    truth = elicit_population(load_catalogue(), 1.0, n_draws=1, seed=seed, name="known")
    return replace(truth, judge_accuracy=np.full(1, ACCURACY))


def make_club(setting: Setting, number: int) -> Club:
    """Simulate a club.

    Parameters
    ----------
    setting : Setting
    number : int
        Clubs of different numbers have different parameters, tanks and logs.

    Returns
    -------
    Club
    """
    catalogue = load_catalogue()
    truth = club_parameters(setting, number)
    rng = np.random.default_rng([setting.seed, number])
    habits = Habits(
        weeks=setting.weeks,
        judged=1.0,
        sign_effect_sd=setting.sign_effect_sd,
        reading_effect_sd=setting.reading_effect_sd,
    )
    pool = simulate_logbook(truth, catalogue, setting.pool, rng, habits, one_draw=True).logbook
    more = replace(habits, judged=0.0)
    held_out = simulate_logbook(truth, catalogue, setting.held_out, rng, more, one_draw=True)
    some = frozenset(list(pool.tanks)[: round(JUDGED_SHARE * setting.pool)])
    panel, phases = _scored(held_out, catalogue)
    return Club(
        number,
        build_panel(_with_judgements(pool, frozenset()), catalogue),
        build_panel(_with_judgements(pool, some), catalogue),
        panel,
        phases,
    )
