"""Risk of slipping back: as things stand, and under a what-if."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.assessment.intervals import Estimate, estimates
from maturity_model.assessment.plan import WATER, Plan, Step, look_ahead
from maturity_model.assessment.present import Present
from maturity_model.hmm.mixture import downward_risk


@dataclass(frozen=True)
class Risk:
    """Risk of slipping back under one plan.

    Attributes
    ----------
    plan : Plan or None
        None: no further event, husbandry as it stands.
    horizons : tuple of int
        Weeks.
    risk : tuple of Estimate
        P(phase at some week in t+1..t+h is lower than now | log up to now, the plan, no
        other event, population), for each h in ``horizons``. The plan is an intervention,
        so it changes what comes and says nothing about the present.
    change : tuple of Estimate
        The same minus that without the plan, draw by draw; 0 for no plan.
    """

    plan: Plan | None
    horizons: tuple[int, ...]
    risk: tuple[Estimate, ...]
    change: tuple[Estimate, ...]


def slip_probability(
    present: Present, plan: Plan | None = None, horizons: tuple[int, ...] = HORIZONS
) -> Floats:
    """P(a lower phase than now, in the next h weeks | log, plan, draw), shape (horizons, D).

    The recursion over h weeks is exact: it keeps the starting phase, and integrates over
    pace and skill within each draw.
    """
    ahead = look_ahead(present, max(horizons), plan)
    # One node for skill, which does not act on the moves to come.
    state = present.states_by_pace()[:, None, None]
    return downward_risk(
        present.mixture.chain,
        state,
        np.ones((len(state), 1, 1, state.shape[-1])),
        np.ascontiguousarray(present.hazards.advance[-1:]),
        (ahead.factor, ahead.setback, ahead.collapse),
        horizons,
    )[0]


def event_plans(present: Present) -> tuple[Plan, ...]:
    """Each kind of event that can happen, but water changes, today, at its listed amount."""
    return tuple(
        Plan(kind.name if amount is None else f"{kind.name}={amount:g}", (Step(kind.name, amount),))
        for kind in present.panel.catalogue.events.values()
        if kind.name != WATER and present.can_happen(kind.name)
        for amount in [kind.reference_amount]
    )


def slip_risks(
    present: Present, plans: tuple[Plan, ...] = (), horizons: tuple[int, ...] = HORIZONS
) -> tuple[Risk, ...]:
    """Risk of slipping back: as things stand, if an event happened today, under plans.

    The first has no plan; then one by kind of event (:func:`event_plans`); then ``plans``.
    """
    weight, every = present.weight, (None, *event_plans(present), *plans)
    by_plan = [slip_probability(present, plan, horizons) for plan in every]
    return tuple(
        Risk(plan, horizons, estimates(p, weight), estimates(p - by_plan[0], weight))
        for plan, p in zip(every, by_plan, strict=True)
    )
