"""What the weekly path gets of a fit: what from the pool, what from practice, and which weight.

A fit bends what signs show, what kits read and how tanks move until they suit a pool whose
tanks have ways that the model lacks. Only judgements can tell whether the phases kept their
meaning, so with enough of them they choose, and the pool's own must beat practice by more
than a standard error. Without them all three stay practice's: in clubs run by the model the
pool's signs gain a little, in an ecology that the model does not know they cost more
(reports/pooling, reports/validation). What was learned is in the file of all draws in any
case, and in the report.

Judgements can also shift practice's numbers by themselves, whatever the fit found
(:mod:`.prior_shift_search`); that is used where keepers left out are then told better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from maturity_model.fitting.handing_on import prior_shift_search
from maturity_model.fitting.handing_on.choose_weight import choose_weight
from maturity_model.fitting.handing_on.judgement_scores import (
    GRID,
    Told,
    can_choose,
    judged_tanks,
    score_judgements,
)
from maturity_model.fitting.handing_on.prior_shift_search import Tuned, tune_by_judgements
from maturity_model.population.constants import DEFAULT_DRAWS, DEFAULT_SEED, FIT_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.panel import Panel

#: How tanks move.
MOVES = (
    "log_advance",
    "log_setback",
    "log_collapse",
    "husbandry",
    "event_advance",
    "event_setback",
    "event_collapse",
    "event_memory",
    "pace_sd",
)
#: What kits read; how often signs are seen, and by whom.
READINGS = ("reading_mean", "reading_sd", "carry", "outlier")
SIGNS = ("sign_logit", "persistence", "look_effect", "skill_sd")

Source = Literal["auto", "practice", "learned"]
#: What the file says of a part that was practice's and was shifted by judgements.
TUNED = "tuned"


class Taken(NamedTuple):
    """Where the parts of a population come from: ``practice``, ``learned`` or ``tuned``."""

    signs: str = "practice"
    moves: str = "practice"
    readings: str = "practice"

    def of(self, population: Population, catalogue: Catalogue) -> Population:
        """Put parts of a population back to practice.

        Each draw gets a draw of them from the catalogue's priors, independent of the rest: those
        of the default population, evenly thinned or repeated. With all of it put back, nothing
        but the judges is the pool's.
        """
        names = [
            name
            for source, part in zip(self, (SIGNS, MOVES, READINGS), strict=True)
            if source == "practice"
            for name in part
        ]
        if not names:
            return population
        n = population.n_draws
        drawn = elicit_population(catalogue, 1.0, DEFAULT_DRAWS, DEFAULT_SEED)
        index = np.linspace(0, drawn.n_draws - 1, n).round().astype(np.int64)
        drawn = take_draws(drawn, index)
        back: dict[str, Any] = {name: np.array(getattr(drawn, name)) for name in names}
        return replace(population, **back, sha256="")

    def __str__(self) -> str:
        """For the file's provenance."""
        return ", ".join(f"{part} {source}" for part, source in self._asdict().items())


#: Nothing of the pool: what is used where nothing tells.
PRACTICE = Taken()


def with_practice_moves(population: Population, catalogue: Catalogue, seed: int = 1) -> Population:
    """The same population, but tanks move as practice says.

    Tanks whose signs are shifted for good look as if they moved less than they do. What
    phases show may then be learned from a pool, and how tanks move be left alone.
    """
    drawn = elicit_population(catalogue, 1.0, population.n_draws, seed)
    moves: dict[str, Any] = {name: np.array(getattr(drawn, name)) for name in MOVES}
    return replace(population, **moves, sha256="")


def _ways(signs: Source, moves: Source, readings: Source) -> list[Taken]:
    # What may be taken. With the signs of practice, all is practice's unless asked otherwise.
    each = [("practice", "learned") if x == "auto" else (x,) for x in (signs, moves, readings)]
    ways = [Taken(*way) for way in product(*each)]
    if signs == "auto":
        least = Taken("practice", *(x[0] for x in each[1:]))
        ways = [w for w in ways if w.signs == "learned" or w == least]
    return ways


