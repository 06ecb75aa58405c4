"""Practice shifted by judgements, until the weekly filter predicts what judges said.

A pooled fit explains the logs. Where tanks have ways that the model lacks, the parameters that
explain the logs best need not find the phase best. Here practice's parameters are shifted, all
draws alike, so that each judgement becomes more probable given the log up to its week,
judgements themselves left out. The objective is the score of the judgements less half the
squared length of the shift in prior standard deviations (:mod:`.prior_shifts`), which keeps it
near practice. (Training by the conditional probability of labels, with a prior that ties it to
the generative model: Lasserre, Bishop and Minka 2006, *CVPR*; a posterior from a loss: Bissiri,
Holmes and Walker 2016, *JRSS B*; both from memory.)

Judgements of one tank are not independent: together they count as :data:`COUNT` at most.
Cross-validation over keepers decides whether the shift is used, and with fewer than
:data:`FEWEST` judged tanks it is not. Judges have biases too (they are late), which
cross-validation cannot see: in two simulated ecologies pools of 30 to 100 judged tanks lost up
to 0.03 nats a tank-week when a tank's judgements counted as 12, against true phases; counting
as 3, pools of 60 gained -0.014 to +0.023, and those of 100 gained +0.001 to +0.024
(reports/validation/also_tried.md).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import filter_tank
from maturity_model.fitting.handing_on.judgement_scores import (
    JudgementScores,
    phase_likelihoods,
    score_judgements,
    select_tanks,
)
from maturity_model.fitting.handing_on.label_score import label_score
from maturity_model.fitting.handing_on.prior_shifts import Shifts, catalogue_shifts
from maturity_model.fitting.handing_on.table_gradient import MoveGradient, ObservationGradient
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import Population, thin_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Most judgements that one tank counts as.
COUNT = 3.0
#: Fewest judged tanks for a shift.
FEWEST = 100
#: Draws and nodes while shifting; steps of the optimiser; folds of the cross-validation.
DRAWS, NODES, STEPS, FOLDS = 32, (3, 3), 25, 5


class Labels(NamedTuple):
    """Labels of one tank.

    Attributes
    ----------
    week : int ndarray, shape (L,)
        From the tank's start, not descending.
    likelihood : ndarray, shape (L, K)
        P(label | phase).
    weight : float
        How much each of them counts.
    """

    week: Ints
    likelihood: Floats
    weight: float


def judged_labels(panel: Panel, population: Population, most: float = COUNT) -> list[Labels]:
    """The judgements of each tank, which together count as ``most`` at most.

    Error rates of judges are averaged over the population's draws.
    """
    likelihood, judgements = phase_likelihoods(panel, population), panel.judgements
    labels = []
    for n in range(len(panel.tanks)):
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        week = judgements.row - first
        inside = (week >= 0) & (week < last - first)
        weight = min(most / max(int(inside.sum()), 1), 1.0)
        labels.append(Labels(week[inside], likelihood[judgements.code[inside]], weight))
    return labels


class ShiftScore:
    """The score of each tank's labels as a function of a shift of the population.

    At most ``draws`` of the population's draws are used.
    """

    def __init__(
        self,
        panel: Panel,
        population: Population,
        labels: list[Labels],
        shifts: Shifts,
        draws: int = DRAWS,
    ):
        self.panel, self.labels, self.shifts = panel, labels, shifts
        self.population = thin_draws(fit_to_catalogue(population, panel.catalogue), draws)

    def __call__(self, vector: Floats) -> tuple[float, Floats]:
        """Weighted score of the labels, and its gradient on the vector."""
        population = self.shifts.apply(self.population, vector)
        power = population.evidence_weight
        observing = ObservationGradient(self.panel, population, NODES, power)
        moving, tables, score = MoveGradient(population), observing.tables, 0.0
        for n, label in enumerate(self.labels):
            if not len(label.week):
                continue
            filtered, hazards = filter_tank(tables, n)
            scored = label_score(filtered, label.week, label.likelihood)
            score += label.weight * scored.score
            observing.add(n, label.weight * scored.emission)
            moving.add(self.panel, n, hazards, tables.pace, label.weight * scored.moves)
        return score, self.shifts.gradient(observing.by_parameter() | moving.by_parameter())


def optimise_shift(
    panel: Panel,
    population: Population,
    labels: list[Labels],
    draws: int = DRAWS,
) -> Floats:
    """Find the shift with the highest penalised score of each tank's labels (L-BFGS).

    The shift of a population, usually practice, its signs in the catalogue's order, is in prior
    standard deviations, for :func:`.prior_shifts.catalogue_shifts`.

    Raises
    ------
    ValueError
        When there are no labels, or the evidence weight is 0, so that no shift matters.
    """
    # Imported here: only the extra `fit` brings SciPy.
    from scipy.optimize import minimize

    if not any(len(label.week) for label in labels):
        raise ValueError("no phase was judged")
    if not population.evidence_weight > 0:
        raise ValueError("at an evidence weight of 0 no shift matters")
    shifts = catalogue_shifts(priors_from_catalogue(panel.catalogue))
    score_of = ShiftScore(panel, population, labels, shifts, draws)

    def cost(vector: Floats) -> tuple[float, Floats]:
        score, gradient = score_of(vector)
        return 0.5 * float((vector**2).sum()) - score, vector - gradient

    begin = np.zeros(shifts.size)
    best = minimize(cost, begin, jac=True, method="L-BFGS-B", options={"maxiter": STEPS})
    return np.asarray(best.x, dtype=float)


class ShiftedPractice(NamedTuple):
    """A population shifted by all judgements of a pool.

    Attributes
    ----------
    vector : ndarray
        The shift, in prior standard deviations.
    held_out : JudgementScores
        Of each keeper's tanks, under a population shifted without them.
    """

    population: Population
    vector: Floats
    held_out: JudgementScores

    def provenance(self) -> dict[str, str]:
        """Entries for the population's file."""
        distance = np.abs(self.vector)
        return {
            "tuned_score": f"{self.held_out.score[0]:.4f}",
            "tuned_count": f"{COUNT:g}",
            "tuned_length": f"{np.sqrt((distance**2).sum()):.2f}",
            "tuned_farthest": f"{distance.max():.2f}",
        }


