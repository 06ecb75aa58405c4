"""The evidence that a permission needs: examples, rule by rule."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from assessment.permission_logs import PROVEN, TODAY, day, happened, needs, row, tank_log

from maturity_model.assessment.permissions import (
    FINER_KIT,
    PERMISSIONS,
    missing_evidence,
)
from maturity_model.assessment.proof_of_work import NOTHING_FED
from maturity_model.catalogue import load_catalogue
from maturity_model.catalogue.load import DATA, rows_of
from maturity_model.logbook import CheckIn

# Examples of the issue ------------------------------------------------------------------


def test_an_empty_log_permits_nothing() -> None:
    for permission in PERMISSIONS:
        assert {"look", "both readings"} <= set(needs(tank_log([]), permission))


def test_a_reading_of_five_weeks_ago_is_no_reading() -> None:
    assert "both readings" in needs(tank_log([row(35, "n", "2", "0")]))


def test_refused_rows_permit_nothing() -> None:
    ambiguous = [f"Invented,0{k}/02/2026,n,8,0,0,," for k in (1, 3, 4, 5, 6, 7, 8)]
    log = tank_log([*ambiguous, *PROVEN])
    assert len([p for p in log.problems if p.scope == "row"]) == 7
    assert all("refused row" in needs(log, permission) for permission in PERMISSIONS)


def test_zero_from_the_start_proves_nothing() -> None:
    log = tank_log([row(7 * k, "n", "0", "0", "0") for k in range(7)])
    assert needs(log) == ["proof of work"]
    assert missing_evidence(log, "first animals")[0].why == NOTHING_FED


def test_a_cycle_that_rose_and_fell_permits() -> None:
    assert needs(tank_log(PROVEN)) == []


@pytest.mark.parametrize(
    ("nitrite", "needed"), [("0.2", []), ("0.3", ["nitrite", "proof of work"])]
)
def test_a_finer_kit_is_not_refused_what_a_coarser_one_is_permitted(
    nitrite: str, needed: list[str]
) -> None:
    fine = ["nitrite,colour_chart,mg/L NO2,0;0.05;0.1;0.2;0.3;0.5;1;2"]
    last = row(2, "y", "0", nitrite, "10")
    assert needs(tank_log([row(20, "n", "0", "2", "5"), last], kits=fine)) == needed
    assert needs(tank_log([row(20, "n", "0", "0.2", "5"), last], kits=fine)) == [
        *needed[:1], "proof of work",
    ]  # fmt: skip


def test_food_that_was_logged_and_is_gone_is_proof_too() -> None:
    zeros = [row(9, "n", "0", "0", "0"), row(1, "n", "0", "0", "5")]
    fed, soon = ([happened("overfeeding", ago, "2")] for ago in (8, 3))
    assert needs(tank_log(zeros)) == ["proof of work"]
    assert needs(tank_log(zeros, fed)) == []
    # Measured too soon after it, or without nitrate, it is not.
    assert "proof of work" in needs(tank_log(zeros, soon))
    assert "proof of work" in needs(tank_log([*zeros[:1], row(1, "n", "0", "0", "0")], fed))


# Rule by rule ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("newest", "need"),
    [
        (row(8, "y", "0", "0", "10"), "both readings"),
        (row(2, "y", "", "0", "10"), "ammonia"),
        (row(2, "y", "0", "", "10"), "nitrite"),
        (row(2, "y", "0.5", "0", "10"), "ammonia"),
        (row(2, "y", "0", "0.5", "10"), "nitrite"),
        (row(2, "y", "0", "<0.5", "10"), "nitrite"),
        (row(2, "", "0", "0", "10"), "look"),
        (row(2, "y", "0", "0", "10", "8.0", "33"), "caution"),
    ],
)
def test_what_the_newest_check_in_lacks(newest: str, need: str) -> None:
    assert needs(tank_log([*PROVEN[:1], newest]))[0] == need


STRIP = "ammonia,strip,mg/L NH4,0;1;3;6"


@pytest.mark.parametrize(
    ("readings", "kit", "need", "start", "finer"),
    [
        (("0", "0"), STRIP, "ammonia", FINER_KIT, True),
        (("<1", "0"), STRIP, "ammonia", FINER_KIT, True),
        (("1", "0"), STRIP, "ammonia", "Wait until it reads lower", True),
        (("1", "0"), "", "ammonia", "Wait until it reads lower", False),
        # Below its first mark, an instrument without a chart says nothing about a cycle.
        (("0", "<0.5"), "nitrite,photometer,mg/L NO2,", "nitrite", FINER_KIT, True),
    ],
)
def test_a_kit_that_can_never_read_low_enough_is_named(
    readings: tuple[str, str], kit: str, need: str, start: str, finer: bool
) -> None:
    log = tank_log([*PROVEN[:2], row(2, "y", *readings, "10")], kits=[kit] if kit else None)
    (missing,) = missing_evidence(log, "first animals")
    assert missing.need == need
    assert missing.do.startswith(start)
    assert (FINER_KIT in missing.do) == finer


def test_a_coarse_strip_will_do_where_ph_and_temperature_are_low() -> None:
    known = [*PROVEN[:2], row(2, "y", "0", "0", "10", "7.8", "24")]
    assert needs(tank_log(known, kits=[STRIP])) == []


@pytest.mark.parametrize("event", ["crash", "deep_clean", "medication"])
def test_what_harms_the_filter_ends_the_proof_of_work(event: str) -> None:
    early = [row(50, "n", "4", "0", "0"), row(35, "n", "0", "0", "5"), row(2, "y", "0", "0", "10")]
    assert needs(tank_log(early)) == []
    assert needs(tank_log(early, [happened(event, 22)])) == ["proof of work"]
    # Nitrite rose and fell again since.
    assert needs(tank_log(PROVEN, [happened(event, 30)])) == []


@pytest.mark.parametrize("high", [("8", "0"), ("0", "5"), ("8", "5")])
def test_a_low_reading_overnight_does_not_undo_a_high_one(high: tuple[str, str]) -> None:
    settled = {"started": "2025-01-01"}

    def after(*low: int) -> list[list[str]]:
        rows = [*PROVEN[:2], row(7, "n", *high, "10")]
        rows += [row(ago, "y", "0", "0", "10") for ago in low]
        return [needs(tank_log(rows, **settled), p) for p in PERMISSIONS]  # type: ignore[arg-type]

    at_once = [["fell at once"] * sum(value != "0" for value in high)] * len(PERMISSIONS)
    assert after(6) == at_once
    assert after(6, 5) == at_once
    assert after(6, 4) == [[]] * len(PERMISSIONS)
    assert after(4) == [[]] * len(PERMISSIONS)
    # It says more than the alarm that the reading raised.
    raised = replace(
        tank_log([*PROVEN[:2], row(2, "n", "8", "0", "10"), row(1, "y", "0", "0", "9")]), alarm=True
    )
    assert needs(raised)[:2] == ["fell at once", "alarm"]


def test_the_keeper_who_judges_it_cycling_is_heard() -> None:
    def judged(*phases: tuple[int, str]) -> list[list[str]]:
        record = tank_log(PROVEN)
        rows = tuple(
            CheckIn("Invented", TODAY - dt.timedelta(ago), judged_phase=phase)
            for ago, phase in phases
        )
        checkins = sorted((*record.log.checkins, *rows), key=lambda c: c.date)
        record = replace(record, log=replace(record.log, checkins=tuple(checkins)))
        return [needs(record, permission) for permission in PERMISSIONS]

    assert judged((28, "cycling")) == [["judged"], ["judged"], []]
    assert judged((29, "cycling")) == [[], [], []]
    assert judged((20, "cycling"), (3, "bloom")) == [[], [], []]


def test_measuring_alone_is_no_look() -> None:
    rows = [*PROVEN[:1], row(20, "n", "1", "2", "5"), row(2, "", "0", "0", "10")]
    missing = missing_evidence(tank_log(rows), "first animals")
    assert [m.need for m in missing] == ["look"]
    assert missing[0].why == f"Signs were last looked for on {day(20)}"


def test_a_temperature_stands_as_long_as_it_does_for_the_ammonia() -> None:
    hot = [*PROVEN[:1], row(20, "n", "1", "0", "5", "8.0", "31"), row(2, "y", "0", "0", "10")]
    assert needs(tank_log(hot))[0] == "caution"
    measured = [*hot[:2], row(2, "y", "0", "0", "10", "8.0", "26")]
    assert needs(tank_log(measured)) == []


def test_a_row_refused_for_a_later_day_does_not_count_before_it() -> None:
    record = tank_log([*PROVEN, f"Invnted,{day(1)},y,8,0,0,,"])
    assert needs(record) == ["refused row"]
    earlier = replace(record, log=replace(record.log, as_of=TODAY - dt.timedelta(days=2)))
    assert needs(earlier) == []
    # A date after today is wrong, and may stand for any.
    future = tank_log([*PROVEN, f"Invented,{day(-40)},y,8,0,0,,"])
    assert needs(future) == ["refused row"]


@pytest.mark.parametrize("event", ["crash", "deep_clean", "medication", "sand_disturbed"])
def test_three_quiet_weeks_after_what_unsettles(event: str) -> None:
    assert "quiet" in needs(tank_log(PROVEN, [happened(event, 20)]))
    assert needs(tank_log(PROVEN, [happened(event, 21)])) == []


def test_ammonia_is_read_again_some_days_after_overfeeding() -> None:
    assert "after overfeeding" in needs(tank_log(PROVEN, [happened("overfeeding", 4, "2")]))
    assert needs(tank_log(PROVEN, [happened("overfeeding", 5, "2")])) == []


@pytest.mark.parametrize(
    ("ago", "needed"), [(13, ["last addition"]), (14, []), (4, ["last addition", "after addition"])]
)
def test_next_animals_wait_for_the_last_ones(ago: int, needed: list[str]) -> None:
    log = tank_log(PROVEN, [happened("livestock_added", ago, "2")])
    assert needs(log, "next animals") == needed


def test_a_settled_tank_is_not_asked_for_readings_to_be_left_alone() -> None:
    looked = [row(3, "y")]
    assert needs(tank_log(looked, started="2025-01-01"), "leave be") == []
    assert needs(tank_log(looked), "leave be") == ["both readings"]
    added = [happened("livestock_added", 30, "2")]
    assert needs(tank_log(looked, added, started="2025-01-01"), "leave be") == ["both readings"]


def test_an_alarm_and_an_urgent_caution_come_first() -> None:
    log = replace(tank_log(PROVEN), alarm=True)
    assert needs(log)[0] == "alarm"
    assert needs(tank_log(PROVEN, [happened("crash", 3)]))[0] == "caution"


@pytest.mark.parametrize(
    ("checkins", "events", "kits", "shut"),
    [
        # Whose tank cannot be read counts for every tank, with its own date.
        ([f"Invnted,{day(5)},y,8,0,0,,"], [], None, True),
        (["Invnted,2026-01-03,y,8,0,0,,"], [], None, False),
        # Whose date cannot be read counts as recent.
        (["Invented,soon,y,8,0,0,,"], [], None, True),
        # An event of any age may have been livestock.
        ([], ["Invented,2026-01-03,livestck,2,"], None, True),
        # Before this tank's start: its date is wrong; of another tank, it does not matter.
        ([], ["Invented,2025-01-03,crash,,"], None, True),
        ([], ["Invnted,2025-01-03,crash,,"], None, False),
        # Readings that the gate rests on; others do not matter.
        ([f"Invented,{day(1)},y,O,0,0,,"], [], None, True),
        ([f"Invented,{day(1)},y,0,0,lots,,"], [], None, False),
        # A kit that cannot be read may have been a coarse one.
        ([], [], ["ammonia,strip,mg/L NH4,0;1;x"], True),
    ],
)
def test_what_could_not_be_read_shuts_the_gate(
    checkins: list[str], events: list[str], kits: list[str] | None, shut: bool
) -> None:
    log = tank_log([*PROVEN, *checkins], events, kits=kits)
    assert log.problems
    assert ("refused row" in needs(log)) == shut


def test_every_limit_carries_a_source_mark() -> None:
    marks = set(load_catalogue().sources)
    for limit in rows_of(DATA / "permissions.csv"):
        assert limit.marked("value").source in marks
