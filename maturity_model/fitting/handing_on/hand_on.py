"""Decide what the weekly command gets of a fit: practice or pool, and which evidence weight.

A fit bends what signs show, what kits read and how tanks move until they suit a pool whose
tanks have ways that the model lacks. Only judgements can show whether the phases kept their
meaning, so with enough of them they choose, and the pool's numbers must beat practice's by more
than a standard error. Without them all three stay practice's: in clubs simulated by the model
the pool's signs gain a little, in an ecology that the model does not know they cost more
(reports/pooling, reports/validation). What was learned is in the file of all draws in any
case, and in the report.

Judgements can also shift practice's numbers directly, whatever the fit found
(:mod:`.prior_shift_search`), if that predicts the judgements of held-out keepers better.
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
#: In the file: a part is practice's, shifted by judgements.
TUNED = "tuned"


class Sources(NamedTuple):
    """Where the parts of a population come from: ``practice``, ``learned`` or ``tuned``."""

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


def _shifted(
    population: Population, panel: Panel, best: JudgementScores, say: Callable[[str], None]
) -> prior_shift_search.ShiftedPractice | None:
    # Practice shifted by the judgements, if it scores held-out keepers better than `best` does.
    tanks = judged_tanks(panel)
    keepers = {tank.keeper or tank.name for tank in tanks.tanks}
    few = len(tanks.tanks) < prior_shift_search.FEWEST or len(keepers) < 2
    if few or population.evidence_weight == 0:
        return None
    practice = PRACTICE.apply(population, panel.catalogue)
    shifted = prior_shift_search.shift_by_judgements(tanks, practice, say)
    return shifted if shifted.held_out.better_than(best) else None


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
    """Make the population that the weekly command gets of a fit.

    Parameters
    ----------
    population, panel
        As fitted, and what was fitted.
    choose : bool
        Whether the evidence weight is chosen: by the judgements, where there are enough;
        otherwise by how far tanks shift their signs (:func:`.choose_weight.choose_weight`),
        and then at most practice's own. Otherwise it stays that of the fit.
    signs, moves, readings : {'auto', 'practice', 'learned'}
        Source of how often signs are seen, how tanks move, and what kits read. ``auto``: the
        pool, where it then scores the judgements better than practice, by more than a standard
        error (:func:`.judgement_scores.score_judgements`); practice otherwise, and where too
        little was judged. With ``auto`` for all three, and at least
        :data:`.prior_shift_search.FEWEST` judged tanks, practice shifted by the judgements
        (:func:`.prior_shift_search.shift_by_judgements`) is tried too; it must score held-out
        keepers better than the best of the others scores all of them, by more than a standard
        error.
    say : callable
        Called with one line of text per finished step, for example ``print``.

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
        if signs == moves == readings == "auto":
            own = FIT_WEIGHT if choose else population.evidence_weight
            shifted = _shifted(replace(population, evidence_weight=own), panel, scores, say)
            if shifted is not None:
                handed_on, weight = shifted.population, shifted.population.evidence_weight
                # Practice is shifted at its own weight, which nobody chose.
                more.pop("evidence_weight_chosen_by", None)
                more |= shifted.provenance()
                sources = Sources(TUNED, TUNED, TUNED)
    else:
        sources, more = candidates[0], {}
        handed_on = sources.apply(population, panel.catalogue)
        if choose:
            choice = choose_weight(panel, handed_on)
            weight, more = min(choice.weight, FIT_WEIGHT), choice.provenance()
    entries |= more | sources._asdict() | {"weekly_evidence_weight": f"{weight:g}"}
    return replace(
        handed_on, evidence_weight=weight, provenance={**handed_on.provenance, **entries}
    )
