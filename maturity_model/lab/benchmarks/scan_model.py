"""The pooled model's likelihood in plain PyTensor, as general tools do it.

What a modeller writes who has PyTensor and no kernels: the chain is a scan over weeks, which
PyTensor differentiates. It is laid out from the panel, without the fit's design; the priors are
those of :mod:`maturity_model.fitting.model`. A test holds the two densities and their gradients
against each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pymc as pm
import pytensor
import pytensor.tensor as pt

from maturity_model.fitting.design import keepers_of
from maturity_model.fitting.model import _observing, movement_priors
from maturity_model.fitting.options import ModelOptions
from maturity_model.hmm.staged import StagedChain
from maturity_model.panel import Panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.priors import Priors
from maturity_model.population.tables import LARGEST_EFFECT

#: Stands in for an infinite end of an interval, whose slope would not be a number.
FAR = 1e6
Table = tuple[np.ndarray, np.ndarray, Any]


def scan_model(panel: Panel, priors: Priors, coords: dict[str, Any]) -> pm.Model:
    """Build the pooled model of logs of equal length, its likelihood a scan over weeks."""
    with pm.Model(coords=coords) as model:
        options = ModelOptions()
        p = movement_priors(priors, options) | _observing(priors, options)
        pm.Potential("log", log_likelihood(p, panel, priors).sum())
    return model


def log_likelihood(p: dict[str, Any], panel: Panel, priors: Priors) -> Any:
    """Log-likelihood of each tank, with the default evidence weight, shape (N,).

    ``p``: tensors, named as in :data:`maturity_model.fitting.likelihood.PARAMETERS`.
    """
    weeks = np.diff(panel.first)
    n, steps = len(weeks), int(weeks[0])
    if (weeks != steps).any():
        raise ValueError("the scan is written for logs of equal length")
    chain = StagedChain(len(priors.phases), priors.n_stages)
    rows = pt.zeros((n * steps, chain.n_states))
    for row, code, table in _tables(p, panel, priors, chain.gradual()):
        where, take = _held("row", row), _held("code", code)
        rows = pt.inc_subtensor(rows[where], table[take])
    rows = DEFAULT_EVIDENCE_WEIGHT * rows.reshape((n, steps, chain.n_states))
    hazards = pt.exp(_log_hazards(p, panel, n, steps))
    return _scan(priors.start[panel.rock], hazards, rows.dimshuffle(1, 0, 2), chain)


def _held(name: str, values: np.ndarray) -> Any:
    # As data, not as a constant of the graph: those cost compilation.
    return pm.Data(f"{name}_{len(pm.modelcontext(None).named_vars)}", values)


def _tables(p: dict[str, Any], panel: Panel, priors: Priors, gradual: Any) -> Iterator[Table]:
    # For each kind of observation: its rows, which distinct one each is, and
    # log P(distinct observation | state), (C, S).
    yield _signs(p, panel, priors, gradual)
    yield (
        panel.readings.row,
        panel.readings.code,
        _readings(p, panel.readings.codes, priors, gradual),
    )
    if len(panel.judgements.codes):
        table = _judgements(p, panel.judgements.codes, priors)
        yield panel.judgements.row, panel.judgements.code, table


def _fields(codes: np.ndarray) -> dict[str, np.ndarray]:
    # PyTensor takes no unaligned arrays, such as the fields of packed records.
    return {name: np.ascontiguousarray(codes[name]) for name in codes.dtype.names or ()}


def _signs(p: dict[str, Any], panel: Panel, priors: Priors, gradual: Any) -> Table:
    signs = panel.signs
    tank = np.repeat(np.arange(len(panel.tanks)), np.diff(panel.first))[signs.row]
    pairs = np.stack([keepers_of(panel)[1][tank], signs.code], axis=1)
    distinct, code = np.unique(pairs, axis=0, return_inverse=True)
    d = _fields(signs.codes[distinct[:, 1]])
    shift = d["level"] * p["persistence"][d["sign"]]
    shift += priors.small[d["sign"]] * (p["look_effect"][d["look"]] + p["skill"][distinct[:, 0]])
    logit = pt.dot(p["sign_logit"], gradual.T)[d["sign"]] + shift[:, None]
    against = np.where(d["seen"], -1.0, 1.0)[:, None]
    return signs.row, code.reshape(-1), -pt.softplus(against * logit)


def _readings(p: dict[str, Any], codes: np.ndarray, priors: Priors, gradual: Any) -> Any:
    d = _fields(codes)
    analyte, offset = d["analyte"], priors.offset[d["analyte"]]
    low = np.where(d["low"] > 0, np.log(np.maximum(d["low"], 0.0) + offset), -FAR)
    high = np.minimum(np.log(d["high"] + offset), FAR)
    previous = np.log(np.maximum(d["previous"], 0.0) + offset)
    pull = (d["previous"] >= 0) * p["carry"][analyte] ** np.maximum(d["gap"], 1.0)
    mean = pt.dot(p["reading_mean"], gradual.T)[analyte]
    mean = (1 - pull[:, None]) * mean + (pull * previous)[:, None]
    sd = pt.dot(p["reading_sd"], gradual.T)[analyte] * pt.sqrt(1 - pull**2)[:, None]
    wide_mean = p["reading_mean"].mean(axis=1)[analyte]
    wide_sd = 2 * p["reading_sd"].max(axis=1)[analyte]
    noise = p["outlier"] * _between(low, high, wide_mean, wide_sd)
    known = (1 - p["outlier"]) * _between(low[:, None], high[:, None], mean, sd)
    return pt.log(pt.maximum(known + noise[:, None], 1e-300))


def _between(low: Any, high: Any, mean: Any, sd: Any) -> Any:
    # P(low < N(mean, sd) < high), worked out in the tail that is small.
    a, b = (pt.clip((x - mean) / sd, -38.0, 38.0) for x in (low, high))
    upper = a > 0.0
    near, far = pt.switch(upper, a, -b), pt.switch(upper, b, -a)
    return 0.5 * (pt.erfc(near * np.sqrt(0.5)) - pt.erfc(far * np.sqrt(0.5)))


def _judgements(p: dict[str, Any], codes: np.ndarray, priors: Priors) -> Any:
    d = _fields(codes)
    k = len(priors.phases)
    wrong = 0.5 ** np.abs(np.arange(k)[:, None] - np.arange(k)) * (1 - np.eye(k))
    wrong /= wrong.sum(axis=1, keepdims=True)
    right = p["judge_accuracy"]
    fresh = (np.eye(k) * right + wrong * (1 - right)).T[d["phase"]]
    repeat = ((d["previous"] >= 0) * p["judge_repeat"])[:, None]
    same = (d["phase"] == d["previous"])[:, None]
    return pt.repeat(pt.log(repeat * same + (1 - repeat) * fresh), priors.n_stages, axis=1)


def _log_hazards(p: dict[str, Any], panel: Panel, n: int, steps: int) -> Any:
    # Of advance, setback and collapse into each week, (T, N, 3, K).
    def by_week(name: str) -> np.ndarray:
        values = getattr(panel, name)
        return np.moveaxis(values.reshape(n, steps, values.shape[1]), 0, 1)

    impulse, pending = by_week("impulse"), by_week("pending")
    new = impulse + np.concatenate([np.zeros_like(pending[:1]), pending[:-1]])
    loads = pytensor.scan(
        lambda new, load, decay: new + decay * load,
        [_held("events", new)], [pt.zeros(new.shape[1:])], [pt.exp(-1.0 / p["event_memory"])],
        n_steps=steps, return_updates=False,
    )  # fmt: skip
    effect = pt.stack([p[f"event_{move}"] for move in ("advance", "setback", "collapse")])
    shift = pt.minimum(pt.dot(loads, effect.T), LARGEST_EFFECT)[..., None]
    advance = p["log_advance"] + pt.dot(_held("husbandry", by_week("husbandry")), p["husbandry"])
    advance = advance + p["pace"][:, None]
    # Nothing lies below the first phase: what stands there is not read.
    down = [pt.concatenate([np.zeros(1), p[f"log_{move}"]]) for move in ("setback", "collapse")]
    base = [advance, *(pt.broadcast_to(x, advance.shape) for x in down)]
    return pt.stack(base, axis=2) + shift


def _routes(n_phases: int, n_stages: int) -> np.ndarray:
    # Where a state's four moves (stay, advance, setback, collapse) lead, (4 S, S).
    states = n_phases * n_stages
    route = np.zeros((4, states, states))
    for j in range(states):
        route[0, j, j] = 1
        route[1, j, min(j + 1, states - 1)] = 1
        route[2, j, max(j // n_stages - 1, 0) * n_stages] = 1
        route[3, j, 0] = 1
    return route.reshape(-1, states)


def _scan(initial: np.ndarray, hazards: Any, log_lik: Any, chain: StagedChain) -> Any:
    # In scaled probabilities: in logarithms, with structural zeros, the gradient would be NaN.
    n, states = initial.shape
    route = _routes(chain.n_phases, chain.n_stages)
    able = np.ones((3, states))
    able[0, -1] = able[1:, : chain.n_stages] = 0.0
    # Nothing moves into the first week.
    hazards = pt.repeat(hazards[1:], chain.n_stages, axis=3) * able
    total = hazards.sum(axis=2)
    share = -pt.expm1(-total) / total
    moves = [pt.exp(-total)[:, :, None], hazards * share[:, :, None]]
    weights = pt.concatenate(moves, axis=2).reshape((-1, n, 4 * states))
    top = log_lik.max(axis=2, keepdims=True)
    emission = pt.exp(log_lik - top)

    def scaled(joint: Any) -> Any:
        scale = joint.sum(axis=1, keepdims=True)
        return joint / scale, pt.log(scale)[:, 0]

    def step(weights: Any, emission: Any, alpha: Any) -> Any:
        moved = pt.dot(pt.concatenate([alpha] * 4, axis=1) * weights, route)
        return scaled(moved * emission)

    alpha, value = scaled(initial * emission[0])
    alpha = pt.specify_shape(alpha, (n, states))
    _, values = pytensor.scan(step, [weights, emission[1:]], [alpha, None], return_updates=False)
    return value + values.sum(axis=0) + top.sum(axis=(0, 2))
