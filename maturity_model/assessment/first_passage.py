"""How long until the tank is mature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.intervals import Estimate, estimate
from maturity_model.assessment.plan import Plan, look_ahead
from maturity_model.assessment.present import Present
from maturity_model.hmm import native

#: Weeks ahead: two years.
REACH = 104
#: Dots of a quantile dot plot.
DOTS = 20


@dataclass(frozen=True)
class FirstPassage:
    """The first week in the last phase, counted from now.

    All probabilities are given the log up to now, the plan, no other event, and the
    population, mixed over its draws and over the tank's pace and skill.

    Attributes
    ----------
    plan : Plan or None
        None: no further event, husbandry as it stands.
    by_week : ndarray, shape (105,)
        P(in the last phase now, or some week up to w weeks from now); entry 0 is now.
    already : Estimate
        P(in the last phase now).
    not_within : Estimate
        P(not within two years).
    low, median, high : int or None
        5 %, 50 % and 95 % quantiles in weeks; 0 is now, None is later than two years.
    dots : tuple of (int or None), length 20
        Quantiles at 2.5 %, 7.5 %, ... 97.5 %: twenty equally likely outcomes, for a
        quantile dot plot (Kay, Kola, Hullman & Munson 2016, CHI '16: 5092-5103).
    """

    plan: Plan | None
    by_week: Floats
    already: Estimate
    not_within: Estimate
    low: int | None
    median: int | None
    high: int | None
    dots: tuple[int | None, ...]


def first_passage_pmf(
    present: Present, start: Floats, target: int, horizon: int, plan: Plan | None = None
) -> Floats:
    """P(first week in phase ``target`` or above is h weeks from now | draw), shape (horizon, D).

    Entry h-1 is for h weeks from now. ``start``, shape (P, S, D), weighs each pace node and state
    now; states already in ``target`` are ignored. ``target`` is the index of a phase, at least 1.
    """
    chain, d = present.mixture.chain, start.shape[-1]
    ahead = look_ahead(present, horizon, plan)
    out = np.empty((horizon, d))
    hazards = present.hazards.advance[-1], ahead.factor[0], ahead.setback[0], ahead.collapse[0]
    native.first_passage(
        *map(np.ascontiguousarray, (start, *hazards)), target, chain.n_stages, out,
        np.empty((chain.n_moves, 1, d)), np.empty((2 * chain.n_states + chain.n_phases, d)),
    )  # fmt: skip
    return out


def quantile_week(by_week: Floats, level: float) -> int | None:
    """First week in which a cumulative distribution reaches a level, or None."""
    # Rounding in the sum must not postpone a quantile by a week.
    at = int(np.searchsorted(by_week, level - 1e-12))
    return at if at < len(by_week) else None


def time_to_mature(present: Present, plan: Plan | None = None) -> FirstPassage:
    """The distribution of the first week in the last phase, from now."""
    last, weight = present.mixture.chain.n_phases - 1, present.weight
    already = present.phases[last]
    arrives = first_passage_pmf(present, present.states_by_pace(), last, REACH, plan)
    by_draw = already + np.concatenate([np.zeros_like(arrives[:1]), np.cumsum(arrives, axis=0)])
    by_week = np.minimum(by_draw @ weight, 1.0)
    return FirstPassage(
        plan,
        by_week,
        estimate(already, weight),
        estimate(np.maximum(1.0 - by_draw[-1], 0.0), weight),
        quantile_week(by_week, 0.05),
        quantile_week(by_week, 0.5),
        quantile_week(by_week, 0.95),
        tuple(quantile_week(by_week, (i + 0.5) / DOTS) for i in range(DOTS)),
    )
