"""Score a population by the phases that judges named.

How well the next week's log is predicted cannot show whether the phases kept their meaning;
judgements can. Judged tanks are filtered without their judgements, and each judgement is
scored by its probability given the log up to its week.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.power_tables import Powers
from maturity_model.fitting.tank_likelihood import CHUNK, filter_tanks
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.tables import fit_to_catalogue, judgement_table
from maturity_model.population.types import Population, thin_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Evidence weights that are tried.
GRID = (0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
#: Fewest judged tanks, and judgements, to choose by.
FEWEST_TANKS, FEWEST_JUDGEMENTS = 5, 60


class JudgementScores(NamedTuple):
    """Log scores of judgements under one population.

    Attributes
    ----------
    weights : tuple of float
        Evidence weights of the filter.
    by_tank : ndarray, shape (W, N)
        log P(judgement | log up to its week, the judgement before), judgements left out of
        the filter, summed over a tank.
    judgements : int
        Number of judgements.
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
        """Index of the weight to use.

        The weight with the highest score, if it beats practice's own weight (where that was
        tried) by more than a standard error.
        """
        top = int(np.argmax(self.score))
        if DEFAULT_EVIDENCE_WEIGHT in self.weights:
            own = self.weights.index(DEFAULT_EVIDENCE_WEIGHT)
            return top if _beyond_error(self.by_tank[top] - self.by_tank[own]) else own
        return top

    @property
    def best_weight(self) -> float:
        """The evidence weight to use."""
        return self.weights[self.best]

    @property
    def best_score(self) -> float:
        """Mean score at the weight to use."""
        return float(self.score[self.best])

    def better_than(self, other: JudgementScores) -> bool:
        """Whether it beats another, each at its best weight, by more than a standard error.

        The standard error is that of the mean difference between tanks, as in the rule of one
        standard error (Breiman and others 1984, *Classification and Regression Trees*,
        section 3.4.3).
        """
        return _beyond_error(self.by_tank[self.best] - other.by_tank[other.best])


def _beyond_error(gain: Floats) -> bool:
    # Tanks count as independent. Judges and keepers with many tanks make the true error larger.
    return bool(gain.sum() > np.sqrt(len(gain)) * gain.std(ddof=1))


def _judged_tank(panel: Panel) -> Ints:
    # Tank of each judgement.
    return np.searchsorted(panel.first, panel.judgements.row, side="right") - 1


def judged_tanks(panel: Panel) -> Panel:
    """The tanks of a panel whose phase was judged at least once."""
    from maturity_model.panel import build_panel, water_known_from

    book, names = panel.logbook, {panel.tanks[n].name for n in _judged_tank(panel)}
    selected = replace(
        book,
        tanks={name: tank for name, tank in book.tanks.items() if name in names},
        checkins=tuple(c for c in book.checkins if c.tank in names),
        events=tuple(e for e in book.events if e.tank in names),
        # From the full log: a keeper's other tanks show whether water changes are logged.
        water_known_from=water_known_from(book),
    )
    return build_panel(selected, panel.catalogue, panel.as_of)


def enough_judgements(panel: Panel) -> bool:
    """Whether enough was judged, up to the day of the panel, to choose by."""
    tank = _judged_tank(panel)
    return len(tank) >= FEWEST_JUDGEMENTS and len(np.unique(tank)) >= FEWEST_TANKS


def score_judgements(
    panel: Panel, population: Population, weights: tuple[float, ...] = GRID
) -> JudgementScores:
    """Score a population by the judgements in a log.

    The panel holds judged tanks (:func:`judged_tanks`), filtered at each evidence weight. At most
    :data:`.tank_likelihood.CHUNK` of the draws are used, weighted by a tank's log as in the weekly
    filter. If the tanks were in the population's fit, so were their judgements, which flatters the
    score by as much as a few dozen tanks can bend a fit.

    Raises
    ------
    ValueError
        When nothing was judged.
    """
    if not len(panel.judgements.row):
        raise ValueError("no phase was judged")
    population = thin_draws(fit_to_catalogue(population, panel.catalogue), CHUNK)
    # P(judgement | phase), averaged over draws; all states of a phase are judged alike.
    by_state = judgement_table(panel, population, 1.0).mean(axis=2)
    likelihood = by_state[panel.judgements.code, :: population.n_stages]
    by_tank = []
    for weight in weights:
        phase = np.empty((int(panel.first[-1]), len(population.phases)))
        for n, _, filtered, _ in filter_tanks(panel, population, Powers(weight, weight, 0.0)):
            phase[panel.first[n] : panel.first[n + 1]] = filtered.phases()
        p = (phase[panel.judgements.row] * likelihood).sum(axis=1)
        log_p = np.log(np.maximum(p, 1e-12))
        by_tank.append(np.bincount(_judged_tank(panel), log_p, len(panel.tanks)))
    return JudgementScores(tuple(weights), np.array(by_tank), len(likelihood))
