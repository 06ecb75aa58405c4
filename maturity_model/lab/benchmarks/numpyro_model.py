"""The pooled model written in numpyro, its chain a ``lax.scan`` that JAX differentiates.

The same priors, names and likelihood as :func:`maturity_model.fitting.model.build_model`
makes with its default options; a test holds the two densities against each other.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from unittest import mock

import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from numpyro.infer.util import potential_energy

from maturity_model.fitting.design import Design, make_design
from maturity_model.fitting.jax import jax_chain, jax_likelihood
from maturity_model.fitting.likelihood import PARAMETERS
from maturity_model.panel import Panel
from maturity_model.population.constants import (
    BASELINE_SD,
    CARRY_SD,
    DEFAULT_EVIDENCE_WEIGHT,
    LEAST_SD,
    PERSISTENCE_SD,
    READING_SD_SD,
)
from maturity_model.population.priors import Priors, equal_correlation


def plain_scan(initial: Any, hazards: Any, log_lik: Any, n_stages: int) -> Any:
    """Log-likelihood whose derivative JAX takes through the steps, without our rule for it."""
    # No infinite numbers: the derivative would be NaN.
    return jax_chain._forward(initial, jnp.maximum(hazards, -600.0), log_lik, n_stages)[0]


def _normal(name: str, mean: Any, sd: Any, shape: tuple[int, ...]) -> Any:
    law = dist.Normal(jnp.broadcast_to(mean, shape), jnp.broadcast_to(sd, shape))
    return numpyro.sample(name, law.to_event(len(shape)))


def _standard(name: str, *shape: int) -> Any:
    return _normal(name, 0.0, 1.0, shape)


def _above(name: str, mean: Any, sd: Any, low: float) -> Any:
    law = dist.TruncatedNormal(mean, sd, low=low)
    return numpyro.sample(name, law.to_event(len(law.batch_shape)))


def _fill(values: Any, where: np.ndarray, otherwise: Any = 0.0) -> Any:
    base = jnp.asarray(np.broadcast_to(np.asarray(otherwise, float), where.shape).copy())
    return base.at[np.nonzero(where)].set(values)


def _moving(priors: Priors, tanks: int) -> dict[str, Any]:
    p: dict[str, Any] = {}
    k = len(priors.phases)
    p["log_advance"] = _normal("log_advance", priors.log_advance, priors.log_advance_sd, (k,))
    p["log_setback"] = _normal("log_setback", priors.log_setback[1:], BASELINE_SD, (k - 1,))
    p["log_collapse"] = priors.log_collapse[1:] + BASELINE_SD * _standard("collapse_z")
    for m, move in enumerate(("advance", "setback", "collapse")):
        on = priors.event_effect[:, m] != 0
        z = _standard(f"event_{move}_z", int(on.sum()))
        p[f"event_{move}"] = _fill(priors.event_effect[on, m] + priors.event_sd[on] * z, on)
    on = (priors.event_effect != 0).any(axis=1)
    z = _standard("event_memory_z", int(on.sum()))
    values = priors.event_memory[on] * jnp.exp(priors.event_memory_sd[on] * z)
    p["event_memory"] = _fill(values, on, priors.event_memory)
    on = priors.husbandry != 0
    sd = np.broadcast_to(priors.husbandry_sd[:, None], on.shape)[on]
    p["husbandry"] = _fill(priors.husbandry[on] + sd * _standard("husbandry_z", int(on.sum())), on)
    p["pace_sd"] = _above("pace_sd", *priors.pace_sd, LEAST_SD)
    p["pace"] = p["pace_sd"] * _standard("pace_z", tanks)
    return p


def _shared(name: str, mean: np.ndarray, sd: np.ndarray) -> Any:
    factor = equal_correlation(mean.shape[1])
    return mean + sd[:, None] * (_standard(f"{name}_z", *mean.shape) @ factor.T)


def _observing(priors: Priors, keepers: int) -> dict[str, Any]:
    p: dict[str, Any] = {}
    p["sign_logit"] = _shared("sign_logit", priors.sign_logit, priors.sign_logit_sd)
    p["persistence"] = _above("persistence", priors.persistence, PERSISTENCE_SD, 0.0)
    on = priors.look_effect_sd > 0
    z = _standard("look_effect_z", int(on.sum()))
    values = priors.look_effect[on] + priors.look_effect_sd[on] * z
    p["look_effect"] = _fill(values, on, priors.look_effect)
    p["skill_sd"] = _above("skill_sd", *priors.skill_sd, LEAST_SD)
    p["skill"] = p["skill_sd"] * _standard("skill_z", keepers)
    p["reading_mean"] = _shared("reading_mean", priors.reading_mean, priors.reading_mean_sd)
    law = dist.LogNormal(np.log(priors.reading_sd), READING_SD_SD)
    p["reading_sd"] = numpyro.sample("reading_sd", law.to_event(2))
    size = priors.carry * (1 - priors.carry) / CARRY_SD**2 - 1
    law = dist.Beta(priors.carry * size, (1 - priors.carry) * size)
    p["carry"] = numpyro.sample("carry", law.to_event(1))
    for name in ("outlier", "judge_accuracy", "judge_repeat"):
        p[name] = numpyro.sample(name, dist.Beta(*getattr(priors, name).beta()))
    return p


def make_model(design: Design, priors: Priors, evidence_weight: float) -> Callable[[], None]:
    """Build the model, without arguments, for :class:`numpyro.infer.NUTS`."""
    likelihood = jax_likelihood.PanelLikelihood(design, priors, evidence_weight)
    tanks, keepers = len(design.tanks), len(design.keepers)

    def model() -> None:
        p = _moving(priors, tanks) | _observing(priors, keepers)
        for name, value in p.items():
            if name not in _SAMPLED:
                numpyro.deterministic(name, value)
        given = {name: p[name] for name in PARAMETERS if name in p}
        given["tank_sign"] = jnp.zeros((tanks, len(priors.signs)))
        with mock.patch.object(jax_chain, "log_likelihood", plain_scan):
            numpyro.factor("log", likelihood(given).sum())

    return model


def of_panel(panel: Panel, priors: Priors) -> Callable[[], None]:
    """Build the model of a panel, with the evidence weight that a fit has by default."""
    return make_model(make_design(panel, priors), priors, DEFAULT_EVIDENCE_WEIGHT)


def log_density(model: Callable[[], None], point: dict[str, Any]) -> Any:
    """Log-density at an unconstrained point, the bend of the line counted."""
    return -potential_energy(model, (), {}, point)


#: What is sampled under its own name, not as a standard normal.
_SAMPLED = (
    "log_advance", "log_setback", "pace_sd", "persistence", "skill_sd", "reading_sd", "carry",
    "outlier", "judge_accuracy", "judge_repeat",
)  # fmt: skip


def unconstrained(initial_point: dict[str, Any]) -> dict[str, Any]:
    """A point of the PyMC model, under the names of this one: both bend the line alike."""
    out = {}
    for name, value in initial_point.items():
        for ending in ("_interval__", "_log__", "_logodds__"):
            name = name.removesuffix(ending)
        out[name] = jnp.asarray(value, dtype=jnp.float64)
    return out
