"""The pooled model as an ordinary PyMC model, with named coordinates.

Needs the extra ``fit``. What a fit learns has the names, shapes and meaning of
:class:`.types.Population`; the priors are those of :mod:`.priors`. Pace of each tank and
skill of each keeper are sampled here, while the weekly path integrates over them.

To add to the model, open it again::

    with build_model(panel) as model:
        pm.Normal("mine", ...)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt

from maturity_model.fitting.design import Design, absent_parts, graph_data, make_design, named
from maturity_model.fitting.likelihood import PARAMETERS, log_likelihood_by_tank
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.hmm.staged import StagedChain
from maturity_model.population.constants import (
    BASELINE_SD,
    CARRY_SD,
    DEFAULT_EVIDENCE_WEIGHT,
    LEAST_SD,
    PERSISTENCE_SD,
    READING_SD_SD,
    SIGN_TANK_SD,
    SIGN_TANK_SD_SD,
)
from maturity_model.population.priors import Priors, equal_correlation, priors_from_catalogue

if TYPE_CHECKING:
    from maturity_model.panel import Panel


def _coords(priors: Priors, design: Design, outcomes: Outcomes) -> dict[str, Any]:
    acting = (priors.event_effect != 0).any(axis=1)
    weeks = int(np.diff(design.panel.first).max())
    return {
        "tank": [tank.name for tank in design.panel.tanks],
        "keeper": list(design.keepers),
        "week": np.arange(weeks),
        "phase": list(priors.phases),
        "upper_phase": list(priors.phases[1:]),
        "sign": list(priors.signs),
        "analyte": list(priors.analytes),
        "look": list(priors.looks),
        "event": list(priors.events),
        "acting_event": [e for e, on in zip(priors.events, acting, strict=True) if on],
        "move": ["advance", "setback", "collapse"],
        "covariate": list(priors.covariates),
        "checkin": np.arange(outcomes.values.shape[1]),
        "answer": list(outcomes.answers),
    }


def _fill(values: Any, where: np.ndarray, otherwise: np.ndarray | float = 0.0) -> Any:
    # A tensor of the shape of `where` that holds `values` where it is true.
    base = np.broadcast_to(np.asarray(otherwise, float), where.shape).copy()
    return pt.set_subtensor(pt.as_tensor(base)[np.nonzero(where)], values)


def movement_priors(priors: Priors, options: ModelOptions) -> dict[str, Any]:
    """Priors of how tanks move, in the open model: hazards, events, husbandry, pace."""
    out: dict[str, Any] = {}
    out["log_advance"] = pm.Normal(
        "log_advance", priors.log_advance, priors.log_advance_sd, dims="phase"
    )
    out["log_setback"] = pm.Normal(
        "log_setback", priors.log_setback[1:], BASELINE_SD, dims="upper_phase"
    )
    collapse = pm.Normal("collapse_z")
    out["log_collapse"] = pm.Deterministic(
        "log_collapse", priors.log_collapse[1:] + BASELINE_SD * collapse, dims="upper_phase"
    )
    # An event that the catalogue calls neutral on a move stays neutral on it.
    acting = (priors.event_effect != 0).any(axis=1)
    for m, move in enumerate(("advance", "setback", "collapse")):
        on = priors.event_effect[:, m] != 0
        z = pm.Normal(f"event_{move}_z", shape=int(on.sum()))
        values = priors.event_effect[on, m] + priors.event_sd[on] * z
        out[f"event_{move}"] = pm.Deterministic(f"event_{move}", _fill(values, on), dims="event")
    z = pm.Normal("event_memory_z", dims="acting_event")
    values = priors.event_memory[acting] * pt.exp(priors.event_memory_sd[acting] * z)
    out["event_memory"] = pm.Deterministic(
        "event_memory", _fill(values, acting, priors.event_memory), dims="event"
    )
    on = priors.husbandry != 0
    sd = np.broadcast_to(priors.husbandry_sd[:, None], on.shape)
    z = pm.Normal("husbandry_z", shape=int(on.sum()))
    out["husbandry"] = pm.Deterministic(
        "husbandry", _fill(priors.husbandry[on] + sd[on] * z, on), dims=("covariate", "phase")
    )
    if options.pace:
        pace_sd = pm.TruncatedNormal("pace_sd", *priors.pace_sd, lower=LEAST_SD)
        z = pm.Normal("pace_z", dims="tank")
        out["pace"] = pm.Deterministic("pace", pace_sd * z, dims="tank")
    return out


def _shared(name: str, mean: np.ndarray, sd: np.ndarray, dims: tuple[str, str]) -> Any:
    # Half of the variance of a row is shared by all phases.
    z = pm.Normal(f"{name}_z", dims=dims)
    factor = equal_correlation(mean.shape[1])
    return pm.Deterministic(name, mean + sd[:, None] * pt.dot(z, factor.T), dims=dims)


def _observing(priors: Priors, options: ModelOptions) -> dict[str, Any]:
    out: dict[str, Any] = {}
    out["sign_logit"] = _shared(
        "sign_logit", priors.sign_logit, priors.sign_logit_sd, ("sign", "phase")
    )
    if options.persistence:
        out["persistence"] = pm.TruncatedNormal(
            "persistence", priors.persistence, PERSISTENCE_SD, lower=0, dims="sign"
        )
    on = priors.look_effect_sd > 0
    z = pm.Normal("look_effect_z", shape=int(on.sum()))
    values = priors.look_effect[on] + priors.look_effect_sd[on] * z
    out["look_effect"] = pm.Deterministic(
        "look_effect", _fill(values, on, priors.look_effect), dims="look"
    )
    if options.skill:
        skill_sd = pm.TruncatedNormal("skill_sd", *priors.skill_sd, lower=LEAST_SD)
        z = pm.Normal("skill_z", dims="keeper")
        out["skill"] = pm.Deterministic("skill", skill_sd * z, dims="keeper")
    if options.tank_signs:
        spread = pm.LogNormal("sign_tank_sd", np.log(SIGN_TANK_SD), SIGN_TANK_SD_SD, dims="sign")
        z = pm.Normal("tank_sign_z", dims=("tank", "sign"))
        out["tank_sign"] = pm.Deterministic("tank_sign", spread * z, dims=("tank", "sign"))
    out["reading_mean"] = _shared(
        "reading_mean", priors.reading_mean, priors.reading_mean_sd, ("analyte", "phase")
    )
    out["reading_sd"] = pm.LogNormal(
        "reading_sd", np.log(priors.reading_sd), READING_SD_SD, dims=("analyte", "phase")
    )
    size = priors.carry * (1 - priors.carry) / CARRY_SD**2 - 1
    out["carry"] = pm.Beta("carry", priors.carry * size, (1 - priors.carry) * size, dims="analyte")
    for name in ("outlier", "judge_accuracy", "judge_repeat"):
        out[name] = pm.Beta(name, *getattr(priors, name).beta())
    return out


def build_model(
    panel: Panel,
    priors: Priors | None = None,
    *,
    evidence_weight: float = DEFAULT_EVIDENCE_WEIGHT,
    options: ModelOptions | None = None,
) -> pm.Model:
    """Build the pooled model of a panel.

    Parameters
    ----------
    panel : Panel
    priors : Priors, optional
        Default: those of the panel's catalogue.
    evidence_weight : float
        Power on the likelihood of signs, readings and judgements, in [0, 1];
        1 is plain Bayes.
    options : ModelOptions, optional
        Parts to leave out or add.

    Returns
    -------
    pm.Model
        With the coords ``tank, keeper, week, phase, sign, analyte, look, event,
        covariate, checkin, answer``. ``log`` is the likelihood, one element per tank;
        its value is the log itself (:class:`.predictive_draws.Outcomes`), so that predictive
        draws of it are whole logbooks (:func:`.predictive_draws.to_logbook`).

    Raises
    ------
    ValueError
        When the panel is empty, or does not fit the priors; when PyTensor's ``floatX`` is not
        float64.
    """
    if not 0.0 <= evidence_weight <= 1.0:
        raise ValueError(f"an evidence weight lies between 0 and 1, not at {evidence_weight}")
    if pytensor.config.floatX != "float64":
        # Data would be cast: numbers to half their digits, positions to 16 bits.
        raise ValueError(f"PyTensor is set to {pytensor.config.floatX}; the model needs float64")
    priors = priors or priors_from_catalogue(panel.catalogue)
    options = options or ModelOptions()
    design = make_design(panel, priors, by_tank=options.tank_signs)
    outcomes = Outcomes.of(panel, priors)
    chain = StagedChain(len(priors.phases), priors.n_stages)
    with pm.Model(coords=_coords(priors, design, outcomes)) as model:
        parameters = absent_parts(design, priors)
        parameters |= movement_priors(priors, options) | _observing(priors, options)
        data = into_model(graph_data(design, priors, options.powers(evidence_weight)))

        def logp(value: Any, *values: Any) -> Any:
            # PyMC pads every input with an axis for the tanks.
            named = {name: v[0] for name, v in zip(PARAMETERS, values[:-1], strict=True)}
            return log_likelihood_by_tank(named, data, priors, chain)

        def random(*values: Any, rng: np.random.Generator, size: Any) -> np.ndarray:
            named = {name: v[0] for name, v in zip(PARAMETERS, values[:-1], strict=True)}
            return outcomes.draw(named, priors, design, rng)

        inputs = [parameters[name] for name in PARAMETERS]
        pm.CustomDist(
            "log",
            *inputs,
            # Only its shape matters: that of one tank's answers.
            np.zeros(outcomes.values.shape[1:]),
            logp=logp,
            random=random,
            signature=_signature(inputs),
            observed=outcomes.values,
            dims=("tank", "checkin", "answer"),
        )
    return model


def _signature(inputs: list[Any]) -> str:
    # No input is by tank as far as PyMC is concerned: all tanks are drawn together.
    core = [
        "(" + ",".join(f"p{n}{i}" for i in range(pt.as_tensor(x).ndim)) + ")"
        for n, x in enumerate(inputs)
    ]
    return ",".join([*core, "(checkin,answer)->(checkin,answer)"])


def into_model(found: dict[str, Any]) -> dict[str, Any]:
    """What :func:`.design.graph_data` gives, as data of the open model.

    Everything that is as long as the log goes in as data: large constants in a graph would keep
    its compiled form from being stored. So do the first week and the weights: one compiled model
    serves any mix of rock.
    """
    held = {name: pm.Data(name, array) for name, array in named(found).items()}

    def fields(name: str, dtype: np.dtype) -> dict[str, Any]:
        rows = {n: held[f"data_{name}"][i] for i, n in enumerate(dtype.names or ())}
        return {n: pt.cast(x, "int64") if dtype[n].kind == "i" else x for n, x in rows.items()}

    out: dict[str, Any] = {}
    for name, value in found.items():
        if isinstance(value, dict):
            out[name] = {field: held[f"data_{name}_{field}"] for field in value}
        elif value.dtype.names:
            out[name] = fields(name, value.dtype)
        else:
            out[name] = held[f"data_{name}"]
    return out
