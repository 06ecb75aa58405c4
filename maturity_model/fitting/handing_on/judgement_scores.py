"""How well a population tells what judges said: what a pool with judgements chooses by.

What a log shows of the next week cannot tell whether the phases kept their meaning; judgements
can. The judged tanks are filtered as if nobody had judged them, and each judgement is scored
by its probability, given the log up to its week.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.tank_likelihood import CHUNK, filter_tanks
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.tables import fit_to_catalogue, judgement_table
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Evidence weights that are tried.
GRID = (0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
#: Fewer judged tanks, or judgements, choose nothing.
FEWEST_TANKS, FEWEST_JUDGEMENTS = 5, 60


class Told(NamedTuple):
    """Judgements, as a population tells them.

    Attributes
    ----------
    weights : tuple of float
        Evidence weights of the filter.
    by_tank : ndarray, shape (W, N)
        log P(judgement | log up to its week, the judgement before), judgements left out of
        the filter, summed over a tank.
    judgements : int
    """

    weights: tuple[float, ...]
    by_tank: Floats
    judgements: int

    @property
    def score(self) -> Floats:
        """Mean over the judgements, shape (W,)."""
        return np.asarray(self.by_tank.sum(axis=1) / self.judgements)

    @property
    def best(self) -> int:
        """Which of the weights to use.

        That with the highest score, if it beats practice's own weight (where that was tried)
        by more than a standard error.
        """
        top = int(np.argmax(self.score))
        if DEFAULT_EVIDENCE_WEIGHT in self.weights:
            own = self.weights.index(DEFAULT_EVIDENCE_WEIGHT)
            return top if _beyond_error(self.by_tank[top] - self.by_tank[own]) else own
        return top

    def better_than(self, other: Told) -> bool:
        """Whether it beats another, each at its best weight, by more than a standard error.

        The standard error is that of the mean difference between tanks, as in the rule of one
        standard error (Breiman and others 1984, *Classification and Regression Trees*,
        section 3.4.3).
        """
        return _beyond_error(self.by_tank[self.best] - other.by_tank[other.best])


def _beyond_error(gain: Floats) -> bool:
    # Tanks as independent: judges and keepers with many of them make the error larger.
    return bool(gain.sum() > np.sqrt(len(gain)) * gain.std(ddof=1))


def _tank_of_each(panel: Panel) -> Ints:
    # Of each judgement.
    return np.searchsorted(panel.first, panel.judgements.row, side="right") - 1


def judged_tanks(panel: Panel) -> Panel:
    """The tanks of a panel whose phase was judged at least once."""
    return some_tanks(panel, {panel.tanks[n].name for n in _tank_of_each(panel)})


def some_tanks(panel: Panel, names: Collection[str]) -> Panel:
    """The panel of some of its tanks."""
    from maturity_model.panel import build_panel, water_known_from

    book = panel.logbook
    some = replace(
        book,
        tanks={name: tank for name, tank in book.tanks.items() if name in names},
        checkins=tuple(c for c in book.checkins if c.tank in names),
        events=tuple(e for e in book.events if e.tank in names),
        # Asked of the whole log: a keeper's other tanks tell whether water changes are logged.
        water_known_from=water_known_from(book),
    )
    return build_panel(some, panel.catalogue, panel.as_of)


def can_choose(panel: Panel) -> bool:
    """Whether enough was judged, up to the day of the panel, to choose by."""
    tank = _tank_of_each(panel)
    return len(tank) >= FEWEST_JUDGEMENTS and len(set(tank.tolist())) >= FEWEST_TANKS


def score_judgements(
    panel: Panel, population: Population, weights: tuple[float, ...] = GRID
) -> Told:
    """Score a population by the judgements in a log.

    Parameters
    ----------
    panel : Panel
        Of judged tanks (:func:`judged_tanks`).
    population : Population
        At most :data:`.tank_likelihood.CHUNK` of its draws, weighed by a tank's log as in the
        weekly filter. Where the tanks were in its fit, their judgements were too, which
        flatters the score by as much as a few dozen tanks can bend a fit.
    weights : tuple of float

    Raises
    ------
    ValueError
        When nothing was judged.
    """
    if not len(panel.judgements.row):
        raise ValueError("no phase was judged")
    population = fit_to_catalogue(population, panel.catalogue)
    index = np.linspace(0, population.n_draws - 1, min(CHUNK, population.n_draws))
    population = take_draws(population, np.unique(index.round().astype(np.int64)))
    # By state; states of a phase are judged alike.
    table = judgement_table(panel, population, 1.0).mean(axis=2)[:, :: population.n_stages]
    told = table[panel.judgements.code]
    by_tank = []
    for weight in weights:
        phase = np.empty((int(panel.first[-1]), len(population.phases)))
        for n, _, found, _ in filter_tanks(panel, population, weight, judgements=False):
            phase[panel.first[n] : panel.first[n + 1]] = found.phases()
        p = (phase[panel.judgements.row] * told).sum(axis=1)
        by_tank.append(
            np.bincount(_tank_of_each(panel), np.log(np.maximum(p, 1e-12)), len(panel.tanks))
        )
    return Told(tuple(weights), np.array(by_tank), len(told))
