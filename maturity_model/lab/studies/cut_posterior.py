"""A pooled fit that is cut: what a phase shows is given, how tanks move is learned.

Where tanks have ways of their own, a fit may bend what a phase shows until it fits them, and
the phases lose their meaning. A cut keeps the pool from doing so (Plummer 2015, *Statistics
and Computing* 25: 37-43, by multiple imputation): draws of what phases show come from
elsewhere, practice or a fit of judged tanks, and for each of them the moves are drawn given it
and the pool. Skill is a part of what is given, and drawn anew for each keeper.

Needs the extra ``fit``, with nutpie.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.fitting.design import keepers_of, make_design
from maturity_model.fitting.handing_on.hand_on import MOVES
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.tables import (
    fit_to_catalogue,
    judgement_table,
    reading_table,
    sign_table,
)
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from collections.abc import Callable

    from maturity_model.panel import Panel

#: Draws of the moves that are kept for each draw of what is given.
EACH = 8


def emission_rows(
    panel: Panel,
    population: Population,
    skill: Floats,
    evidence_weight: float,
    judgement_weight: float | None = None,
) -> Floats:
    """Log-likelihood of each tank-week under one draw of what phases show.

    Parameters
    ----------
    panel : Panel
    population : Population
        Its first draw is used; signs in the catalogue's order.
    skill : ndarray, shape (M,)
        Of each keeper, on its own scale.
    evidence_weight : float
    judgement_weight : float, optional
        Default: the evidence weight.

    Returns
    -------
    ndarray, shape (R, S)
    """
    keeper = keepers_of(panel)[1]
    one = take_draws(population, np.zeros(1, dtype=np.int64))
    # Draws stand for tanks: a spread that is the keeper's own skill, and one node at 1.
    own = replace(take_draws(one, np.zeros(len(keeper), dtype=np.int64)), skill_sd=skill[keeper])
    tank_of_row = np.repeat(np.arange(len(panel.tanks)), np.diff(panel.first))
    out = np.zeros((int(panel.first[-1]), population.chain.n_states))

    def add(values: Floats, row: np.ndarray) -> None:
        for state in range(out.shape[1]):
            out[:, state] += np.bincount(row, values[:, state], len(out))

    def log(table: Floats) -> Floats:
        return np.asarray(np.log(np.maximum(table, 1e-300)))

    signs = log(sign_table(panel, own, np.ones(1), 1.0))[:, :, 0]
    add(evidence_weight * signs[panel.signs.code, :, tank_of_row[panel.signs.row]], panel.signs.row)
    readings = log(reading_table(panel, one, 1.0))[:, :, 0]
    add(evidence_weight * readings[panel.readings.code], panel.readings.row)
    if len(panel.judgements.row):
        weight = evidence_weight if judgement_weight is None else judgement_weight
        judged = log(judgement_table(panel, one, 1.0))[:, :, 0]
        add(weight * judged[panel.judgements.code], panel.judgements.row)
    return out


def movement_model(panel: Panel, priors: Priors, rows: Floats) -> Any:
    """The model of the moves alone, with the log-likelihood of each row as data.

    Returns
    -------
    pm.Model
        ``data_rows`` can be swapped.
    """
    import pymc as pm
    import pytensor.tensor as pt

    from maturity_model.fitting.kernels import ops
    from maturity_model.fitting.likelihood import log_hazards
    from maturity_model.fitting.model import ModelOptions, log_start, movement_priors

    design = make_design(panel, priors)
    acting = (priors.event_effect != 0).any(axis=1)
    coords = {
        "tank": list(design.tanks),
        "phase": list(priors.phases),
        "upper_phase": list(priors.phases[1:]),
        "event": list(priors.events),
        "acting_event": [e for e, on in zip(priors.events, acting, strict=True) if on],
        "covariate": list(priors.covariates),
    }
    names = ("first", "order", "tank_of_row", "impulse", "pending", "husbandry")
    with pm.Model(coords=coords) as model:
        parameters = movement_priors(priors, ModelOptions())
        data = {name: pm.Data(f"data_{name}", getattr(design, name)) for name in names}
        log_likelihood = ops.tank_log_likelihood(
            pt.as_tensor(log_start(design)),
            log_hazards(parameters, data),
            pm.Data("data_rows", rows),
            data["first"],
            data["order"],
            priors.n_stages,
        )
        pm.Potential("log", log_likelihood.sum())
    return model


def cut_fit(
    panel: Panel,
    given: Population,
    priors: Priors | None = None,
    *,
    evidence_weight: float = DEFAULT_EVIDENCE_WEIGHT,
    judgement_weight: float | None = None,
    tune: int = 200,
    draws: int = 40,
    seed: int = 1,
    name: str = "cut",
    say: Callable[[str], None] = lambda _: None,
) -> Population:
    """Learn how tanks move, given what phases show.

    Parameters
    ----------
    panel : Panel
    given : Population
        Draws of what phases show.
    priors : Priors, optional
        Of the moves; default: those of the panel's catalogue.
    evidence_weight, judgement_weight : float
        Powers on the likelihood.
    tune, draws : int
        Of the one chain for each draw of ``given``; :data:`EACH` of its draws are kept.
    seed : int
    name : str
    say : callable
        Told about progress.

    Returns
    -------
    Population
        :data:`EACH` draws for each of ``given``; all but :data:`.hand_on.MOVES` is unchanged.
    """
    import nutpie
    import pytensor

    priors = priors or priors_from_catalogue(panel.catalogue)
    given = fit_to_catalogue(given, panel.catalogue)
    rng = np.random.default_rng([seed, 17])
    n_keepers = len(keepers_of(panel)[0])
    compiled, moves, divergent = None, [], 0
    for m in range(given.n_draws):
        one = take_draws(given, np.array([m]))
        skill = rng.normal(0, given.skill_sd[m], n_keepers)
        rows = emission_rows(panel, one, skill, evidence_weight, judgement_weight)
        if compiled is None:
            with pytensor.config.change_flags(mode="NUMBA"):
                compiled = nutpie.compile_pymc_model(movement_model(panel, priors, rows))
        trace = nutpie.sample(
            compiled.with_data(data_rows=rows),
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
    index = np.repeat(np.arange(given.n_draws), EACH)
    learned: dict[str, Any] = {
        k: np.ascontiguousarray(np.moveaxis(np.concatenate([d[k] for d in moves]), 0, -1))
        for k in MOVES
    }
    for k in ("log_setback", "log_collapse"):
        # Nothing lies below the first phase.
        learned[k] = np.concatenate([np.full((1, len(index)), -np.inf), learned[k]])
    return replace(
        take_draws(given, index),
        **learned,
        name=name,
        kind="fitted",
        evidence_weight=evidence_weight,
        sha256="",
        provenance={"cut": given.name, "divergent": str(divergent)},
    )
