"""From parameters to the log-likelihood of each tank, as a PyTensor graph.

The model is written twice: here for the fit, and in :mod:`.population.tables` for the weekly
path; tests hold both against a third, slow one.

An emission is a function that makes a table, log P(distinct observation | state) of shape (C, S),
so that a new kind of observation is this function, its line among ``tables`` in
:func:`log_likelihood_by_tank`::

    powers[3] * smell_table(p, data["smells"], priors, gradual)

and the same among ``tables`` in :func:`.design.graph_data`, which says what each row holds::

    (smells.row, smells.code, len(smells.codes))

Answers yes or no are too many for a table; what shifts their odds is in :func:`sign_shift`, a line
for each term. What acts on moves is in :func:`.ops.log_hazards`: a new kind of event needs nothing
(it is a column of the panel), and what acts on advancing alone is one more column of husbandry.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytensor.tensor as pt

from maturity_model.fitting.kernels import ops
from maturity_model.hmm.staged import StagedChain
from maturity_model.population.judgements import judgement_probabilities
from maturity_model.population.priors import Priors
from maturity_model.population.readings import carried_over, wide_normal

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


def sign_shift(p: dict[str, Any], d: dict[str, Any], priors: Priors) -> Any:
    """Added to the log-odds of distinct answers in every state, shape (A,)."""
    small = pt.as_tensor(priors.small)[d["sign"]]
    shift = d["level"] * p["persistence"][d["sign"]]
    shift = shift + small * (p["look_effect"][d["look"]] + p["skill"][d["keeper"]])
    if "tank" in d:
        shift = shift + p["tank_sign"][d["tank"], d["sign"]]
    return shift


def reading_table(p: dict[str, Any], d: dict[str, Any], priors: Priors, gradual: Any) -> Any:
    """log P(reading | state) of distinct readings (:func:`.design.graph_data`), shape (C, S)."""
    analyte = d["analyte"]
    pull = d["known"] * p["carry"][analyte] ** d["gap"]
    mean = pt.dot(p["reading_mean"], gradual.T)[analyte]
    sd = pt.dot(p["reading_sd"], gradual.T)[analyte]
    mean, sd = carried_over(mean, sd, pull[:, None], d["log_previous"][:, None])
    wide_mean, wide_sd = wide_normal(p["reading_mean"], p["reading_sd"])
    return ops.interval_table(
        d["log_low"], d["log_high"], mean, sd, wide_mean[analyte], wide_sd[analyte], p["outlier"]
    )


def judgement_table(p: dict[str, Any], priors: Priors) -> Any:
    """log P(judgement | state), shape ((K + 1) K, S), by the one before (none first) and phase."""
    k = len(priors.phases)
    chances = judgement_probabilities(p["judge_accuracy"], p["judge_repeat"], k)
    phase_of_state = np.repeat(np.eye(k), priors.n_stages, axis=1)
    return pt.log(pt.dot(chances.reshape(((k + 1) * k, k)), phase_of_state))


def log_likelihood_by_tank(
    p: dict[str, Any], data: dict[str, Any], priors: Priors, chain: StagedChain
) -> Any:
    """Log-likelihood of each tank, shape (N,), from :func:`.design.graph_data`.

    ``p`` holds the tensors of :data:`PARAMETERS`, in the shapes of :class:`.types.Population`
    without draws; setback and collapse without phase 0, ``pace`` by tank and ``skill`` by keeper
    on their own scales, ``tank_sign`` by tank and sign.
    """
    gradual = chain.gradual()
    powers = data["powers"]
    tables = [
        powers[1] * reading_table(p, data["readings"], priors, gradual),
        powers[2] * judgement_table(p, priors),
    ]
    logit = pt.dot(p["sign_logit"], gradual.T)
    answers = {**data["signs"], **data["sign_rows"], "weight": powers[0]}
    shift = sign_shift(p, data["signs"], priors)
    rows = ops.row_log_likelihood(pt.concatenate(tables), data["rows"], logit, shift, answers)
    hazards = ops.log_hazards(p, pt.exp(-1.0 / p["event_memory"]), data)
    return ops.tank_log_likelihood(hazards, rows, data, priors.n_stages)
