"""What is advised of a tank that nobody looks at, at the start, without sand, or gone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import draws
from small_logs import START, day, look, make_log, reading

from maturity_model.assessment import TankAssessment, assess
from maturity_model.assessment.plan import parse_plan
from maturity_model.assessment.silence import is_silent, last_look
from maturity_model.logbook import CheckIn, Event, Problem, Tank
from maturity_model.panel import build_panel

REEF = Tank("a", START, rock="dry")
SAND_SIGNS = {"sand_worm_tubes", "sand_gas_bubbles"}


FEW = draws(*range(0, 256, 16))


def assessed(
    ends: int,
    checkins: Iterable[CheckIn] = (),
    events: Iterable[Event] = (),
    *,
    tank: Tank = REEF,
    problems: tuple[Problem, ...] = (),
) -> TankAssessment:
    log = replace(make_log([tank], checkins, events), problems=problems)
    plans = (parse_plan("sand_disturbed", log.catalogue),)
    panel = build_panel(log, as_of=day(ends))
    (got,) = assess(panel, FEW, plans=plans).tanks
    return got


def advice(tank: TankAssessment) -> dict[str, str]:
    assert tank.questions is not None
    return {d.action: d.verdict for d in tank.questions.decisions}


def test_a_look_holds_an_observation() -> None:
    rows = [look(3, "diatoms=y"), look(9, note="fed"), look(9, readings={})]
    assert last_look(rows) == day(3)
    assert last_look([*rows, look(12, judged_phase="bloom")]) == day(12)
    assert last_look([*rows, look(12, readings={"ph": reading(8, 8, 8)})]) == day(12)
    assert last_look(rows[1:]) is None
    assert is_silent(None, day(0))
    assert not is_silent(day(3), day(30))
    assert is_silent(day(3), day(31))


@pytest.mark.parametrize("checkins", [[], [look(10, note="fed")], [look(10, "diatoms=y")]])
def test_a_tank_that_nobody_looks_at_is_only_to_be_looked_at(checkins: list[CheckIn]) -> None:
    tank = assessed(12 * 7 + 10, checkins, [Event("a", day(80), "deep_clean")])
    assert tank.reach.silent
    assert advice(tank) == {"look_and_measure": "yes"}
    assert tank.questions is not None
    assert tank.questions.sojourn is not None
    assert tank.questions.sojourn.contrasts == ()
    looked = bool(checkins and checkins[0].signs)
    assert tank.reach.weeks_since_look == (12 if looked else None)
    assert tank.reach.never_looked != looked


def test_a_look_of_three_weeks_ago_is_enough_to_advise() -> None:
    tank = assessed(50, [look(30, "diatoms=y")])
    assert not tank.reach.silent
    assert len(advice(tank)) > 4
    assert "look_and_measure" not in advice(tank)


def test_after_a_crash_there_is_nothing_to_slip_to() -> None:
    seen = "diatoms=n amphipods=n coralline_algae=n"
    checkins = [look(n, seen, readings={"ammonia": reading(3, 6, 4)}) for n in (200, 205)]
    tank = assessed(206, checkins, [Event("a", day(199), "crash")])
    assert tank.at_start
    assert tank.questions is not None
    assert tank.questions.risks == ()
    # The time to mature is still answered, under the plans too.
    assert len(tank.questions.first_passages) == 2


def test_a_tank_without_sand_is_not_asked_or_advised_about_it() -> None:
    checkins = [look(7 * n, "diatoms=y hair_algae=y") for n in range(6, 12)]
    bare, sandy, unknown = (
        assessed(80, checkins, tank=replace(REEF, sand_depth_mm=depth)) for depth in (0, 20, None)
    )
    for tank, there in ((bare, False), (sandy, True), (unknown, True)):
        assert tank.questions is not None
        named = {x.name for x in tank.questions.next_checks}
        assert named >= SAND_SIGNS if there else not SAND_SIGNS & named
        assert bool(SAND_SIGNS & set(tank.reach.unchecked_signs)) == there
        assert ("leave_sand_alone" in advice(tank)) == there
        # Once by kind of event, once as the reader's own plan.
        plans = [r.plan.text for r in tank.questions.risks if r.plan]
        assert plans.count("sand_disturbed") == (2 if there else 0)
    assert bare.reach.share_signs_checked > unknown.reach.share_signs_checked
    np.testing.assert_allclose(bare.filtered, sandy.filtered, rtol=0, atol=1e-12)


def test_a_tank_that_ended_is_not_assessed() -> None:
    log = make_log(
        [replace(REEF, ended=day(20)), replace(REEF, name="b")],
        [look(15, "diatoms=y"), look(30, "diatoms=y", tank="b")],
    )
    panel = build_panel(log, as_of=day(40))
    alone = assess(build_panel(log.only({"b"}), as_of=day(40)), FEW, questions=False).tanks[0]
    got = assess(panel, FEW, questions=False)
    assert [t.name for t in got.ended] == ["a"]
    assert [t.tank.name for t in got.tanks] == ["b"]
    np.testing.assert_allclose(got.tanks[0].filtered, alone.filtered, rtol=0, atol=1e-12)
    earlier = assess(panel, FEW, day(19), questions=False)
    assert [t.tank.name for t in earlier.tanks] == ["a", "b"]
    assert earlier.ended == ()


def refused(date: dt.date | None, tank: str | None = "a") -> Problem:
    text = ("checkins.csv", 7, "look", "?", "is not used", "write it out")
    return Problem("error", "row", *text, tank=tank, table="checkins", date=date)


@pytest.mark.parametrize(
    ("problem", "stands"),
    [
        (refused(day(45)), True),
        (refused(None), True),
        (refused(None, tank=None), True),
        (refused(day(10)), False),
        # Later than the day that is asked about.
        (refused(day(51)), False),
        (refused(None, tank="b"), False),
    ],
)
def test_a_refused_row_leaves_a_caution_in_its_place(problem: Problem, stands: bool) -> None:
    tank = assessed(50, [look(48, "diatoms=y")], problems=(problem,))
    titles = [c.title for c in tank.cautions]
    assert ("A part of the log could not be read" in titles) == stands
