"""The evidence that a permission needs: examples, and that doubt never opens the gate."""

from __future__ import annotations

import datetime as dt
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.permissions import (
    FINER_KIT,
    PERMISSIONS,
    Permission,
    Record,
    missing_evidence,
    relevant_problems,
)
from maturity_model.assessment.proof_of_work import NOTHING_FED
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import CheckIn, read_logbook

TODAY = dt.date(2026, 3, 1)
HEADER = "tank,date,copepods,ammonia,nitrite,nitrate,ph,temperature"


def day(ago: int) -> str:
    return (TODAY - dt.timedelta(days=ago)).isoformat()


def tank_log(
    checkins: list[str],
    events: list[str] | None = None,
    *,
    kits: list[str] | None = None,
    started: str = "2026-01-01",
) -> Record:
    """What the gate reads of a logbook that is written down and read in."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "tanks.csv").write_text(f"tank,started,rock\nInvented,{started},dry\n")
        (folder / "checkins.csv").write_text("\n".join([HEADER, *checkins]) + "\n")
        rows = ["tank,date,event,amount,note", *(events or [])]
        (folder / "events.csv").write_text("\n".join(rows) + "\n")
        if kits is not None:
            (folder / "kits.csv").write_text("\n".join(["analyte,method,unit,steps", *kits]) + "\n")
        logbook = read_logbook(folder, today=TODAY)
    tank = logbook.tanks["Invented"]
    log = TankLog.of(tank, logbook.checkins, logbook.events, TODAY, logbook.catalogue)
    return Record(
        log=log,
        cautions=cautions_for(log),
        problems=relevant_problems(logbook.problems, "Invented"),
    )


def needs(log: Record, permission: Permission = "first animals") -> list[str]:
    return [m.need for m in missing_evidence(log, permission)]


def row(ago: int, pods: str = "", *readings: str) -> str:
    return ",".join(["Invented", day(ago), pods, *readings, *[""] * (5 - len(readings))])


#: A cycle that rose, fell, and left nitrate; looked at and measured two days ago.
PROVEN = [row(40, "n", "4", "0", "0"), row(20, "n", "1", "2", "5"), row(2, "y", "0", "0", "10")]


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
    fed = [f"Invented,{day(8)},overfeeding,2,for the filter"]
    assert needs(tank_log(zeros)) == ["proof of work"]
    assert needs(tank_log(zeros, fed)) == []
    # Measured too soon after it, or without nitrate, it is not.
    soon = [f"Invented,{day(3)},overfeeding,2,"]
    assert "proof of work" in needs(tank_log([*zeros[:1], row(1, "n", "0", "0", "5")], soon))
    assert "proof of work" in needs(
        tank_log([row(9, "n", "0", "0", "0"), row(1, "n", "0", "0", "0")], fed)
    )


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


def test_a_coarse_kit_can_never_show_it_and_is_told_apart_from_a_high_reading() -> None:
    strip = ["ammonia,strip,mg/L NH4,0;1;3;6"]
    coarse = missing_evidence(tank_log(PROVEN, kits=strip), "first animals")
    assert [(m.need, m.do) for m in coarse] == [("ammonia", "A finer kit can tell.")]
    # With pH and temperature measured low, the same strip does.
    known = [*PROVEN[:2], row(2, "y", "0", "0", "10", "7.8", "24")]
    assert needs(tank_log(known, kits=strip)) == []


def test_a_kit_that_can_never_read_low_enough_is_named() -> None:
    strip = ["ammonia,strip,mg/L NH4,0;1;3;6"]
    below = missing_evidence(
        tank_log([*PROVEN[:2], row(2, "y", "<1", "0", "10")], kits=strip), "first animals"
    )
    assert [(m.need, m.do) for m in below] == [("ammonia", FINER_KIT)]
    above = missing_evidence(
        tank_log([*PROVEN[:2], row(2, "y", "1", "0", "10")], kits=strip), "first animals"
    )
    assert above[0].do.startswith("Wait until it reads lower")
    assert above[0].do.endswith(FINER_KIT)
    fine = missing_evidence(tank_log([*PROVEN[:2], row(2, "y", "1", "0", "10")]), "first animals")
    assert FINER_KIT not in fine[0].do
    # Below its first mark, an instrument without a chart says nothing about a cycle.
    photometer = ["nitrite,photometer,mg/L NO2,"]
    nitrite = missing_evidence(
        tank_log([*PROVEN[:2], row(2, "y", "0", "<0.5", "10")], kits=photometer), "first animals"
    )
    assert [(m.need, m.do) for m in nitrite] == [("nitrite", FINER_KIT)]


def test_a_crash_ends_the_proof_of_work() -> None:
    after = [f"Invented,{day(30)},crash,,"]
    early = [row(50, "n", "4", "0", "0"), row(35, "n", "0", "0", "5"), row(2, "y", "0", "0", "10")]
    assert needs(tank_log(early)) == []
    assert needs(tank_log(early, after)) == ["proof of work"]
    # Nitrite rose and fell again since.
    assert needs(tank_log(PROVEN, after)) == []


def test_a_deep_clean_and_a_medication_end_it_too() -> None:
    early = [row(50, "n", "4", "0", "0"), row(35, "n", "0", "0", "5"), row(2, "y", "0", "0", "10")]
    for event in ("deep_clean", "medication"):
        assert needs(tank_log(early, [f"Invented,{day(22)},{event},,"])) == ["proof of work"]


@pytest.mark.parametrize(
    ("high", "event", "needed"),
    [
        (56, [], []),
        (57, [], ["proof of work"]),
        (57, [f"Invented,{day(30)},overfeeding,2,"], []),
        (57, [f"Invented,{day(30)},water_change,20,"], ["proof of work"]),
    ],
)
def test_a_filter_without_anything_to_do_for_eight_weeks_must_prove_itself_again(
    high: int, event: list[str], needed: list[str]
) -> None:
    log = [row(high, "n", "0", "2", "0"), row(35, "n", "0", "0", "5"), PROVEN[-1]]
    assert needs(tank_log(log, event)) == needed


@pytest.mark.parametrize("high", [("8", "0"), ("0", "5"), ("8", "5")])
def test_one_low_reading_does_not_undo_a_high_one(high: tuple[str, str]) -> None:
    settled = {"started": "2025-01-01"}

    def after(*low: int, spike: int = 7) -> list[list[str]]:
        rows = [*PROVEN[:2], row(spike, "n", *high, "10")]
        rows += [row(ago, "y", "0", "0", "10") for ago in low]
        return [needs(tank_log(rows, **settled), p) for p in PERMISSIONS]  # type: ignore[arg-type]

    once = [["measured once"] * sum(value != "0" for value in high)] * len(PERMISSIONS)
    assert after(6) == once
    # Two days apart, then three.
    assert after(6, 4) == once
    assert after(6, 3) == [[]] * len(PERMISSIONS)
    # It says more than the alarm that the reading raised.
    raised = replace(
        tank_log([*PROVEN[:2], row(2, "n", "8", "0", "10"), row(1, "y", "0", "0", "9")]), alarm=True
    )
    assert needs(raised)[:2] == ["measured once", "alarm"]
    # A good while later one is enough.
    assert after(1, spike=14) == once
    assert after(0, spike=14) == [[]] * len(PERMISSIONS)


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
    def after(days: int) -> list[str]:
        return needs(tank_log(PROVEN, [f"Invented,{day(days)},{event},,"]))

    assert "quiet" in after(20)
    assert after(21) == []


def test_ammonia_is_read_again_some_days_after_overfeeding() -> None:
    assert "after overfeeding" in needs(tank_log(PROVEN, [f"Invented,{day(4)},overfeeding,2,"]))
    assert needs(tank_log(PROVEN, [f"Invented,{day(5)},overfeeding,2,"])) == []


def test_next_animals_wait_for_the_last_ones() -> None:
    def after(days: int) -> list[str]:
        return needs(tank_log(PROVEN, [f"Invented,{day(days)},livestock_added,2,"]), "next animals")

    assert after(13) == ["last addition"]
    assert after(14) == []
    assert after(4) == ["last addition", "after addition"]


def test_a_settled_tank_is_not_asked_for_readings_to_be_left_alone() -> None:
    looked = [row(3, "y")]
    assert needs(tank_log(looked, started="2025-01-01"), "leave be") == []
    assert needs(tank_log(looked), "leave be") == ["both readings"]
    added = [f"Invented,{day(30)},livestock_added,2,"]
    assert needs(tank_log(looked, added, started="2025-01-01"), "leave be") == ["both readings"]


def test_an_alarm_and_an_urgent_caution_come_first() -> None:
    log = replace(tank_log(PROVEN), alarm=True)
    assert needs(log)[0] == "alarm"
    crashed = tank_log(PROVEN, [f"Invented,{day(3)},crash,,"])
    assert needs(crashed)[0] == "caution"


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
    import maturity_model.catalogue as catalogue

    text = (Path(catalogue.__file__).parent / "data" / "permissions.csv").read_text("utf-8")
    marks = set(load_catalogue().sources)
    for line in text.splitlines()[1:]:
        mark = line.split(",")[1].split("[")[1].rstrip("]")
        assert mark in marks, line


# Doubt never opens it: whole logbooks ---------------------------------------------------

AMMONIA = st.sampled_from(["", "0", "<0.25", "0.25", "0.5", "1", "4"])
NITRITE = st.sampled_from(["", "0", "<0.25", "0.25", "1"])
CHECKIN = st.tuples(
    st.integers(0, 75), st.sampled_from(["", "y", "n"]), AMMONIA, NITRITE,
    st.sampled_from(["", "0", "5"]), st.sampled_from(["", "8.0", "8.5"]),
    st.sampled_from(["", "25", "31"]),
)  # fmt: skip
EVENT = st.tuples(
    st.integers(0, 75),
    st.sampled_from(
        ["crash", "overfeeding", "deep_clean", "medication", "livestock_added", "water_change"]
    ),
)
ENDING = [(40, "n", "4", "0", "0", "", ""), (2, "y", "0", "0", "5", "", "")]
#: A high reading that one low one has followed, or two.
SPIKE = [(11, "n", "4", "1", "0", "", ""), (2, "y", "0", "0", "5", "", "")]
FALLEN = [*SPIKE, (8, "y", "0", "0", "5", "", "")]
#: Most of the logs end well, so that the gate is often open to begin with.
LOGS = st.tuples(
    st.lists(CHECKIN, max_size=5),
    st.lists(EVENT, max_size=2),
    st.sampled_from([[], ENDING, SPIKE, FALLEN]),
    st.booleans(),
)


def written(checkins: list[tuple[object, ...]]) -> list[str]:
    return [",".join(["Invented", day(int(c[0])), *map(str, c[1:])]) for c in checkins]  # type: ignore[call-overload]


def happened(events: list[tuple[int, str]]) -> list[str]:
    amount = {"overfeeding": "2", "livestock_added": "2", "water_change": "20"}
    return [
        f"Invented,{day(ago)},{kind},{amount.get(kind, '')},{i}"
        for i, (ago, kind) in enumerate(events)
    ]


@settings(max_examples=150, deadline=None)
@given(LOGS, st.data())
def test_doubt_never_opens_the_gate(logs: tuple[object, ...], data: st.DataObject) -> None:
    checkins, events, ending, old = logs
    rows = [*checkins, *ending]  # type: ignore[misc]
    if not old:
        # Nothing before its start.
        rows, events = ([x for x in these if x[0] <= 55] for these in (rows, events))  # type: ignore[attr-defined]
    started = "2025-01-01" if old else "2026-01-01"
    # One look a day, so that a row that is changed is the day.
    rows = list({r[0]: r for r in rows}.values())
    before = {
        p: needs(tank_log(written(rows), happened(events), started=started), p) for p in PERMISSIONS
    }  # type: ignore[arg-type]
    shut = {p for p in PERMISSIONS if before[p]}
    proof = "proof of work" in before["first animals"]
    lines, happenings = written(rows), happened(events)  # type: ignore[arg-type]
    change = data.draw(st.sampled_from(["refuse", "no readings", "no looks", "raise", "age"]))
    if change == "refuse" and lines + happenings:
        k = data.draw(st.integers(0, len(lines) + len(happenings) - 1))
        lines_, happenings_ = list(lines), list(happenings)
        chosen, at = (lines_, k) if k < len(lines_) else (happenings_, k - len(lines_))
        cells = chosen[at].split(",")
        # The tank, the date, or what happened.
        cells[data.draw(st.sampled_from([0, 1] if chosen is lines_ else [0, 1, 2]))] = "??"
        chosen[at] = ",".join(cells)
        lines, happenings = lines_, happenings_
    elif change == "no readings":
        # Good ones: without a high one, which may only have been the worst of them.
        low = ("", "0", "<0.25")
        rows = [(*r[:2], "", "", *r[4:]) if r[2] in low and r[3] in low else r for r in rows]
        lines = written(rows)
    elif change == "no looks":
        lines = written([(r[0], "", *r[2:]) if r[0] <= 14 else r for r in rows])
    elif change == "raise" and rows:
        k = data.draw(st.integers(0, len(rows) - 1))
        column, value = data.draw(st.sampled_from([(2, "4"), (2, "0.5"), (3, "1")]))
        steps = ["", "0", "<0.25", "0.25", "0.5", "1", "4"]
        r = list(rows[k])
        if r[column] and steps.index(r[column]) < steps.index(value):
            r[column] = value
        rows[k] = tuple(r)
        lines = written(rows)
    elif change == "age":
        by = data.draw(st.integers(1, 20))
        aged = [(r[0] + by, "", *r[2:]) for r in rows]
        looks = [(r[0], r[1], "", "", "", *r[5:]) for r in rows]
        lines = written([*looks, *(a for a in aged if started == "2025-01-01" or a[0] <= 58)])
    after = tank_log(lines, happenings, started=started)
    for permission in shut:
        got = needs(after, permission)
        # A raised reading may itself be what a proof of work begins with; nothing else of the
        # gate is opened by it.
        if change == "raise" and permission == "first animals" and proof:
            got = [*got, "proof of work"]
        assert got, (change, permission, before[permission])
