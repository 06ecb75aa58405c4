"""One step ahead: how well a population predicts check-ins, and what tanks have of their own.

The filter raises what was seen to the power ω; the check-in to come is scored by its plain
likelihood (Dawid 1984, *JRSS A* 147: 278-292), since a power is not a probability of
anything.

Where the model is right, what one-step-ahead predictions of a sign miss has mean zero given the
past, so that its sum over a tank's weeks has the variance that the predictions themselves
state. A tank whose sign is always likelier than predicted makes the sum larger; the excess
tells how far tanks shift their signs (by moments, as DerSimonian and Laird 1986, *Controlled
Clinical Trials* 7: 177-188, tell how far trials differ).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.observation_tables import log_emission, log_tables, powers_of_fit
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.psis import smooth_weights
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.population.tables import (
    fit_to_catalogue,
    sign_table,
    tank_hazards,
)
from maturity_model.population.types import Population, take_draws

if TYPE_CHECKING:
    from maturity_model.panel import Panel


#: Weights that are tried.
GRID = (0.15, 0.25, 0.35, 0.4, 0.5, 0.65, 0.8, 1.0)
#: Nodes for pace and skill, as in the weekly path; draws mixed over.
NODES, DRAWS = (5, 3), 64


@dataclass(frozen=True)
class OneStep:
    """Check-ins one step ahead.

    Attributes
    ----------
    weights : tuple of float
        Evidence weights of the filter.
    score : ndarray, shape (N, W)
        log p(check-in | log up to the week before), summed over the weeks of a tank.
    missed, variance : ndarray, shape (N, G)
        By tank and sign: seen less predicted, summed over weeks, and the variance that the
        predictions state for it; filtered with a weight of 1.
    checkins : int ndarray, shape (N,)
        Weeks with a check-in.
    """

    weights: tuple[float, ...]
    score: Floats
    missed: Floats
    variance: Floats
    checkins: Ints

    def per_checkin(self) -> Floats:
        """Mean score of a check-in by weight, shape (W,)."""
        return np.asarray(self.score.sum(axis=0) / self.checkins.sum())

    def shift_variance(self) -> float:
        """Excess of what was missed: variance of tanks' own shifts of a sign's log-odds.

        By moments, to first order. It may be negative, and the phases that the filter finds
        take up some of the shifts: :func:`weight_for` allows for that.
        """
        return moments(self.missed, self.variance)


def moments(missed: Floats, variance: Floats) -> float:
    """Variance of shifts u where ``missed ~ variance * u + noise`` of that variance."""
    return float((missed**2 - variance).sum() / (variance**2).sum())


def _predicted(found: FilteredMixture, prior: Floats, draw_weight: Floats) -> Floats:
    # P(state, skill, draw | log up to the week before), shape (T, S, Q, D). What the filter
    # predicted is what it found divided by the emission that it used: no moves are needed.
    ahead = found.filtered * found.scale[:, :, :, None]
    before = np.empty_like(found.node_weight)
    before[:, :, 0], before[:, :, 1:] = prior[:, :, None], found.node_weight[:, :, :-1]
    log_draw = np.log(draw_weight) + np.concatenate(
        [np.zeros((1, found.states.shape[2])), found.log_likelihood[:-1]]
    )
    share = np.exp(log_draw - log_draw.max(axis=1, keepdims=True))
    lane = before * (share / share.sum(axis=1, keepdims=True))
    out = np.einsum("pqtsd,pqtd->tsqd", ahead, lane) / found.emission
    return np.asarray(out / out.sum(axis=(1, 2, 3), keepdims=True))


def _missed(panel: Panel, n: int, predicted: Floats, seen: Floats) -> tuple[Floats, Floats]:
    # Of each sign, shape (G,); `seen` is P(seen) of each code, shape (C, S, Q, D).
    starts, codes = panel.signs.of_rows(int(panel.first[n]), int(panel.first[n + 1]))
    week = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
    p = np.array(
        [np.vdot(predicted[t], seen[c]) for t, c in zip(week, codes, strict=True)], dtype=float
    )
    found = panel.signs.codes[codes]
    size = len(panel.catalogue.signs)
    missed, variance = (
        np.bincount(found["sign"], x, size).astype(np.float64)
        for x in (found["seen"] - p, p * (1 - p))
    )
    return missed, variance


def one_step_ahead(
    panel: Panel,
    population: Population,
    weights: tuple[float, ...] = GRID,
    *,
    in_fit: bool = True,
    draws: int = DRAWS,
) -> OneStep:
    """Score each check-in as the log up to the week before predicts it.

    Parameters
    ----------
    panel : Panel
    population : Population
    weights : tuple of float
        Evidence weights to filter with.
    in_fit : bool
        Whether the panel's tanks were in the population's fit. Each is then taken out of it
        by importance weights, as :func:`.leave_one_out.loo_by_tank` does.
    draws : int
        Draws to mix over, evenly spaced.

    Returns
    -------
    OneStep
    """
    population = fit_to_catalogue(population, panel.catalogue)
    index = np.linspace(0, population.n_draws - 1, min(draws, population.n_draws))
    population = take_draws(population, np.unique(index.round().astype(np.int64)))
    pace, pace_weight = normal_nodes(NODES[0])
    skill, skill_weight = normal_nodes(NODES[1])
    prior = np.outer(pace_weight, skill_weight)
    n_draws = population.n_draws
    score = np.empty((len(panel.tanks), len(weights)))
    missed, variance = np.zeros((2, len(panel.tanks), len(panel.catalogue.signs)))
    answer = sign_table(panel, population, skill, 1.0)
    was = panel.signs.codes["seen"].astype(bool)[:, None, None, None]
    seen = np.where(was, answer, 1.0 - answer)
    draw_weight = np.full((len(panel.tanks), n_draws), 1.0 / n_draws)
    if in_fit:
        own = tank_log_likelihood(panel, population, powers_of_fit(population))
        draw_weight = np.maximum(smooth_weights(-own)[0], 1e-300)
    tables = log_tables(panel, population, skill, 1.0)
    shape = (population.chain.n_states, len(skill), n_draws)
    for n in range(len(panel.tanks)):
        rows = log_emission(panel, n, tables, shape)
        top = rows.max(axis=(1, 2))
        moves = tank_hazards(panel, n, population, pace).moves()
        start = np.repeat(population.start[panel.rock[n]][:, None], n_draws, axis=1)

        def filtered(
            power: float,
            rows: Floats = rows,
            top: Floats = top,
            moves: Floats = moves,
            start: Floats = start,
        ) -> FilteredMixture:
            emission = np.exp(np.maximum(power * (rows - top[:, None, None]), -600.0))
            found = filter_mixture(population.chain, start, moves, emission, prior)
            scale = power * np.cumsum(top, axis=0)
            return replace(found, log_likelihood=found.log_likelihood + scale)

        highest = rows.max(axis=(1, 2, 3))
        plain = np.exp(rows - highest[:, None, None, None])
        for w, power in enumerate(weights):
            ahead = _predicted(filtered(power), prior, draw_weight[n])
            each = np.log(np.einsum("tsqd,tsqd->t", ahead, plain)) + highest
            score[n, w] = each.sum()
        ahead = _predicted(filtered(1.0), prior, draw_weight[n])
        missed[n], variance[n] = _missed(panel, n, ahead, seen)
    checkins = np.add.reduceat(panel.checked.astype(np.int64), panel.first[:-1])
    return OneStep(tuple(weights), score, missed, variance, checkins)


#: Shift variance told by a pool, and the evidence weight that then finds phases best in
#: simulated clubs: reports/pooling, table of weights.
WEIGHT_BY_SHIFT = (
    (0.0, 1.0), (0.1, 1.0), (0.35, 0.8), (0.64, 0.7), (0.82, 0.5), (1.1, 0.4), (1.34, 0.3),
)  # fmt: skip


def weight_for(shift_variance: float) -> float:
    """The evidence weight for tanks that shift their signs so far, to the nearest 0.05.

    Parameters
    ----------
    shift_variance : float
        As :meth:`OneStep.shift_variance` tells it.
    """
    x, y = zip(*WEIGHT_BY_SHIFT, strict=True)
    return round(round(float(np.interp(shift_variance, x, y)) * 20) / 20, 2)


@dataclass(frozen=True)
class Choice:
    """An evidence weight, and why.

    Attributes
    ----------
    weight : float
    shift_variance : float
    one_step : OneStep
    """

    weight: float
    shift_variance: float
    one_step: OneStep

    def provenance(self) -> dict[str, str]:
        """What the population's file says of it."""
        scores = zip(self.one_step.weights, self.one_step.per_checkin(), strict=True)
        return {
            "evidence_weight_chosen_by": "tanks' own shifts of signs, told by what one-step-ahead "
            "predictions missed; reports/pooling",
            "sign_shift_variance": f"{self.shift_variance:.3f}",
            "one_step_score_per_checkin": "; ".join(f"{w:g}: {s:.4f}" for w, s in scores),
        }


def choose_weight(
    panel: Panel,
    population: Population,
    weights: tuple[float, ...] = GRID,
    *,
    in_fit: bool = True,
) -> Choice:
    """Choose the evidence weight with which the weekly path should use a population.

    The next check-in is predicted about as well with any weight near 1, also where tanks have
    ways of their own: a phase that is wrong can predict a tank's signs well. So the score one step
    ahead is told, but does not choose. What its predictions missed tells how far tanks shift
    their signs, and simulated clubs tell which weight then finds the phases best.

    Parameters
    ----------
    panel : Panel
    population : Population
    weights : tuple of float
        To be scored one step ahead.
    in_fit : bool
        See :func:`one_step_ahead`.

    Returns
    -------
    Choice
    """
    found = one_step_ahead(panel, population, weights, in_fit=in_fit)
    variance = found.shift_variance()
    return Choice(weight_for(variance), variance, found)
