"""Decide what the weekly command gets of a fit: practice or pool, and which evidence weight.

A fit bends what signs show, what kits read and how tanks move until they suit a pool whose
tanks have ways that the model lacks. Only judgements can show whether the phases kept their
meaning, so with enough of them they choose, and the pool's numbers must beat practice's by more
than a standard error. Without them all three stay practice's: in clubs simulated by the model
the pool's signs gain a little, in an ecology that the model does not know they cost more
(reports/pooling, reports/validation). What was learned is in the file of all draws in any
case, and in the report.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from maturity_model.fitting.handing_on.choose_weight import one_step_ahead
from maturity_model.fitting.handing_on.judgement_scores import (
    GRID,
    JudgementScores,
    enough_judgements,
    judged_tanks,
    score_judgements,
)
from maturity_model.population.constants import DEFAULT_DRAWS, DEFAULT_SEED, FIT_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.panel import Panel

#: Parameters of how often signs are seen, and by whom; of how tanks move; of what kits read.
SIGNS = ("sign_logit", "persistence", "look_effect", "skill_sd")
MOVES = (
    "log_advance", "log_setback", "log_collapse", "husbandry", "event_advance", "event_setback",
    "event_collapse", "event_memory", "pace_sd",
)  # fmt: skip
READINGS = ("reading_mean", "reading_sd", "carry", "outlier")

#: How the source of a part may be asked for.
Source = Literal["auto", "practice", "learned"]


class Sources(NamedTuple):
    """Where the parts of a population come from: ``practice`` or ``learned``."""

    signs: str = "practice"
    moves: str = "practice"
    readings: str = "practice"

    def apply(self, population: Population, catalogue: Catalogue) -> Population:
        """Replace parts of a fitted population by practice's.

        Each draw gets a draw of them from the catalogue's priors, independent of the rest: those
        of the default population, evenly thinned or repeated. If all parts are practice's, only
        the error rates of judges are the pool's.
        """
        parts = zip(self, (SIGNS, MOVES, READINGS), strict=True)
        names = [name for source, part in parts if source == "practice" for name in part]
        if not names:
            return population
        practice = elicit_population(catalogue, 1.0, DEFAULT_DRAWS, DEFAULT_SEED)
        index = np.linspace(0, practice.n_draws - 1, population.n_draws).round().astype(np.int64)
        return _replace_parts(population, take_draws(practice, index), names)

    def __str__(self) -> str:
        """For the file's provenance."""
        return ", ".join(f"{part} {source}" for part, source in self._asdict().items())


def _replace_parts(population: Population, other: Population, names: list[str]) -> Population:
    arrays: dict[str, Any] = {name: np.array(getattr(other, name)) for name in names}
    return replace(population, **arrays, sha256="")


#: Nothing from the pool.
PRACTICE = Sources()


def with_practice_moves(population: Population, catalogue: Catalogue, seed: int = 1) -> Population:
    """The same population, but tanks move as practice says.

    Tanks whose signs are permanently shifted appear to move less than they do. One may then
    learn what phases show from a pool, and not how tanks move.
    """
    practice = elicit_population(catalogue, 1.0, population.n_draws, seed)
    return _replace_parts(population, practice, list(MOVES))


def _candidates(signs: Source, moves: Source, readings: Source) -> list[Sources]:
    # The first is what stays unless another beats it. Unless asked for, nothing else is learned
    # where the signs are practice's.
    options = [("practice", "learned") if x == "auto" else (x,) for x in (signs, moves, readings)]
    least = Sources(*(x[0] for x in options))
    return [
        sources
        for sources in (Sources(*x) for x in product(*options))
        if signs != "auto" or sources.signs == "learned" or sources == least
    ]


def _choose_by_judgements(
    population: Population, panel: Panel, candidates: list[Sources], weights: tuple[float, ...]
) -> tuple[Sources, JudgementScores, dict[str, str]]:
    # The sources to use, how they score, and entries for the population's file.
    tanks, catalogue = judged_tanks(panel), panel.catalogue
    scores = {
        c: score_judgements(tanks, c.apply(population, catalogue), weights) for c in candidates
    }
    first, *others = candidates
    best = max(others, key=lambda c: scores[c].best_score, default=first)
    if not scores[best].better_than(scores[first]):
        best = first
    practice = scores.get(PRACTICE) or score_judgements(
        tanks, PRACTICE.apply(population, catalogue), (FIT_WEIGHT,)
    )
    return (
        best,
        scores[best],
        {
            "chosen_by": f"{practice.judgements} judgements of {len(tanks.tanks)} tanks",
            "judged_score": "; ".join(
                f"{c}: {s.best_score:.4f} at {s.best_weight:g}" for c, s in scores.items()
            ),
            "judged_score_of_practice": f"{practice.best_score:.4f}",
        },
    )


def hand_on(
    population: Population,
    panel: Panel,
    *,
    choose: bool,
    signs: Source = "auto",
    moves: Source = "auto",
    readings: Source = "auto",
) -> Population:
    """Make the population that the weekly command gets of a fit.

    Parameters
    ----------
    population, panel
        As fitted, and what was fitted.
    choose : bool
        Whether the evidence weight is chosen: by the judgements, where there are enough;
        otherwise by how far tanks shift their signs (:mod:`.choose_weight`),
        and then at most practice's own. Otherwise it stays that of the fit.
    signs, moves, readings : {'auto', 'practice', 'learned'}
        Source of how often signs are seen, how tanks move, and what kits read. ``auto``: the
        pool, where it then scores the judgements better than practice, by more than a standard
        error (:func:`.judgement_scores.score_judgements`); practice otherwise, and where too
        little was judged.

    Returns
    -------
    Population
        Its provenance records what was done.
    """
    weight = population.evidence_weight
    entries = {"fit_evidence_weight": f"{weight:g}"}
    candidates = _candidates(signs, moves, readings)
    if (choose or len(candidates) > 1) and enough_judgements(panel):
        weights = GRID if choose else (weight,)
        sources, scores, more = _choose_by_judgements(population, panel, candidates, weights)
        weight = scores.best_weight
        if choose:
            more["evidence_weight_chosen_by"] = more["chosen_by"]
        handed_on = sources.apply(population, panel.catalogue)
    else:
        sources, more = candidates[0], {}
        handed_on = sources.apply(population, panel.catalogue)
        if choose:
            one_step = one_step_ahead(panel, handed_on)
            weight, more = min(one_step.weight, FIT_WEIGHT), one_step.provenance()
    entries |= more | sources._asdict() | {"weekly_evidence_weight": f"{weight:g}"}
    return replace(
        handed_on, evidence_weight=weight, provenance={**handed_on.provenance, **entries}
    )
