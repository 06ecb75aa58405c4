"""What-ifs as text, and what they mean for the weeks to come."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from assessment.small_tank import a_log, event, lively, present
from small_logs import START, day, make_log

from maturity_model.assessment.plan import (
    Plan,
    PlanError,
    Step,
    look_ahead,
    parse_plan,
    water_ahead,
)
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Event, Logbook, Tank
from maturity_model.panel import Panel, build_panel
from maturity_model.population.tables import tank_hazards

CATALOGUE = load_catalogue()
WATER_COLUMN = list(CATALOGUE.husbandry).index("water_changed")


def plan(text: str) -> Plan:
    return parse_plan(text, CATALOGUE)


# -- reading -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("crash", [Step("crash")]),
        ("overfeeding", [Step("overfeeding", 2.0)]),
        ("overfeeding=3", [Step("overfeeding", 3.0)]),
        ("overfeeding=2,5", [Step("overfeeding", 2.5)]),
        ("overfeeding=3x", [Step("overfeeding", 3.0)]),
        ("livestock_added = 2 animals", [Step("livestock_added", 2.0)]),
        ("water_change=20/2w", [Step("water_change", 20.0, 14)]),
        ("water_change = 12.5 % / 10d", [Step("water_change", 12.5, 10)]),
        ("water_change=none", [Step("water_change", none=True)]),
        ("overfeeding/1w", [Step("overfeeding", 2.0, 7)]),
        ("crash + water_change=30", [Step("crash"), Step("water_change", 30.0)]),
        (
            "water_change=30+water_change=none",
            [Step("water_change", 30.0), Step("water_change", none=True)],
        ),
    ],
)
def test_plans_are_read(text: str, steps: list[Step]) -> None:
    assert plan(text) == Plan(text, tuple(steps))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "'' is not an event; the events are water_change, overfeeding"),
        ("earthquake", "'earthquake' is not an event"),
        ("crash=2", "crash has no amount"),
        ("overfeeding=", "an amount is missing after overfeeding="),
        ("overfeeding=lots", "'lots' is not an amount; overfeeding takes a plain number"),
        ("overfeeding=-1", "'-1' is not an amount"),
        ("overfeeding=nan", "'nan' is not an amount"),
        ("overfeeding=1e2", "'1e2' is not an amount"),
        ("overfeeding=٣", "is not an amount"),
        ("water_change=101", "101 is too much for water_change; at most 100"),
        ("water_change", "needs an amount (percent of the volume), for example water_change=20"),
        ("water_change/2w", "needs an amount"),
        ("water_change=20/often", "'often' does not say how often"),
        ("water_change=none/2w", "'none' is not an amount"),
        ("water_change=20/0d", "does not say how often"),
        ("water_change=20/27w", "at most 182 days"),
        ("water_change=20/1w + water_change=none", "two rhythms"),
        ("overfeeding=none", "no further overfeeding is what is assumed anyway"),
        ("x" * 201, "at most 200 characters"),
    ],
)
def test_what_cannot_be_read_is_said_in_plain_words(text: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        plan(text)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("crash", "Crash today"),
        ("overfeeding=3", "Overfeeding (3 x) today"),
        ("water_change=20/2w", "Water change (20 %) every 2 weeks from now on"),
        ("water_change=20/1w", "Water change (20 %) every week from now on"),
        ("water_change=5/1d", "Water change (5 %) every day from now on"),
        ("water_change=20/10d", "Water change (20 %) every 10 days from now on"),
        ("crash+water_change=none", "Crash today; no water change from now on"),
    ],
)
def test_plans_in_words(text: str, label: str) -> None:
    assert plan(text).label(CATALOGUE) == label


# -- water -------------------------------------------------------------------------------


def panel_later(log: Logbook, more: Iterable[Event], weeks: int) -> Panel:
    """The panel of a number of weeks, had the log gone on like that."""
    events = tuple(sorted([*log.events, *more], key=lambda e: e.date))
    return build_panel(replace(log, events=events), as_of=day(7 * weeks - 1))


@pytest.mark.parametrize("weeks", [2, 5, 9])
@pytest.mark.parametrize("past", [[(0, 5.0)], [(0, 10.0), (6, 30.0)], [(1, 45.0), (20, 25.0)]])
@pytest.mark.parametrize(("text", "days", "amount"), [
    ("water_change=20/2w", 14, 20.0), ("water_change=35/1w", 7, 35.0),
    ("water_change=7/3d", 3, 7.0), ("water_change=none", 0, 0.0),
])  # fmt: skip
def test_the_water_to_come_is_what_the_panel_will_hold(
    weeks: int, past: list[tuple[int, float]], text: str, days: int, amount: float
) -> None:
    today, horizon = 7 * weeks - 2, 8
    past = [(n, a) for n, a in past if n < today]
    log = a_log(weeks, [event(n, "water_change", a) for n, a in past])
    here = present(log, lively(0), day(today))
    first = max(today, past[-1][0] + days)
    future = range(first, 7 * (weeks + horizon), days) if days else ()
    later = panel_later(log, [event(n, "water_change", amount) for n in future], weeks + horizon)
    found = water_ahead(here, horizon, plan(text))
    wanted = later.husbandry[weeks:, WATER_COLUMN]
    np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-12)


def test_husbandry_stays_as_it_stands_without_a_rhythm() -> None:
    here = present(a_log(9, [event(40, "water_change", 30.0)]), lively(0))
    now = here.panel.husbandry[-1, WATER_COLUMN]
    assert now == pytest.approx(30 / 40 - 0.6)
    for other in (None, plan("crash"), plan("overfeeding=3/1w")):
        np.testing.assert_array_equal(water_ahead(here, 6, other), np.full(6, now))


def test_one_water_change_counts_for_four_weeks_on_top() -> None:
    here = present(a_log(9, [event(40, "water_change", 30.0)]), lively(0), day(62))
    # Today is the last day of a week: 28 days on it has left the window.
    found = water_ahead(here, 6, plan("water_change=20"))
    np.testing.assert_allclose(found + 0.6, [1.25] * 3 + [0.75] * 3, atol=1e-12)
    # What is done today counts at most to the cap.
    found = water_ahead(here, 1, plan("water_change=90"))
    np.testing.assert_allclose(found + 0.6, 1.5, atol=1e-12)


def test_an_unlogged_past_counts_as_usual() -> None:
    here = present(a_log(9), lively(0), day(62))
    assert not here.panel.water_known[-1]
    found = water_ahead(here, 6, plan("water_change=none"))
    np.testing.assert_allclose(found, 0.6 * np.array([0.75, 0.5, 0.25, 0, 0, 0]) - 0.6, atol=1e-12)
    # 12 % every two weeks is the usual 24 % in four.
    found = water_ahead(here, 12, plan("water_change=12/2w"))
    assert np.abs(found[4:]).max() < 1e-12
    assert found[0] == pytest.approx(12 / 40 + 0.75 * 0.6 - 0.6)


# -- hazards -----------------------------------------------------------------------------


def test_the_load_of_a_plan_is_that_of_a_log_that_goes_on_like_it() -> None:
    weeks, horizon = 6, 5
    log = a_log(weeks, [event(20, "deep_clean"), event(39, "overfeeding", 3.0)])
    here = present(log, lively(0, 1), day(41))
    ahead = look_ahead(here, horizon, plan("overfeeding=4/2w + sand_disturbed + crash/3w"))
    # An event of today comes after the week's last look: it acts on the next move.
    more = [event(41 + n, "overfeeding", 4.0) for n in (0, 14, 28)]
    more += [event(41, "sand_disturbed"), event(41, "crash"), event(41 + 21, "crash")]
    panel = panel_later(log, more, weeks + horizon)
    after = tank_hazards(panel, 0, here.population, here.pace)
    pop = here.population
    for h in range(horizon):
        load = after.load[weeks + h]
        for found, base, effect in (
            (ahead.setback[0, h], pop.log_setback, pop.event_setback),
            (ahead.collapse[0, h], pop.log_collapse, pop.event_collapse),
        ):
            wanted = np.exp(base + (effect * load).sum(axis=0))
            np.testing.assert_allclose(found, wanted, rtol=1e-12)
        np.testing.assert_allclose(
            ahead.factor[0, h, 0], np.exp((pop.event_advance * load).sum(axis=0)), rtol=1e-12
        )


def test_an_empty_log_has_a_future_too() -> None:
    log = make_log([Tank("a", START, rock=None)])
    here = present(log, lively(0))
    assert np.isfinite(look_ahead(here, 104, plan("water_change=20/1d + crash/1d")).factor).all()
