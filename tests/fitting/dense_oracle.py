"""The pooled likelihood written the slow, obvious way: what the fit's own is checked against.

Tank by tank and week by week, every state against every state, one observation after another,
straight from the model's definition and from the panel, without the package's design, tables or
kernels. Written for any array library like NumPy, so that JAX can differentiate it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from maturity_model.panel import Panel
from maturity_model.population.priors import Priors

MOVES = ("advance", "setback", "collapse")
#: Log hazard ratios of events stop here.
LARGEST = 100.0
#: Stands in for an infinite end of an interval, whose derivative would not be a number.
FAR = 1e6


def log_likelihood_by_tank(
    xp: Any,
    p: Mapping[str, Any],
    panel: Panel,
    priors: Priors,
    weights: Mapping[str, float],
) -> Any:
    """Log-likelihood of each tank, shape (N,).

    Parameters
    ----------
    xp : module
        ``numpy`` or ``jax.numpy``.
    p : mapping
        Named as in :data:`maturity_model.fitting.likelihood.PARAMETERS`.
    panel : Panel
    priors : Priors
    weights : mapping
        Powers on the likelihood of ``signs``, ``readings`` and ``judgements``; 0 leaves a kind
        out.
    """
    who = [t.keeper or f"tank:{t.name}" for t in panel.tanks]
    keepers = list(dict.fromkeys(who))
    tables = {
        "signs": lambda code, n: sign(xp, p, priors, code, keepers.index(who[n]), n),
        "readings": lambda code, n: reading(xp, p, priors, code),
        "judgements": lambda code, n: judgement(xp, p, priors, code),
    }
    each = []
    for n in range(len(panel.tanks)):
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        rows = [xp.zeros(priors.start.shape[1]) for _ in range(first, last)]
        for kind, weight in weights.items():
            seen = getattr(panel, kind)
            for row, code in zip(seen.row, seen.code, strict=True):
                if weight and first <= row < last:
                    more = weight * tables[kind](seen.codes[code], n)
                    rows[row - first] = rows[row - first] + more
        hazards = log_hazards(xp, p, panel, n)
        start, by_week = xp.asarray(priors.start[panel.rock[n]]), xp.stack(hazards, axis=1)
        value = chain_log_likelihood(xp, start, by_week, rows, priors.n_stages)
        each.append(value)
    return xp.stack(each)


def chain_log_likelihood(xp: Any, start: Any, hazards: Any, rows: Any, n_stages: int) -> Any:
    """Log-likelihood of one tank of T weeks.

    ``start`` is P(state in week 0), (S,); ``hazards``, (T, 3, K), are the logs of those of the move
    into each week, of which the first is not used; ``rows`` are log P(observations | state).
    """
    alpha, value = start, 0.0
    for t, row in enumerate(rows):
        if t > 0:
            alpha = alpha @ transition(xp, list(hazards[t]), n_stages)
        # Scaled: in logarithms a state out of reach would have no derivative.
        top = row.max()
        joint = alpha * xp.exp(row - top)
        value = value + xp.log(joint.sum()) + top
        alpha = joint / joint.sum()
    return value


def by_state(xp: Any, values: Any, n_stages: int) -> Any:
    """Values of K phases in their S states: linear between the phases' middles, flat outside."""
    k = len(values)
    out = []
    for s in range(k * n_stages):
        at = min(max((s - (n_stages - 1) / 2) / n_stages, 0.0), k - 1.0)
        below = min(int(at), k - 2)
        out.append(values[below] + (values[below + 1] - values[below]) * (at - below))
    return xp.stack(out)


def sign(xp: Any, p: Any, priors: Priors, code: Any, keeper: int, tank: int) -> Any:
    """log P(one sign seen or not | state), shape (S,)."""
    g = int(code["sign"])
    logit = by_state(xp, p["sign_logit"][g], priors.n_stages)
    logit = logit + code["level"] * p["persistence"][g]
    logit = logit + priors.small[g] * (p["look_effect"][int(code["look"])] + p["skill"][keeper])
    logit = logit + p["tank_sign"][tank, g]
    return -xp.logaddexp(0.0, -logit if code["seen"] else logit)


