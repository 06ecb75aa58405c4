"""The pooled model written in numpyro, its chain a ``lax.scan`` that JAX differentiates.

The same priors, names and likelihood as :func:`maturity_model.fitting.model.build_model`
makes with its default options; a test holds the two densities against each other.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpyro
import numpyro.distributions as dist
from jax.scipy.special import erfc
from numpyro.infer.util import potential_energy

from maturity_model.fitting.design import Design, make_design
from maturity_model.hmm.staged import StagedChain
from maturity_model.lab.benchmarks.symbolic import routes
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
from maturity_model.population.tables import LARGEST_EFFECT

jax.config.update("jax_enable_x64", True)


def _between(low: Any, high: Any, mean: Any, sd: Any) -> Any:
    # P(low < N(mean, sd) < high), worked out in the tail that is small.
    a, b = (jnp.clip((x - mean) / sd, -38.0, 38.0) * np.sqrt(0.5) for x in (low, high))
    upper = a > 0.0
    return 0.5 * (erfc(jnp.where(upper, a, -b)) - erfc(jnp.where(upper, b, -a)))


def _tables(design: Design, priors: Priors, p: dict[str, Any], gradual: Any) -> Any:
    # For signs, readings and judgements: log P(distinct observation | state), (C, S).
    d = design.sign_cell
    shift = d["level"] * p["persistence"][d["sign"]]
    shift += priors.small[d["sign"]] * (p["look_effect"][d["look"]] + p["skill"][d["observer"]])
    logit = (p["sign_logit"] @ gradual.T)[d["sign"]] + shift[:, None]
    yield design.sign_row, design.sign_code, jax.nn.log_sigmoid(d["seen"][:, None] * logit)

    d = design.reading_cell
    a, offset = d["analyte"], priors.offset[d["analyte"]]
    # Not infinite: the derivative would be NaN.
    low = np.where(d["low"] > 0, np.log(np.maximum(d["low"], 0) + offset), -1e6)[:, None]
    high = np.minimum(np.log(d["high"] + offset), 1e6)[:, None]
    pull = jnp.where(d["previous"] >= 0, p["carry"][a] ** np.maximum(d["gap"], 1.0), 0.0)[:, None]
    previous = np.log(np.maximum(d["previous"], 0.0) + offset)[:, None]
    mean = (1 - pull) * (p["reading_mean"] @ gradual.T)[a] + pull * previous
    sd = (p["reading_sd"] @ gradual.T)[a] * jnp.sqrt(1 - pull**2)
    wide = p["reading_mean"].mean(axis=1)[a, None], 2 * p["reading_sd"].max(axis=1)[a, None]
    noise = p["outlier"] * _between(low, high, *wide)
    found = (1 - p["outlier"]) * _between(low, high, mean, sd) + noise
    yield design.reading_row, design.reading_code, jnp.log(jnp.maximum(found, 1e-300))

    d = design.judged_cell
    if not len(d):
        return
    k = len(priors.phases)
    wrong = 0.5 ** np.abs(np.arange(k)[:, None] - np.arange(k)) * (1 - np.eye(k))
    wrong /= wrong.sum(axis=1, keepdims=True)
    fresh = (np.eye(k) * p["judge_accuracy"] + wrong * (1 - p["judge_accuracy"])).T[d["phase"]]
    repeat = np.where(d["previous"] >= 0, 1.0, 0.0)[:, None] * p["judge_repeat"]
    found = repeat * (d["phase"] == d["previous"])[:, None] + (1 - repeat) * fresh
    yield design.judged_row, design.judged_code, jnp.repeat(jnp.log(found), priors.n_stages, axis=1)


def _hazards(design: Design, p: dict[str, Any], steps: int) -> Any:
    # Of advance, setback and collapse into each week, (T, N, 3, K); none below the first phase.
    def by_week(x: np.ndarray) -> np.ndarray:
        return np.moveaxis(x.reshape(-1, steps, x.shape[1]), 0, 1)

    impulse, pending = by_week(design.impulse), by_week(design.pending)
    new = impulse + np.concatenate([0 * pending[:1], pending[:-1]])
    decay = jnp.exp(-1.0 / p["event_memory"])

    def add(load: Any, new: Any) -> Any:
        load = new + decay * load
        return load, load

    load = jax.lax.scan(add, jnp.zeros(new.shape[1:]), new)[1]
    effects = jnp.stack([p[f"event_{m}"] for m in ("advance", "setback", "collapse")], axis=1)
    shift = jnp.minimum(load @ effects, LARGEST_EFFECT)[..., None]
    advance = p["log_advance"] + by_week(design.husbandry) @ p["husbandry"] + p["pace"][:, None]
    none = jnp.full(1, -600.0)
    down = [jnp.concatenate([none, p[f"log_{m}"]]) for m in ("setback", "collapse")]
    base = [advance, *(jnp.broadcast_to(x, advance.shape) for x in down)]
    return jnp.exp(jnp.stack(base, axis=2) + shift)


def log_likelihood(
    design: Design, priors: Priors, evidence_weight: float, p: dict[str, Any]
) -> Any:
    """Log-likelihood of all tanks, whose logs are of equal length, by a scan over weeks."""
    chain = StagedChain(len(priors.phases), priors.n_stages)
    steps, states = int(design.first[1]), chain.n_states
    if (np.diff(design.first) != steps).any():
        raise ValueError("the scan is written for logs of equal length")
    rows = jnp.zeros((len(design.tank_of_row), states))
    for row, code, table in _tables(design, priors, p, chain.gradual()):
        rows = rows.at[row].add(table[code])
    log_lik = evidence_weight * jnp.moveaxis(rows.reshape(-1, steps, states), 0, 1)
    hazard = jnp.repeat(_hazards(design, p, steps), priors.n_stages, axis=3)
    # The last state does not advance, the first phase does not fall.
    able = np.ones((3, states))
    able[0, -1] = able[1:, : priors.n_stages] = 0.0
    hazard = hazard * able
    route = routes(len(priors.phases), priors.n_stages)

    def week(alpha: Any, at: Any) -> Any:
        hazard, log_lik = at
        total = hazard.sum(axis=1)
        move = hazard * (-jnp.expm1(-total) / total)[:, None]
        chance = jnp.concatenate([jnp.exp(-total)[:, None], move], axis=1)
        return observe((chance * alpha[:, None]).reshape(-1, 4 * states) @ route, log_lik)

    def observe(alpha: Any, log_lik: Any) -> Any:
        top = log_lik.max(axis=1, keepdims=True)
        joint = alpha * jnp.exp(log_lik - top)
        total = joint.sum(axis=1, keepdims=True)
        return joint / total, (jnp.log(total) + top).sum()

    alpha, first = observe(jnp.asarray(design.start), log_lik[0])
    return first + jax.lax.scan(week, alpha, (hazard[1:], log_lik[1:]))[1].sum()


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
    tanks, keepers = len(design.tanks), len(design.keepers)

    def model() -> None:
        p = _moving(priors, tanks) | _observing(priors, keepers)
        for name, value in p.items():
            if name not in _SAMPLED:
                numpyro.deterministic(name, value)
        numpyro.factor("log", log_likelihood(design, priors, evidence_weight, p))

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
