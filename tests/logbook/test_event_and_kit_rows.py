"""Rows of events and kits: used, or said."""

from __future__ import annotations

import pytest
from logbook.read_logs import Read, errors, only, settled


def test_events(read: Read) -> None:
    book = read(
        events="tank,date,event,amount,note\n"
        "Reef,2026-02-03,water_change,25 %,\nReef,2026-02-02,Overfeeding,3x,\n"
        "Reef,2026-02-04,livestock added,2,snails\nReef,2026-02-05,crash,,\n"
        "Reef,2026-02-06,overfeeding,,\nReef,2026-02-07,overfeeding,,\n"
    )
    assert [(e.kind, e.amount, e.line) for e in book.events] == [
        ("overfeeding", 3, 3),
        ("water_change", 25, 2),
        ("livestock_added", 2, 4),
        ("crash", None, 5),
        ("overfeeding", 2, 6),
        ("overfeeding", 2, 7),
    ]
    problem = only(list(book.problems))
    assert (problem.severity, problem.line, problem.column) == ("settled", 6, "amount")
    assert "2 times" in problem.what


@pytest.mark.parametrize(
    ("row", "column", "why"),
    [
        ("Reef,2026-02-01,party,", "event", "not an event"),
        ("Reef,2026-02-01,,", "event", "not an event"),
        ("Reef,2025-02-01,crash,", "date", "before the tank"),
        ("Reef,2026-02-01,water_change,", "amount", "blank"),
        ("Reef,2026-02-01,water_change,101", "amount", "more than 100"),
        ("Reef,2026-02-01,water_change,0.25", "amount", "less than 1 percent"),
        ("Reef,2026-02-01,water_change,0", "amount", "not above 0"),
        ("Reef,2026-02-01,water_change,half", "amount", "not a number"),
        ("Reef,2026-02-01,water_change,2x", "amount", "not a number"),
        ("Reef,2026-02-01,overfeeding,lots", "amount", "not a number"),
        ("Reef,2026-02-01,overfeeding,51", "amount", "more than 50"),
        ("Reef,2026-02-01,livestock_added,-3", "amount", "not above 0"),
        ("Atoll,2026-02-01,crash,", "tank", "not in the tanks"),
    ],
)
def test_refused_events(read: Read, row: str, column: str, why: str) -> None:
    book = read(events=f"tank,date,event,amount\n{row}\n")
    problem = only(errors(book))
    assert (problem.scope, problem.column) == ("row", column)
    assert why in problem.what
    assert not book.events


@pytest.mark.parametrize("row", ["crash,3", "deep_clean,1"])
def test_an_amount_of_an_event_that_has_none(read: Read, row: str) -> None:
    book = read(events=f"tank,date,event,amount\nReef,2026-02-01,{row}\n")
    problem = only(errors(book))
    assert (problem.scope, problem.column) == ("cell", "amount")
    assert book.events[0].amount is None


def test_repeated_events(read: Read) -> None:
    book = read(
        events="tank,date,event,note\nReef,2026-02-01,crash,\nReef,2026-02-01,crash,\n"
        "Reef,2026-02-01,crash,again\n"
    )
    assert [e.line for e in book.events] == [2, 4]
    assert only(errors(book)).line == 3


def test_kits_of_keeper_observer_and_everybody(read: Read) -> None:
    book = read(
        tanks="tank,started,keeper\nReef,2026-01-01,west\nLagoon,2026-01-01,\n",
        kits="keeper,analyte,method,unit,steps\n"
        ",nitrate,strip,mg/L NO3,\nwest,nitrate,color chart,mg/L NO3-N,0;1;2.5\n"
        "night,nitrate,photometer,mg/L NO3,\n",
        checkins="tank,date,observer,nitrate\nReef,2026-02-01,,1\nReef,2026-02-02,night,1\n"
        "Reef,2026-02-03,other,1\nLagoon,2026-02-04,,10\n",
    )
    assert not book.problems
    found = [c.readings["nitrate"] for c in book.checkins]
    assert [r.method for r in found] == ["colour_chart", "photometer", "colour_chart", "strip"]
    assert [r.unit for r in found] == ["mg/L NO3-N", "mg/L NO3", "mg/L NO3-N", "mg/L NO3"]
    assert [(k.keeper, k.steps) for k in book.kits] == [
        ("", ()),
        ("west", (0.0, 1.0, 2.5)),
        ("night", ()),
    ]


