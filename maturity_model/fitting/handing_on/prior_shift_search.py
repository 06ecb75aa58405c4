"""A population tuned by judgements: shifted until the weekly filter tells what judges said.

A pooled fit explains the logs; where tanks have ways that the model lacks, what explains the
logs best need not tell the phase best. Here the parameters of practice are shifted, all draws
alike, so that each judgement becomes more probable given the log up to its week, judgements
themselves left out. What is maximised is the score of the judgements less half the squared
length of the shift in prior standard deviations (:mod:`.prior_shifts`), which
holds it near practice.
(Training by the conditional probability of labels, with a prior that ties it to the
generative model: Lasserre, Bishop and Minka 2006, *CVPR*; a posterior from a loss: Bissiri,
Holmes and Walker 2016, *JRSS B*; both from memory.)

Judgements of one tank are not independent: together they count as :data:`COUNT` at most.
Whether the shift is used is told by keepers left out, and with fewer than :data:`FEWEST`
judged tanks it is not. Judges have ways of their own too (they are late), which keepers left out
share: in two simulated ecologies pools of 30 to 100 judged tanks lost up to 0.03 nats a
tank-week when a tank's judgements counted as 12, against true phases; counting as 3, pools of 60
gained -0.014 to +0.023, and those of 100 gained +0.001 to +0.024
(reports/validation/also_tried.md).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.handing_on.judgement_scores import Told, score_judgements, some_tanks
from maturity_model.fitting.handing_on.label_score import label_score
from maturity_model.fitting.handing_on.prior_shifts import Shifts, catalogue_shifts
from maturity_model.fitting.handing_on.table_gradient import MoveSlopes, TableSlopes
from maturity_model.hmm.mixture import filter_each
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.tables import fit_to_catalogue, judgement_table, tank_hazards
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel


#: Judgements of one tank count as so many at most.
COUNT = 3.0
#: Judged tanks below which nothing is shifted.
FEWEST = 100
#: Draws and nodes while tuning; steps of the optimiser; groups of keepers that are left out.
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
    """The judgements of each tank.

    Parameters
    ----------
    panel : Panel
    population : Population
        What judges do is its mean.
    most : float
        They count as so many at most.
    """
    table = judgement_table(panel, population, 1.0).mean(axis=2)[:, :: population.n_stages]
    seen = panel.judgements
    out = []
    for n in range(len(panel.tanks)):
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        here = (seen.row >= first) & (seen.row < last)
        count = int(here.sum())
        out.append(
            Labels(
                seen.row[here] - first,
                table[seen.code[here]],
                min(most / count, 1.0) if count else 0.0,
            )
        )
    return out


class Task:
    """The score of labels as a function of a shift.

    Parameters
    ----------
    panel : Panel
    population : Population
        Which is shifted; evenly thinned to :data:`DRAWS` draws.
    labels : sequence of Labels
        By tank of the panel.
    shifts : Shifts
    draws : int
    """

    def __init__(
        self,
        panel: Panel,
        population: Population,
        labels: list[Labels],
        shifts: Shifts,
        draws: int = DRAWS,
    ):
        population = fit_to_catalogue(population, panel.catalogue)
        index = np.linspace(0, population.n_draws - 1, min(draws, population.n_draws))
        self.panel, self.labels, self.shifts = panel, labels, shifts
        self.population = take_draws(population, np.unique(index.round().astype(np.int64)))
        self.tanks = [n for n, label in enumerate(labels) if len(label.week)]

    def __call__(self, vector: Floats) -> tuple[float, Floats]:
        """Weighted score of the labels, and its slopes on the vector."""
        population = self.shifts.of(self.population, vector)
        pace, pace_weight = normal_nodes(NODES[0])
        skill, skill_weight = normal_nodes(NODES[1])
        prior = np.outer(pace_weight, skill_weight)
        tables = TableSlopes(self.panel, population, skill, population.evidence_weight)
        score, moved = 0.0, MoveSlopes(population)
        for n in self.tanks:
            label = self.labels[n]
            hazards = tank_hazards(self.panel, n, population, pace)
            start = population.start[self.panel.rock[n]]
            found = filter_each(
                population.chain,
                np.repeat(start[:, None], population.n_draws, axis=1),
                hazards.moves(),
                tables.emission(n),
                prior,
            )
            told = label_score(found, label.week, label.likelihood)
            score += label.weight * told.score
            tables.add(n, label.weight * told.emission)
            moved.add(self.panel, n, hazards, pace, label.weight * told.moves)
        return score, self.shifts.join(tables.slopes() | moved.slopes())


def tune(
    panel: Panel,
    population: Population,
    labels: list[Labels],
    *,
    start: Floats | None = None,
    steps: int = STEPS,
    draws: int = DRAWS,
    say: Callable[[str], None] = lambda _: None,
) -> Floats:
    """Find the shift under which a population tells labels best, priors counted.

    Parameters
    ----------
    panel : Panel
    population : Population
        Usually practice; its signs in the catalogue's order.
    labels : list of Labels
        By tank.
    start : ndarray, optional
        Where to begin. Default: no shift.
    steps : int
        Of the optimiser (L-BFGS; Liu and Nocedal 1989).
    draws : int
        Draws that are used meanwhile.
    say : callable
        Told the score at each step.

    Returns
    -------
    ndarray
        In prior standard deviations, for :func:`.prior_shifts.catalogue_shifts`.

    Raises
    ------
    ValueError
        When nothing was judged, or the evidence weight is 0: then nothing tells.
    """
    # Imported here: only a fit has SciPy.
    from scipy.optimize import minimize

    if not any(len(label.week) for label in labels):
        raise ValueError("no phase was judged")
    if not population.evidence_weight > 0:
        raise ValueError("at an evidence weight of 0 no shift tells more")
    shifts = catalogue_shifts(priors_from_catalogue(panel.catalogue))
    task = Task(panel, population, labels, shifts, draws)

    def cost(vector: Floats) -> tuple[float, Floats]:
        score, slopes = task(vector)
        say(f"score {score:.3f}, shift {np.sqrt((vector**2).sum()):.2f}")
        return 0.5 * float((vector**2).sum()) - score, vector - slopes

    begin = np.zeros(shifts.size) if start is None else start
    found = minimize(cost, begin, jac=True, method="L-BFGS-B", options={"maxiter": steps})
    return np.asarray(found.x, dtype=float)


class Tuned(NamedTuple):
    """A population tuned by the judgements of a pool.

    Attributes
    ----------
    population : Population
        Tuned by all of them.
    vector : ndarray
        Its shift, in prior standard deviations.
    left_out : Told
        Each keeper's tanks told by a population tuned without them.
    """

    population: Population
    vector: Floats
    left_out: Told

    def provenance(self) -> dict[str, str]:
        """What the population's file says of it."""
        moved = np.abs(self.vector)
        return {
            "tuned_score": f"{self.left_out.score[0]:.4f}",
            "tuned_count": f"{COUNT:g}",
            "tuned_length": f"{np.sqrt((moved**2).sum()):.2f}",
            "tuned_farthest": f"{moved.max():.2f}",
        }


