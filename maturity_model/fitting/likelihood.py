"""From parameters to the log-likelihood of each tank, as a PyTensor graph.

The same tables and hazards as in :mod:`.tables`, which the weekly path uses; a test holds
the two against each other. There are two graphs of one likelihood: by parts, which can be
read, taken apart and compiled to JAX, and fused into one Op, which has its gradient in about
half the time.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytensor.tensor as pt

from maturity_model.fitting.kernels import ops, panel_op
from maturity_model.hmm.staged import StagedChain
from maturity_model.population.priors import Priors
from maturity_model.population.tables import LARGEST_EFFECT as LARGEST

#: Parameters of the likelihood, in the order in which they are passed.
PARAMETERS = (
    "log_advance",
    "log_setback",
    "log_collapse",
    "husbandry",
    "event_advance",
    "event_setback",
    "event_collapse",
    "event_memory",
    "pace",
    "sign_logit",
    "persistence",
    "look_effect",
    "skill",
    "tank_sign",
    "reading_mean",
    "reading_sd",
    "carry",
    "outlier",
    "judge_accuracy",
    "judge_repeat",
)


def confusion_weights(n: int) -> np.ndarray:
    """Chances of the wrong phases, halving with each phase of distance, shape (K, K)."""
    distance = np.abs(np.arange(n)[:, None] - np.arange(n))
    wrong = np.where(distance > 0, 0.5**distance, 0.0)
    return np.asarray(wrong / wrong.sum(axis=1, keepdims=True))


def sign_rows(p: dict[str, Any], data: dict[str, Any], priors: Priors, gradual: Any) -> Any:
    """log P(signs of a row | state), shape (R, S)."""
    d = data["sign"]
    sign, observer = d["sign"], d["observer"]
    small = pt.as_tensor(priors.small)[sign]
    shift = d["level"] * p["persistence"][sign]
    if data["by_tank"]:
        shift = shift + small * (p["look_effect"][d["look"]] + p["skill"][data["keeper"][observer]])
        shift = shift + p["tank_sign"][observer, sign]
    else:
        shift = shift + small * (p["look_effect"][d["look"]] + p["skill"][observer])
    logit = pt.dot(p["sign_logit"], gradual.T)
    table = ops.bernoulli_table(logit, shift, sign, d["seen"])
    return ops.sum_codes(table, d["code"], d["row"], data["husbandry"].shape[0])


def reading_table(p: dict[str, Any], d: dict[str, Any], priors: Priors, gradual: Any) -> Any:
    """log P(reading | state) of distinct readings (:func:`.model.cells_of`), shape (C, S)."""
    analyte = d["analyte"]
    pull = d["known"] * p["carry"][analyte] ** d["gap"]
    mean = pt.dot(p["reading_mean"], gradual.T)[analyte]
    mean = (1 - pull[:, None]) * mean + (pull * d["log_previous"])[:, None]
    sd = pt.dot(p["reading_sd"], gradual.T)[analyte] * pt.sqrt(1 - pull**2)[:, None]
    wide_mean = p["reading_mean"].mean(axis=1)[analyte]
    wide_sd = 2 * p["reading_sd"].max(axis=1)[analyte]
    low, high = d["log_low"], d["log_high"]
    return ops.interval_table(low, high, mean, sd, wide_mean, wide_sd, p["outlier"])


def judged_table(p: dict[str, Any], d: dict[str, Any], priors: Priors) -> Any:
    """log P(judgement | state) of distinct judgements, shape (C, S)."""
    k = len(priors.phases)
    right = p["judge_accuracy"]
    confusion = np.eye(k) * right + confusion_weights(k) * (1 - right)
    fresh = confusion.T[d["phase"]]
    repeat = pt.switch(d["previous"] >= 0, p["judge_repeat"], 0.0)[:, None]
    same = pt.eq(d["phase"], d["previous"])[:, None]
    table = pt.log(repeat * same + (1 - repeat) * fresh)
    return pt.repeat(table, priors.n_stages, axis=1)


def baselines(p: dict[str, Any]) -> list[Any]:
    """Log hazards of the three moves by phase, before anything acts on them, each (K,)."""
    # Nothing lies below the first phase.
    never = np.array([-np.inf])
    return [
        p["log_advance"],
        pt.concatenate([never, p["log_setback"]]),
        pt.concatenate([never, p["log_collapse"]]),
    ]


def log_hazards(p: dict[str, Any], data: dict[str, Any]) -> Any:
    """Log hazards of the move into each row's week, shape (R, 3, K)."""
    advance, setback, collapse = baselines(p)
    advance = advance + pt.dot(data["husbandry"], p["husbandry"])
    advance = advance + p["pace"][data["tank_of_row"]][:, None]
    decay = pt.exp(-1.0 / p["event_memory"])
    load = ops.event_load(data["impulse"], data["pending"], data["first"], decay)
    shifts = [
        pt.minimum(pt.dot(load, p[f"event_{move}"]), LARGEST)[:, None]
        for move in ("advance", "setback", "collapse")
    ]
    moves = (advance + shifts[0], setback + shifts[1], collapse + shifts[2])
    return pt.stack(moves, axis=1)


