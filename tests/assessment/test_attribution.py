"""What recorded events did, against the enumeration of all paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from assessment.small_tank import a_log, event, lively, over_past, practice, present
from small_logs import day

from maturity_model.assessment.attribution import FOLLOWED, event_effects
from maturity_model.assessment.present import Present
from maturity_model.catalogue import load_catalogue

CATALOGUE = load_catalogue()
#: Looks are on day 3 of each week: the second overfeeding comes after its week's look.
EVENTS = [
    event(1, "water_change", 10.0),
    event(2, "livestock_added", 6.0),
    event(8, "deep_clean"),
    event(12, "overfeeding", 4.0),
    event(15, "overfeeding", 2.0),
    event(29, "crash"),
]


def slow(here: Present, kind: str, size: float, moves: list[int], start: int) -> np.ndarray:
    """P(slip), P(slip due to the event) by listing paths; ``moves``: own load's age there."""
    pop = here.population
    e = pop.events.index(kind)
    stages = pop.n_stages

    def count(paths: np.ndarray, probability: np.ndarray, p: int, d: int) -> np.ndarray:
        out = np.zeros(2)
        for path, weight in zip(paths, probability, strict=True):
            if weight == 0:
                continue
            phases = path // stages
            for age, t in zip(moves, range(start + 1, len(path)), strict=False):
                if phases[t] >= phases[start]:
                    continue
                # Hazards of the move into week t, with the event and without it.
                k = phases[t - 1]
                own = size * np.exp(-age / pop.event_memory[e, d])
                load = here.hazards.load[t, :, d]
                back = pop.log_setback[k, d] + pop.event_setback[:, d] @ load
                fall = pop.log_collapse[k, d] + pop.event_collapse[:, d] @ load
                chances = {}
                if path[t] == (k - 1) * stages:
                    chances[back] = pop.event_setback[e, d]
                if path[t] == 0:
                    chances[fall] = pop.event_collapse[e, d]
                whole = sum(np.exp(h) for h in chances)
                for h, effect in chances.items():
                    due = 1 - np.exp(h - effect * own) / np.exp(h)
                    out += weight * np.exp(h) / whole * np.array([1.0, max(due, 0.0)])
                break
        return out

    return over_past(here, count)


@pytest.mark.parametrize("draws", [(0, 7), (3, 11)])
def test_effects_equal_the_enumeration(draws: tuple[int, int]) -> None:
    here = present(a_log(6, EVENTS), lively(*draws), day(41))
    found = event_effects(here)
    assert [f.event for f in found] == EVENTS[1:]
    # Kind, week of the first move it acts on, age of its load on the first move counted.
    acts = [("livestock_added", 0, 1), ("deep_clean", 1, 0), ("overfeeding", 2, 0),
            ("overfeeding", 2, 0), ("crash", 4, 0)]  # fmt: skip
    for effect, (kind, week, age) in zip(found, acts, strict=True):
        start = max(week - 1, 0)
        size = CATALOGUE.events[kind].size(effect.event.amount)
        slipped, due = slow(here, kind, size, list(range(age, age + FOLLOWED)), start) @ here.weight
        assert effect.followed == 5 - start
        assert effect.slipped.mean == pytest.approx(slipped, rel=0, abs=1e-10)
        assert effect.due.mean == pytest.approx(due, rel=0, abs=1e-10)
        assert effect.without.mean == pytest.approx(slipped - due, rel=0, abs=1e-10)
        assert effect.due.mean > 1e-3


def test_without_effects_the_difference_is_exactly_nothing() -> None:
    pop = practice()
    none = np.zeros_like(pop.event_setback)
    pop = replace(pop, event_setback=none, event_collapse=none)
    for effect in event_effects(present(a_log(12, EVENTS), pop, nodes=(5, 3))):
        assert effect.due == (0.0, 0.0, 0.0)
        assert effect.without == effect.slipped
        assert effect.slipped.mean > 0


def test_an_event_that_protects_counts_as_nothing_due() -> None:
    pop = lively(0, 1)
    pop = replace(
        pop, event_setback=-abs(pop.event_setback), event_collapse=-abs(pop.event_collapse)
    )
    for effect in event_effects(present(a_log(9, EVENTS), pop)):
        assert effect.due == (0.0, 0.0, 0.0)


def test_an_event_of_today_has_nothing_to_tell() -> None:
    here = present(a_log(5, [event(32, "crash")]), lively(0, 1))
    (effect,) = event_effects(here)
    assert effect.followed == 0
    assert effect.slipped == effect.due == effect.without == (0.0, 0.0, 0.0)
    # In a week without a look it acts on the move into that week.
    log = a_log(5)
    log = replace(log, checkins=log.checkins[:-1], events=(event(32, "crash"),))
    (effect,) = event_effects(present(log, lively(0, 1)))
    assert effect.followed == 1


def test_at_most_eight_weeks_are_followed() -> None:
    log = a_log(20, [event(16, "crash")])
    for weeks in (10, 20):
        (effect,) = event_effects(present(log, lively(0, 1), day(7 * weeks - 1)))
        assert effect.followed == FOLLOWED


def test_no_events_no_effects() -> None:
    assert event_effects(present(a_log(5), lively(0))) == ()
    assert event_effects(present(a_log(5, [event(3, "water_change", 20.0)]), lively(0))) == ()
