"""Rows of tanks, check-ins, events, kits and settings: used, or said."""

from __future__ import annotations

import datetime as dt

import pytest
from logbook.read_logs import Read, errors, only, settled

HEADS = {
    "tanks": "tank,started,volume_l,rock,sand_depth_mm,keeper\nReef,2026-01-01,,,,\n",
    "checkins": "tank,date,look,judged_phase,observer,ammonia\n",
    "events": "tank,date,event,amount\n",
    "kits": "keeper,analyte,method,unit,steps\n",
    "logbook": "setting,value\ndecimal,point\n",
}


@pytest.mark.parametrize(
    ("table", "row", "column", "why"),
    [
        ("tanks", ",2026-01-01", "tank", "blank"),
        ("tanks", "Lagoon,", "started", "blank"),
        ("tanks", "Lagoon,03/04/2026", "started", "may be"),
        ("tanks", "Lagoon,2027-01-01", "started", "after today"),
        ("tanks", "Lagoon,1926-01-01", "started", "before 1970"),
        ("tanks", "Reef,2026-01-05", "tank", "line 2 has already"),
        ("tanks", "x" * 81 + ",2026-01-01", "tank", "longer than 80"),
        ("tanks", "a\u202eb,2026-01-01", "tank", "control characters"),
        ("tanks", "a\x07b,2026-01-01", "tank", "control characters"),
        ("checkins", "Atoll,2026-02-01", "tank", "not in the tanks table"),
        ("checkins", ",2026-02-01", "tank", "blank"),
        ("checkins", "Reef,", "date", "blank"),
        ("checkins", "Reef,03/04/2026", "date", "may be"),
        ("checkins", "Reef,2025-12-31", "date", "before the tank was started"),
        ("checkins", "Reef,2027-01-01", "date", "after today"),
        ("events", "Reef,2026-02-01,party,", "event", "not an event"),
        ("events", "Reef,2026-02-01,,", "event", "not an event"),
        ("events", "Reef,2025-02-01,crash,", "date", "before the tank"),
        ("events", "Reef,2026-02-01,water_change,", "amount", "blank"),
        ("events", "Reef,2026-02-01,water_change,101", "amount", "more than 100"),
        ("events", "Reef,2026-02-01,water_change,0.25", "amount", "less than 1 percent"),
        ("events", "Reef,2026-02-01,water_change,0", "amount", "not above 0"),
        ("events", "Reef,2026-02-01,water_change,half", "amount", "not a number"),
        ("events", "Reef,2026-02-01,water_change,2x", "amount", "not a number"),
        ("events", "Reef,2026-02-01,overfeeding,lots", "amount", "not a number"),
        ("events", "Reef,2026-02-01,overfeeding,51", "amount", "more than 50"),
        ("events", "Reef,2026-02-01,livestock_added,-3", "amount", "not above 0"),
        ("events", "Atoll,2026-02-01,crash,", "tank", "not in the tanks"),
        ("kits", ",iron,probe,mg/L,", "analyte", "not an analyte"),
        ("kits", ",,probe,mg/L,", "analyte", "not an analyte"),
        ("kits", ",nitrate,strip,mg/L NO2,", "unit", "not a unit"),
        ("logbook", "colour,blue", "setting", "not a setting"),
        ("logbook", ",x", "setting", "not a setting"),
        ("logbook", "date_order,ymd", "value", "not a value of date_order"),
        ("logbook", "date_order,", "value", "not a value of date_order"),
        ("logbook", "decimal,comma", "setting", "set already"),
    ],
)
def test_a_row_that_cannot_be_used(read: Read, table: str, row: str, column: str, why: str) -> None:
    book = read(**{table: f"{HEADS[table]}{row}\n"})
    problem = only(errors(book))
    assert (problem.file, problem.scope, problem.column) == (f"{table}.csv", "row", column)
    assert problem.line == HEADS[table].count("\n") + 1
    assert why in problem.what
    assert list(book.tanks) == ["Reef"]
    assert book.tanks["Reef"].started == dt.date(2026, 1, 1)
    assert book.refused_tanks == (("Lagoon",) if "Lagoon" in row else ())
    assert (book.checkins, book.events, book.kits) == ((), (), ())


