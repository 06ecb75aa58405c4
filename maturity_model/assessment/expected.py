"""What a population expects of a tank without a log: signs by phase, phases by week, slips."""

from __future__ import annotations

import numpy as np

from maturity_model._typing import Floats
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.hmm.staged import move_probabilities, step_lanes
from maturity_model.population.tables import Hazards
from maturity_model.population.types import Population

#: Draws between these quantiles are a range; the median is the best guess.
_QUANTILES = (0.05, 0.5, 0.95)
_PACE_NODES = 5


def seen_by_phase(population: Population) -> Floats:
    """P(seen | a careful look, middle of the phase, nothing recorded lately).

    Returns
    -------
    ndarray, shape (3, G, K)
        5 % quantile, median and 95 % quantile over the population's draws.
    """
    return np.quantile(1.0 / (1.0 + np.exp(-population.sign_logit)), _QUANTILES, axis=-1)


def phases_by_week(population: Population, rock: str, live: float, weeks: int) -> Floats:
    """P(phase in week t), of a tank with usual water changes and no events.

    Parameters
    ----------
    rock : str
        One of the population's kinds of rock, for the start.
    live : float
        The covariate ``live_rock``: 1 live, 0 dry.
    weeks : int

    Returns
    -------
    ndarray, shape (weeks + 1, K)
        Week 0 is the week of the start; over all draws and paces.
    """
    chain, d = population.chain, population.n_draws
    husbandry = np.zeros((1, len(population.covariates)))
    husbandry[0, population.covariates.index("live_rock")] = live
    moves, weights = _moves(population, weeks, None, husbandry)
    start = population.start[population.rocks.index(rock)]
    now = np.broadcast_to(start[None, None, :, None], (len(weights), 1, chain.n_states, d))
    out = np.empty((weeks + 1, chain.n_phases))
    for week in range(weeks + 1):
        out[week] = chain.by_phase(np.einsum("p,pqsd->s", weights, now) / d)
        if week < weeks:
            now = step_lanes(now, moves[week], chain)
    return out


def slip_by_phase(population: Population, event: str | None, weeks: int) -> Floats:
    """P(a lower phase at some time in the next ``weeks`` weeks | middle of the phase now).

    Parameters
    ----------
    event : str or None
        What happens now, at its reference amount; None: nothing.
    weeks : int

    Returns
    -------
    ndarray, shape (3, K)
        5 % quantile, median and 95 % quantile over the population's draws. Without a further
        event, with usual husbandry; 0 in the lowest phase.
    """
    chain, d = population.chain, population.n_draws
    moves, weights = _moves(population, weeks, event, np.zeros((1, len(population.covariates))))
    out = np.zeros((len(_QUANTILES), chain.n_phases))
    for k in range(1, chain.n_phases):
        lowest = k * chain.n_stages
        now = np.zeros((len(weights), 1, chain.n_states, d))
        now[:, :, lowest + chain.n_stages // 2] = 1.0
        for week in range(weeks):
            now = step_lanes(now, moves[week], chain)
            # What has slipped is out, so that a recovery does not hide it.
            now[:, :, :lowest] = 0.0
        slipped = 1.0 - np.einsum("p,pqsd->d", weights, now)
        out[:, k] = np.quantile(slipped, _QUANTILES)
    return out


def _moves(
    population: Population, weeks: int, event: str | None, husbandry: Floats
) -> tuple[Floats, Floats]:
    """Moves of the weeks to come, (weeks, 4K+3, P, D), and the weights of the paces, (P,)."""
    nodes, weights = normal_nodes(_PACE_NODES)
    kinds, d = len(population.events), population.n_draws
    base = population.log_advance + np.einsum("tj,jkd->kd", husbandry, population.husbandry)
    advance = np.exp(base[:, None] + nodes[:, None] * population.pace_sd)
    hazards = Hazards(population, advance[None], np.zeros((1, kinds, d)), np.zeros((1, kinds)))
    extra = np.zeros((weeks, kinds))
    if event is not None:
        extra[0, population.events.index(event)] = 1.0
    factor, setback, collapse = (x[0] for x in hazards.from_now(weeks, extra))
    rows = [
        move_probabilities(
            (advance * factor[h][:, None]).reshape(len(advance), -1),
            np.tile(setback[h], len(nodes)),
            np.tile(collapse[h], len(nodes)),
        ).reshape(-1, len(nodes), d)
        for h in range(weeks)
    ]
    return np.stack(rows), weights