@pytest.mark.parametrize(
    ("row", "column", "scope"),
    [
        (",iron,probe,mg/L,", "analyte", "row"),
        (",,probe,mg/L,", "analyte", "row"),
        (",nitrate,strip,mg/L NO2,", "unit", "row"),
        (",nitrate,guess,mg/L NO3,", "method", "cell"),
        (",nitrate,photometer,mg/L NO3,0;1", "steps", "cell"),
        (",nitrate,strip,mg/L NO3,0;5;5", "steps", "cell"),
        (",nitrate,strip,mg/L NO3,5", "steps", "cell"),
        (",nitrate,strip,mg/L NO3,0;a", "steps", "cell"),
        (",nitrate,strip,mg/L NO3,-1;5", "steps", "cell"),
        (",nitrate,strip,mg/L NO3-N,0;500", "steps", "cell"),
    ],
)
def test_bad_kits(read: Read, row: str, column: str, scope: str) -> None:
    book = read(kits=f"keeper,analyte,method,unit,steps\n{row}\n")
    problem = only(errors(book))
    assert (problem.file, problem.line, problem.column) == ("kits.csv", 2, column)
    assert problem.scope == scope
    assert len(book.kits) == (scope == "cell")


def test_a_kit_that_cannot_be_used_takes_its_readings_along(read_cells: Read) -> None:
    kits = "analyte,unit\nnitrate,mg/L NO2\n"
    book = read_cells({"kits": kits}, nitrate="5", ammonia="0")
    row, cell = errors(book)
    assert (row.file, row.line) == ("kits.csv", 2)
    assert (cell.column, cell.scope) == ("nitrate", "cell")
    assert "line 2" in cell.what
    assert set(book.checkins[0].readings) == {"ammonia"}


def test_repeated_kits(read: Read) -> None:
    book = read(
        kits="keeper,analyte,method,unit\n,ph,probe,[pH]\n,ph,strip,[pH]\n,nitrate,strip,mg/L\n"
    )
    assert only(errors(book)).line == 3
    assert [k.method for k in book.kits] == ["probe", "strip"]
    problem = only(settled(book))
    assert (problem.line, problem.column) == (4, "unit")
    assert "mg/L NO3" in problem.what


def test_a_kit_of_nobody(read: Read) -> None:
    book = read(
        kits="keeper,analyte,method,unit\nwset,ph,probe,[pH]\nwset,temperature,probe,Cel\n"
        "esat,ph,probe,[pH]\n"
    )
    assert [(p.value, p.line) for p in settled(book)] == [("wset", 2), ("esat", 4)]


def test_blank_method_and_unit_are_settled(read: Read) -> None:
    book = read(kits="analyte,method,unit\nph,,\n")
    assert {p.column for p in settled(book)} == {"method", "unit"}
    assert (book.kits[0].method, book.kits[0].unit) == ("probe", "[pH]")


def test_without_kits_what_is_assumed_is_said_once(read: Read) -> None:
    rows = "".join(f"Reef,2026-02-0{i},0,8,1.026\n" for i in range(1, 4))
    book = read(checkins="tank,date,ammonia,alkalinity,salinity\n" + rows)
    assert not errors(book)
    assert {p.column: p.what for p in settled(book)} == {
        "ammonia": "has no line in kits.csv and is taken as mg/L NH4 read on a colour chart "
        "(3 times, here first)",
        "alkalinity": "has no line in kits.csv and is taken as dKH (3 times, here first)",
        "salinity": "has no line in kits.csv and can only be a specific gravity; it is taken "
        "as 25/25 °C (3 times, here first)",
    }
    assert book.checkins[0].readings["alkalinity"].best == pytest.approx(8 * 0.356652, abs=1e-5)