@pytest.mark.parametrize(
    ("table", "row", "column"),
    [
        ("tanks", "Lagoon,2026-01-01,-5", "volume_l"),
        ("tanks", "Lagoon,2026-01-01,0", "volume_l"),
        ("tanks", "Lagoon,2026-01-01,big", "volume_l"),
        ("tanks", "Lagoon,2026-01-01,,granite", "rock"),
        ("tanks", "Lagoon,2026-01-01,,,9999", "sand_depth_mm"),
        ("tanks", 'Lagoon,2026-01-01,,,"4,5"', "sand_depth_mm"),
        ("tanks", "Lagoon,2026-01-01,,,,a\x07", "keeper"),
        ("checkins", "Reef,2026-03-01,squint", "look"),
        ("checkins", "Reef,2026-03-01,,old", "judged_phase"),
        ("checkins", "Reef,2026-03-01,,," + "x" * 81, "observer"),
        ("checkins", "Reef,2026-03-01,,,,trace", "ammonia"),
        ("events", "Reef,2026-02-01,crash,3", "amount"),
        ("events", "Reef,2026-02-01,deep_clean,1", "amount"),
        ("kits", ",nitrate,guess,mg/L NO3,", "method"),
        ("kits", ",nitrate,photometer,mg/L NO3,0;1", "steps"),
        ("kits", ",nitrate,strip,mg/L NO3,0;5;5", "steps"),
        ("kits", ",nitrate,strip,mg/L NO3,5", "steps"),
        ("kits", ",nitrate,strip,mg/L NO3,0;a", "steps"),
        ("kits", ",nitrate,strip,mg/L NO3,-1;5", "steps"),
        ("kits", ",nitrate,strip,mg/L NO3-N,0;500", "steps"),
    ],
)
def test_a_bad_cell_costs_only_itself(read: Read, table: str, row: str, column: str) -> None:
    book = read(**{table: f"{HEADS[table]}{row}\n"})
    problem = only(errors(book))
    assert (problem.file, problem.scope, problem.column) == (f"{table}.csv", "cell", column)
    assert problem.tank == (None if table == "kits" else row.split(",")[0])
    assert next(c for c in book.rows if c.file == problem.file).refused == 0
    last = {
        "tanks": list(book.tanks.values()),
        "checkins": book.checkins,
        "events": book.events,
        "kits": book.kits,
    }[table][-1]
    assert getattr(last, column, None) in (None, "", (), "careful", "colour_chart")
    if column == "volume_l":
        assert ("above 0" in problem.mend) == (row[-3:] != "big")


def test_a_name_in_another_normal_form_is_the_same(read: Read) -> None:
    book = read(
        tanks="tank,started\nRiff \u00e4,2026-01-01\n",
        checkins="tank,date\nRiff a\u0308,2026-02-01\n",
    )
    assert [c.tank for c in book.checkins] == ["Riff \u00e4"]
    assert not book.problems


def test_rows_of_a_refused_tank_point_to_it(read: Read) -> None:
    book = read(
        tanks="tank,started\nReef,2026-01-01\nLagoon,soon\n",
        checkins="tank,date\nLagoon,2026-02-01\nAtoll,2026-02-01\n",
        events="tank,date,event\nLagoon,2026-02-01,crash\n",
    )
    assert book.refused_tanks == ("Lagoon",)
    tank, lagoon, atoll, event = errors(book)
    assert "line 3" in lagoon.what
    assert "line 3" in event.what
    assert [p.tank for p in (tank, lagoon, atoll, event)] == ["Lagoon", "Lagoon", None, "Lagoon"]
    assert [(c.file, c.read, c.refused) for c in book.rows] == [
        ("tanks.csv", 2, 1),
        ("checkins.csv", 2, 2),
        ("events.csv", 1, 1),
    ]


def test_a_good_row_after_a_bad_one_keeps_the_tank(read: Read) -> None:
    book = read(tanks="tank,started\nReef,soon\nReef,2026-01-01\n")
    assert list(book.tanks) == ["Reef"]
    assert book.refused_tanks == ()
    assert only(errors(book)).line == 2


@pytest.mark.parametrize(
    ("text", "answer"),
    [*((text, True) for text in ("y", "YES", "1", "True", "present", "Detected")),
     *((text, False) for text in ("n", "No", "0", "FALSE", "absent", "notDetected")),
     *((text, None) for text in ("maybe", "2", "x", "-", "?", "yy", "\u0131"))],
)  # fmt: skip
def test_answers(read_cells: Read, text: str, answer: bool | None) -> None:
    book = read_cells(diatoms=text, hair_algae="y")
    found = {"hair_algae": True} | ({} if answer is None else {"diatoms": answer})
    assert book.checkins[0].signs == found
    refused = [(p.scope, p.column, p.value) for p in errors(book)]
    assert refused == ([("cell", "diatoms", text)] if answer is None else [])