def _folds(panel: Panel) -> list[list[str]]:
    # Names of tanks. Keepers stay whole: those with most tanks first, each to the smallest fold.
    tanks: dict[str, list[str]] = {}
    for tank in panel.tanks:
        tanks.setdefault(tank.keeper or f"\0{tank.name}", []).append(tank.name)
    folds: list[list[str]] = [[] for _ in range(min(FOLDS, len(tanks)))]
    for names in sorted(tanks.values(), key=len, reverse=True):
        min(folds, key=len).extend(names)
    return folds


def shift_by_judgements(
    panel: Panel, population: Population, say: Callable[[str], None] = lambda _: None
) -> ShiftedPractice:
    """Shift a population, and cross-validate the shift over keepers.

    The panel holds judged tanks (:func:`.judgement_scores.judged_tanks`) of at least two keepers;
    the population is usually practice, at the evidence weight it is used with. ``say`` is called
    with one line of text per fold.

    Raises
    ------
    ValueError
        When nothing was judged, or all by one keeper, or the evidence weight is 0.
    """
    population = fit_to_catalogue(population, panel.catalogue)
    weights, names = (population.evidence_weight,), [tank.name for tank in panel.tanks]
    shifts = catalogue_shifts(priors_from_catalogue(panel.catalogue))
    folds = _folds(panel)
    if len(folds) < 2:
        raise ValueError("all judged tanks are one keeper's")

    def optimised(tanks: Panel) -> Floats:
        return optimise_shift(tanks, population, judged_labels(tanks, population))

    by_tank = np.zeros((1, len(names)))
    for i, fold in enumerate(folds):
        say(f"tuning without {len(fold)} of {len(names)} judged tanks ({i + 1}/{len(folds)})")
        held_out = select_tanks(panel, set(fold))
        vector = optimised(select_tanks(panel, set(names) - set(fold)))
        scores = score_judgements(held_out, shifts.apply(population, vector), weights)
        by_tank[0, [names.index(tank.name) for tank in held_out.tanks]] = scores.by_tank[0]
    vector = optimised(panel)
    scores = JudgementScores(weights, by_tank, len(panel.judgements.row))
    return ShiftedPractice(shifts.apply(population, vector), vector, scores)