def _told_by_judgements(
    population: Population, panel: Panel, ways: list[Taken], weights: tuple[float, ...]
) -> tuple[Taken, Told, dict[str, str]]:
    # What to take, how it tells the judgements, and what the file says of it.
    tanks, catalogue = judged_tanks(panel), panel.catalogue
    told: dict[Taken, Told] = {
        way: score_judgements(tanks, way.of(population, catalogue), weights) for way in ways
    }
    first, *others = ways
    best = max(others, key=lambda way: float(told[way].score[told[way].best]), default=first)
    if not told[best].better_than(told[first]):
        best = first
    practice = told.get(PRACTICE) or score_judgements(
        tanks, PRACTICE.of(population, catalogue), (FIT_WEIGHT,)
    )
    scores = "; ".join(
        f"{way}: {t.score[t.best]:.4f} at {t.weights[t.best]:g}" for way, t in told.items()
    )
    said = {
        "chosen_by": f"{practice.judgements} judgements of {len(tanks.tanks)} tanks",
        "judged_score": scores,
        "judged_score_of_practice": f"{practice.score[practice.best]:.4f}",
    }
    return best, told[best], said


def _tuned(
    population: Population, panel: Panel, told: Told, say: Callable[[str], None]
) -> Tuned | None:
    # Practice tuned by the judgements, where keepers left out are then told better.
    tanks = judged_tanks(panel)
    keepers = {tank.keeper or tank.name for tank in tanks.tanks}
    few = len(tanks.tanks) < prior_shift_search.FEWEST or len(keepers) < 2
    if few or population.evidence_weight == 0:
        return None
    found = tune_by_judgements(tanks, PRACTICE.of(population, panel.catalogue), say)
    return found if found.left_out.better_than(told) else None


def hand_on(
    population: Population,
    panel: Panel,
    *,
    choose: bool,
    signs: Source = "auto",
    moves: Source = "auto",
    readings: Source = "auto",
    say: Callable[[str], None] = lambda _: None,
) -> Population:
    """What the weekly path gets of a fit.

    Parameters
    ----------
    population : Population
        As fitted.
    panel : Panel
        What was fitted.
    choose : bool
        Whether the evidence weight is chosen: by the judgements, where there are enough;
        otherwise by how far tanks shift their signs (:func:`.choose_weight.choose_weight`),
        and then no more than practice's own. Otherwise it stays that of the fit.
    signs, moves, readings : {'auto', 'practice', 'learned'}
        Where how often signs are seen, how tanks move, and what kits read come from.
        ``auto``: from the pool where it then tells the judgements better than practice, by
        more than a standard error (:func:`.judgement_scores.score_judgements`); otherwise, and
        where too little was judged, from practice. With ``auto`` for all three, and at least
        :data:`.prior_shift_search.FEWEST` judged tanks, practice tuned by the judgements
        (:func:`.prior_shift_search.tune_by_judgements`) is tried too; it must tell keepers left
        out better than the best of the others tells all of them, by more than a standard error.
    say : callable
        Told about progress.

    Returns
    -------
    Population
        Its provenance tells what was done.
    """
    weight = population.evidence_weight
    said = {"fit_evidence_weight": f"{weight:g}"}
    ways = _ways(signs, moves, readings)
    if (choose or len(ways) > 1) and can_choose(panel):
        weights = GRID if choose else (weight,)
        taken, told, more = _told_by_judgements(population, panel, ways, weights)
        weight = told.weights[told.best]
        if choose:
            more["evidence_weight_chosen_by"] = more["chosen_by"]
        used = taken.of(population, panel.catalogue)
        if signs == moves == readings == "auto":
            own = FIT_WEIGHT if choose else population.evidence_weight
            better = _tuned(replace(population, evidence_weight=own), panel, told, say)
            if better is not None:
                used, weight = better.population, better.population.evidence_weight
                # Nobody chose it: practice is shifted at its own.
                more.pop("evidence_weight_chosen_by", None)
                more |= better.provenance()
                taken = Taken(*(TUNED,) * 3)
    else:
        taken = Taken(*("practice" if x == "auto" else x for x in (signs, moves, readings)))
        used, more = taken.of(population, panel.catalogue), {}
        if choose:
            choice = choose_weight(panel, used)
            weight, more = min(choice.weight, FIT_WEIGHT), choice.provenance()
    said |= more | taken._asdict() | {"weekly_evidence_weight": f"{weight:g}"}
    return replace(used, evidence_weight=weight, provenance={**used.provenance, **said})
