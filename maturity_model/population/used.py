"""What the weekly path gets of a fit: what from the pool, what from practice, and which weight."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model.population.choose_weight import choose_weight
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

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


def with_practice_moves(population: Population, catalogue: Catalogue, seed: int = 1) -> Population:
    """The same population, but tanks move as practice says.

    Tanks whose signs are shifted for good look as if they moved less than they do. What
    phases show may then be learned from a pool, and how tanks move be left alone.

    Parameters
    ----------
    population : Population
    catalogue : Catalogue
    seed : int

    Returns
    -------
    Population
        Each draw of what phases show has a draw of the moves from the catalogue's priors,
        independent of it.
    """
    drawn = elicit_population(catalogue, 1.0, population.n_draws, seed)
    moves: dict[str, Any] = {name: np.array(getattr(drawn, name)) for name in MOVES}
    return replace(population, **moves, sha256="")


def as_used(
    population: Population, panel: Panel, *, choose: bool, practice_moves: bool
) -> Population:
    """What the weekly path gets of a fit.

    Parameters
    ----------
    population : Population
        As fitted.
    panel : Panel
        What was fitted.
    choose : bool
        Whether the evidence weight is chosen by the pool (:func:`.choose_weight.choose_weight`);
        otherwise it stays that of the fit.
    practice_moves : bool
        See :func:`with_practice_moves`.

    Returns
    -------
    Population
        Its provenance tells what was done.
    """
    said = {
        "fit_evidence_weight": f"{population.evidence_weight:g}",
        "moves": "practice" if practice_moves else "learned",
    }
    used = with_practice_moves(population, panel.catalogue) if practice_moves else population
    weight = population.evidence_weight
    if choose:
        choice = choose_weight(panel, used)
        weight, said = choice.weight, said | choice.provenance()
    said["weekly_evidence_weight"] = f"{weight:g}"
    return replace(used, evidence_weight=weight, provenance={**used.provenance, **said})
