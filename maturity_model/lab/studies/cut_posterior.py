"""A pooled fit that is cut: what a phase shows is given, how tanks move is learned.

Where tanks have ways of their own, a fit may bend what a phase shows until it fits them, and
the phases lose their meaning. A cut keeps the pool from doing so (Plummer 2015, *Statistics
and Computing* 25: 37-43, by multiple imputation): draws of what phases show come from
elsewhere, and for each of them the moves are drawn given it and the pool. Skill is a part of
what is given, and drawn again for each keeper.

Needs the extra ``fit``, with nutpie.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.fitting.design import keepers_of
from maturity_model.fitting.handing_on.hand_on import MOVES
from maturity_model.fitting.options import ModelOptions
from maturity_model.lab.tasks import Say, silent
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Draws of the moves that are kept for each draw of what is given.
EACH = 8
#: What phases show, by name in the model and in a population.
SHOWN = (
    *("sign_logit", "persistence", "look_effect", "reading_mean", "reading_sd", "carry"),
    *("outlier", "judge_accuracy", "judge_repeat"),
)


def shown(panel: Panel, given: Population, m: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Draw m of what phases show, and each keeper's skill drawn from its spread."""
    skill = rng.normal(0, given.skill_sd[m], len(keepers_of(panel)[0]))
    return {name: getattr(given, name)[..., m] for name in SHOWN} | {"skill": skill}


def movement_model(
    panel: Panel, values: dict[str, Floats], evidence_weight: float, judgement_weight: float | None
) -> Any:
    """The pooled model with what phases show held at values, which can be swapped as data."""
    import pymc as pm

    from maturity_model.fitting.model import build_model

    options = ModelOptions(judgement_weight=judgement_weight)
    model = build_model(panel, evidence_weight=evidence_weight, options=options)
    return pm.do(model, values, prune_vars=True)


def cut_fit(
    panel: Panel,
    given: Population,
    *,
    evidence_weight: float,
    judgement_weight: float | None = None,
    tune: int = 200,
    draws: int = 40,
    seed: int = 1,
    name: str = "cut",
    say: Say = silent,
) -> Population:
    """Learn how tanks move, given draws of what phases show.

    One chain of ``draws`` after ``tune`` for each of them, of which :data:`EACH` draws are kept;
    all but :data:`.hand_on.MOVES` is unchanged.
    """
    import nutpie
    import pytensor

    given = fit_to_catalogue(given, panel.catalogue)
    rng = np.random.default_rng([seed, 17])
    compiled, moves, divergent = None, [], 0
    for m in range(given.n_draws):
        values = shown(panel, given, m, rng)
        if compiled is None:
            with pytensor.config.change_flags(mode="NUMBA"):
                model = movement_model(panel, values, evidence_weight, judgement_weight)
                compiled = nutpie.compile_pymc_model(model)
        # What the graph does not use cannot be swapped: no judge without judgements.
        trace = nutpie.sample(
            compiled.with_data(**{k: v for k, v in values.items() if k in compiled.shared_data}),
            draws=draws,
            tune=tune,
            chains=1,
            cores=1,
            seed=int(rng.integers(2**31)),
            save_warmup=False,
            progress_bar=False,
            target_accept=0.9,
        )
        keep = np.linspace(0, draws - 1, EACH).round().astype(np.int64)
        moves.append({k: np.asarray(trace["posterior"][k].values)[0, keep] for k in MOVES})
        divergent += int(np.asarray(trace["sample_stats"]["diverging"].values).sum())
        if (m + 1) % 16 == 0:
            say(f"{m + 1} of {given.n_draws} draws of what phases show")
    return replace(
        take_draws(given, np.repeat(np.arange(given.n_draws), EACH)),
        **{k: _stacked(k, moves) for k in MOVES},
        name=name,
        kind="fitted",
        evidence_weight=evidence_weight,
        sha256="",
        provenance={"cut": given.name, "divergent": str(divergent)},
    )


def _stacked(name: str, moves: list[dict[str, Floats]]) -> Any:
    # Draws last, as in a population.
    values = np.moveaxis(np.concatenate([d[name] for d in moves]), 0, -1)
    if name in ("log_setback", "log_collapse"):
        # Nothing lies below the first phase.
        values = np.concatenate([np.full((1, values.shape[-1]), -np.inf), values])
    return np.ascontiguousarray(values)
