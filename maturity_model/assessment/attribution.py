"""What a recorded event did, as far as the model can tell.

This is the model's attribution, not proof: it rests on the population's effects of events,
and nobody knows what else happened in those weeks without being logged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.intervals import Estimate, estimates
from maturity_model.assessment.observed import checkins_of
from maturity_model.assessment.plan import WATER
from maturity_model.assessment.present import Present
from maturity_model.hmm import native
from maturity_model.logbook import Event

#: Weeks after an event in which a slip may be attributed to it.
FOLLOWED = 8


@dataclass(frozen=True)
class EventEffect:
    """What one event of the log did, by the model's attribution.

    A slip is the first week in a phase below that of the week before the event could act.
    Given a slip, the event caused it with probability ``1 - h_without / h_with``, its share
    in the hazard with all other events in place (thinning of competing hazards: Cox and
    Oakes 1984, *Analysis of Survival Data*, ch. 9). What would have happened instead of that
    slip is not simulated. Each event is removed alone, so the numbers of events close
    together overlap and do not add up.

    Attributes
    ----------
    event : Event
    followed : int
        Weeks of the log since, at most 8. At 0 all numbers are 0.
    slipped : Estimate
        P(the tank slipped within ``followed`` weeks | whole log).
    without : Estimate
        P(a slip within them that is not due to the event | whole log).
    due : Estimate
        P(a slip within them that is due to the event | whole log): their difference.
        Exactly 0 where the population gives the event no effect; an event that makes
        a slip less likely counts as 0.
    """

    event: Event
    followed: int
    slipped: Estimate
    without: Estimate
    due: Estimate


def event_effects(present: Present) -> tuple[EventEffect, ...]:
    """What each event in the log did, by date; water changes apart (they are husbandry)."""
    started = present.panel.tanks[present.n].started
    events = [e for e in present.events if e.kind != WATER]
    if not events:
        return ()
    last_look: dict[int, int] = {}
    for c in checkins_of(present.panel, present.n):
        days = (c.date - started).days
        last_look[days // 7] = days
    # The first move that each event acts on: into its own week, or into the next if it came
    # after that week's last look, as in the panel.
    acts = []
    for e in events:
        days = (e.date - started).days
        acts.append(days // 7 + (days > last_look.get(days // 7, days)))
    slips = _slips(present, {max(week - 1, 0) for week in acts})
    return tuple(
        _effect(present, e, week, slips[max(week - 1, 0)])
        for e, week in zip(events, acts, strict=True)
    )


def _slips(present: Present, starts: set[int]) -> dict[int, Floats]:
    # By start: P(first slip 1..8 weeks after it | log, draw), by setback and by collapse.
    mixture = present.mixture
    (k, r), (weeks, s, d) = mixture.chain, mixture.states.shape
    steps = np.array(sorted(starts), dtype=np.int64)
    out = np.empty((len(steps), 2, FOLLOWED, d))
    native.first_slips(
        mixture.filtered, mixture.moves, mixture.emission, mixture.scale, present.node_weight,
        steps, k, r, out, np.empty((weeks, k - 1, d)), np.empty((2 * s + k + 1, d)),
    )  # fmt: skip
    return dict(zip(steps.tolist(), out, strict=True))


def _effect(present: Present, event: Event, week: int, slips: Floats) -> EventEffect:
    population, kinds = present.population, present.panel.catalogue.events
    e = list(kinds).index(event.kind)
    size = kinds[event.kind].size(event.amount)
    start = max(week - 1, 0)
    # The event's own part of the load on the move into start + 1, start + 2, ...
    age = start + np.arange(1, FOLLOWED + 1) - week
    load = size * np.exp(-age[:, None] / population.event_memory[e])
    effect = np.stack([population.event_setback[e], population.event_collapse[e]])
    # h_with / h_without = exp(effect * own load), whatever else is in both.
    share = -np.expm1(-np.maximum(effect[:, None] * load, 0.0))
    slipped = slips.sum(axis=(0, 1))
    due = (slips * share).sum(axis=(0, 1))
    followed = min(max(present.weeks - 1 - start, 0), FOLLOWED)
    answers = estimates(np.stack([slipped, slipped - due, due]), present.weight)
    return EventEffect(event, followed, *answers)