def test_blank_is_not_absence(read_cells: Read) -> None:
    book = read_cells(diatoms="", ammonia=" ", hair_algae="n")
    assert book.checkins[0].signs == {"hair_algae": False}
    assert book.checkins[0].readings == {}
    assert not book.problems


def test_look_phase_observer_note(read_cells: Read) -> None:
    book = read_cells(look="Torch", judged_phase="Mature", observer=" night ", note="a")
    checkin = book.checkins[0]
    assert (checkin.look, checkin.judged_phase) == ("torch", "mature")
    assert (checkin.observer, checkin.note) == ("night", "a")
    checkin = read_cells(look="", judged_phase="").checkins[0]
    assert (checkin.look, checkin.judged_phase) == ("careful", None)


def test_repeats(read: Read) -> None:
    text = (
        "tank,date,observer,diatoms\n"
        "Reef,2026-02-01,a,y\n"
        "Reef,2026-02-01,b,y\n"
        "Reef,1 Feb 2026,a,y\n"
        "Reef,2026-02-01,a,n\n"
    )
    book = read(checkins=text)
    # The others of that day are one look with the first.
    assert [c.line for c in book.checkins] == [2]
    assert next(r for r in book.rows if r.file == "checkins.csv").used == 3
    problem = only(errors(book))
    assert problem.line == 4
    assert "repeats line 2" in problem.what


def test_checkins_come_by_date_then_line(read: Read) -> None:
    text = "tank,date,diatoms\nReef,2026-03-01,\nReef,2026-02-01,\nReef,2026-03-02,y\n"
    assert [c.line for c in read(checkins=text).checkins] == [3, 2, 4]


def test_one_line_for_a_whole_file_in_another_form(read: Read) -> None:
    rows = "".join(f"Reef,{d}/02/2026\n" for d in range(13, 20))
    book = read(checkins="tank,date\n" + rows)
    problem = only(settled(book))
    assert (problem.line, problem.column, problem.value) == (2, "date", "13/02/2026")
    assert "7 times" in problem.what
    assert len(book.checkins) == 7


def test_events(read: Read) -> None:
    book = read(
        events="tank,date,event,amount,note\n"
        "Reef,2026-02-03,water_change,25 %,\nReef,2026-02-02,Overfeeding,3x,\n"
        "Reef,2026-02-04,livestock added,2,snails\nReef,2026-02-05,crash,,\n"
        "Reef,2026-02-05,crash,,\nReef,2026-02-05,crash,,again\n"
        "Reef,2026-02-06,overfeeding,,\nReef,2026-02-07,overfeeding,,\n"
    )
    assert [(e.kind, e.amount, e.line) for e in book.events] == [
        ("overfeeding", 3, 3),
        ("water_change", 25, 2),
        ("livestock_added", 2, 4),
        ("crash", None, 5),
        ("crash", None, 7),
        ("overfeeding", 2, 8),
        ("overfeeding", 2, 9),
    ]
    assert only(errors(book)).line == 6  # it repeats line 5
    problem = only(settled(book))
    assert (problem.line, problem.column) == (8, "amount")
    assert "2 times" in problem.what


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


def test_a_kit_that_cannot_be_used_takes_its_readings_along(read_cells: Read) -> None:
    kits = "analyte,unit\nnitrate,mg/L NO2\n"
    book = read_cells({"kits": kits}, nitrate="5", ammonia="0")
    row, cell = errors(book)
    assert (row.file, row.line) == ("kits.csv", 2)
    assert (cell.column, cell.scope) == ("nitrate", "cell")
    assert "line 2" in cell.what
    assert set(book.checkins[0].readings) == {"ammonia"}


def test_what_a_kit_leaves_open_is_said(read: Read) -> None:
    book = read(
        kits="keeper,analyte,method,unit\n,ph,,\n,ph,strip,[pH]\n,nitrate,strip,mg/L\n"
        "wset,ph,probe,[pH]\nwset,temperature,probe,Cel\n"
    )
    assert only(errors(book)).line == 3  # a second one
    assert [(k.method, k.unit) for k in book.kits][:2] == [("probe", "[pH]"), ("strip", "mg/L NO3")]
    found = {(p.line, p.column) for p in settled(book)}
    assert found == {(2, "method"), (2, "unit"), (4, "unit"), (5, "keeper")}


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