def log_likelihood_by_tank(
    p: dict[str, Any],
    data: dict[str, Any],
    priors: Priors,
    chain: StagedChain,
    evidence_weight: float,
    judgement_weight: float | None = None,
) -> Any:
    """Log-likelihood of each tank.

    Parameters
    ----------
    p : dict
        Tensors named as in :data:`PARAMETERS`; shapes as in :class:`.types.Population`
        without draws, setback and collapse without phase 0, ``pace`` by tank and
        ``skill`` by keeper on their own scales, ``tank_sign`` by tank and sign.
    data : dict
        Arrays of a :class:`.design.Design`.
    priors : Priors
    chain : StagedChain
    evidence_weight : float
    judgement_weight : float, optional
        Power on judgements alone; default: the evidence weight.

    Returns
    -------
    tensor, shape (N,)
    """
    gradual = chain.gradual()
    n_rows = data["husbandry"].shape[0]
    rows = pt.zeros((n_rows, chain.n_states))
    if data["sign"] is not None:
        rows = rows + sign_rows(p, data, priors, gradual)
    if (d := data["reading"]) is not None:
        table = reading_table(p, d, priors, gradual)
        rows = rows + ops.sum_codes(table, d["code"], d["row"], n_rows)
    rows = evidence_weight * rows
    if (d := data["judged"]) is not None:
        weight = evidence_weight if judgement_weight is None else judgement_weight
        rows = rows + weight * ops.sum_codes(
            judged_table(p, d, priors), d["code"], d["row"], n_rows
        )
    return ops.tank_log_likelihood(
        data["log_start"],
        log_hazards(p, data),
        rows,
        data["first"],
        data["order"],
        priors.n_stages,
    )


def fused_by_tank(
    p: dict[str, Any], data: dict[str, Any], priors: Priors, chain: StagedChain
) -> Any:
    """As :func:`log_likelihood_by_tank`, by one Op.

    Parameters
    ----------
    p, priors, chain
        As there.
    data : dict
        ``whole`` and ``real`` of the panel (:func:`.packing.pack`), evidence weights included,
        ``by_tank``, and the cells of its ``reading`` and ``judged`` if they count.

    Returns
    -------
    tensor, shape (N,)
    """
    gradual = chain.gradual()
    none = pt.zeros((0, chain.n_states))
    reading, judged = none, none
    if data["reading"] is not None:
        reading = reading_table(p, data["reading"], priors, gradual)
    if data["judged"] is not None:
        judged = judged_table(p, data["judged"], priors)
    theta = [
        pt.dot(p["sign_logit"], gradual.T).ravel(),
        p["persistence"],
        p["look_effect"],
        p["skill"],
        *([p["tank_sign"].ravel()] if data["by_tank"] else []),
        *baselines(p),
        p["husbandry"].ravel(),
        p["pace"],
        *(p[f"event_{move}"] for move in ("advance", "setback", "collapse")),
        pt.exp(-1.0 / p["event_memory"]),
    ]
    return panel_op.panel_log_likelihood(
        pt.concatenate(theta), reading, judged, data["whole"], data["real"]
    )