def reading(xp: Any, p: Any, priors: Priors, code: Any) -> Any:
    """log P(one reading in its interval | state, reading before), shape (S,)."""
    a = int(code["analyte"])
    low, high = (
        min(max(float(np.log(x + priors.offset[a])) if x > 0 else -FAR, -FAR), FAR)
        for x in (code["low"], code["high"])
    )
    mean = by_state(xp, p["reading_mean"][a], priors.n_stages)
    sd = by_state(xp, p["reading_sd"][a], priors.n_stages)
    if code["previous"] >= 0:
        pull = p["carry"][a] ** max(float(code["gap"]), 1.0)
        mean = mean + pull * (np.log(code["previous"] + priors.offset[a]) - mean)
        sd = sd * xp.sqrt(1 - pull**2)
    wide = between(xp, low, high, p["reading_mean"][a].mean(), 2 * p["reading_sd"][a].max())
    found = (1 - p["outlier"]) * between(xp, low, high, mean, sd) + p["outlier"] * wide
    return xp.log(found)


def between(xp: Any, low: float, high: float, mean: Any, sd: Any) -> Any:
    """P(low < N(mean, sd) < high), worked out in the tail that is small."""
    if xp is np:
        from scipy.special import erfc
    else:
        from jax.scipy.special import erfc
    a, b = (low - mean) / sd / np.sqrt(2.0), (high - mean) / sd / np.sqrt(2.0)
    return 0.5 * xp.where(a > 0, erfc(a) - erfc(b), erfc(-b) - erfc(-a))


def judgement(xp: Any, p: Any, priors: Priors, code: Any) -> Any:
    """log P(one judged phase | state, judgement before), shape (S,)."""
    k, named = len(priors.phases), int(code["phase"])
    out = []
    for true in range(k):
        wrong = {j: 0.5 ** abs(j - true) for j in range(k) if j != true}
        fresh = p["judge_accuracy"]
        if named != true:
            fresh = (1 - p["judge_accuracy"]) * wrong[named] / sum(wrong.values())
        if code["previous"] >= 0:
            repeat = p["judge_repeat"]
            fresh = repeat * float(named == code["previous"]) + (1 - repeat) * fresh
        out += [xp.log(fresh)] * priors.n_stages
    return xp.stack(out)


def log_hazards(xp: Any, p: Any, panel: Panel, n: int) -> list[Any]:
    """Log hazards of advance, setback and collapse into each week of tank n, each (T, K).

    The first of setback and collapse stands for moves that do not exist.
    """
    here = slice(int(panel.first[n]), int(panel.first[n + 1]))
    impulse, pending = panel.impulse[here], panel.pending[here]
    left = xp.exp(-1.0 / p["event_memory"])
    loads = []
    for t in range(len(impulse)):
        # As a sum over past events, not by recursion.
        load = sum(impulse[u] * left ** (t - u) for u in range(t + 1))
        loads.append(load + sum(pending[u] * left ** (t - 1 - u) for u in range(t)))
    none = xp.zeros(1)
    base = {
        "advance": p["log_advance"] + panel.husbandry[here] @ p["husbandry"] + p["pace"][n],
        "setback": xp.concatenate([none, p["log_setback"]])[None],
        "collapse": xp.concatenate([none, p["log_collapse"]])[None],
    }
    return [
        base[move] + xp.minimum(xp.stack(loads) @ p[f"event_{move}"], LARGEST)[:, None]
        for move in MOVES
    ]


def leads(n_phases: int, n_stages: int) -> Any:
    """Whether each move leads from state j to state i, shape (3, S, S)."""
    states = n_phases * n_stages
    out = np.zeros((3, states, states))
    for j in range(states):
        if j + 1 < states:
            out[0, j, j + 1] = 1
        if j >= n_stages:
            out[1, j, (j // n_stages - 1) * n_stages] = 1
            out[2, j, 0] = 1
    return out


def transition(xp: Any, log_hazard: list[Any], n_stages: int) -> Any:
    """P(state i next week | state j), shape (S, S), from three log hazards of shape (K,).

    Hazards compete: a state is left with probability ``1 - exp(-their sum)``, by each move in
    proportion to its hazard.
    """
    where = leads(len(log_hazard[0]), n_stages)
    rate = sum(
        xp.repeat(xp.exp(h), n_stages)[:, None] * to
        for h, to in zip(log_hazard, where, strict=True)
    )
    total = rate.sum(axis=1)
    return xp.diag(xp.exp(-total)) + (-xp.expm1(-total) / total)[:, None] * rate