def _groups(panel: Panel) -> list[list[int]]:
    # Tanks by group of keepers; keepers with most tanks first, each to the smallest group.
    tanks: dict[str, list[int]] = {}
    for n, tank in enumerate(panel.tanks):
        tanks.setdefault(tank.keeper or f"\0{tank.name}", []).append(n)
    groups: list[list[int]] = [[] for _ in range(min(FOLDS, len(tanks)))]
    for own in sorted(tanks.values(), key=len, reverse=True):
        min(groups, key=len).extend(own)
    return groups


def tune_by_judgements(
    panel: Panel, population: Population, say: Callable[[str], None] = lambda _: None
) -> Tuned:
    """Tune a population, and tell by keepers left out what that is worth.

    Parameters
    ----------
    panel : Panel
        Of judged tanks (:func:`.judgement_scores.judged_tanks`), of at least two keepers.
    population : Population
        Usually practice, at the evidence weight it is used with.
    say : callable
        Told about progress.

    Returns
    -------
    Tuned

    Raises
    ------
    ValueError
        When nothing was judged, or all by one keeper, or the evidence weight is 0.
    """
    population = fit_to_catalogue(population, panel.catalogue)
    weight, names = (population.evidence_weight,), [tank.name for tank in panel.tanks]
    shifts = catalogue_shifts(priors_from_catalogue(panel.catalogue))
    groups = _groups(panel)
    if len(groups) < 2:
        raise ValueError("all judged tanks are one keeper's")

    def tuned(tanks: Panel) -> Floats:
        return tune(tanks, population, judged_labels(tanks, population))

    by_tank = np.zeros((1, len(names)))
    for i, group in enumerate(groups):
        say(f"tuning without {len(group)} of {len(names)} judged tanks ({i + 1}/{len(groups)})")
        out = {names[n] for n in group}
        there = some_tanks(panel, out)
        place = [names.index(tank.name) for tank in there.tanks]
        vector = tuned(some_tanks(panel, set(names) - out))
        told = score_judgements(there, shifts.of(population, vector), weight)
        by_tank[0, place] = told.by_tank[0]
    vector = tuned(panel)
    told = Told(weight, by_tank, len(panel.judgements.row))
    return Tuned(shifts.of(population, vector), vector, told)
