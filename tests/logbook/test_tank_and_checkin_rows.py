"""Rows of tanks and check-ins: used, or said."""

from __future__ import annotations

import datetime as dt

import pytest
from logbook.read_logs import Read, errors, only, settled


def test_a_whole_tank(read: Read) -> None:
    book = read(
        tanks="tank,keeper,club,started,volume_l,rock,sand_depth_mm\n"
        " Reef ,west-bench,Corner shelf,2026-01-01,120.5,Live,0\nLagoon,,,2026-01-02,,,\n"
    )
    reef, lagoon = book.tanks.values()
    assert (reef.name, reef.keeper, reef.club) == ("Reef", "west-bench", "Corner shelf")
    assert (reef.volume_l, reef.rock, reef.sand_depth_mm) == (120.5, "live", 0.0)
    assert (lagoon.volume_l, lagoon.rock, lagoon.sand_depth_mm) == (None, None, None)
    assert lagoon.line == 3
    assert not book.problems


@pytest.mark.parametrize(
    ("row", "column", "refused"),
    [
        (",2026-01-01", "tank", ()),
        ("Lagoon,", "started", ("Lagoon",)),
        ("Lagoon,03/04/2026", "started", ("Lagoon",)),
        ("Lagoon,2027-01-01", "started", ("Lagoon",)),
        ("Lagoon,1926-01-01", "started", ("Lagoon",)),
        ("Reef,2026-01-05", "tank", ()),
        ("x" * 81 + ",2026-01-01", "tank", ()),
        ("a\u202eb,2026-01-01", "tank", ()),
        ("a\x07b,2026-01-01", "tank", ()),
    ],
)
def test_a_bad_tank_row(read: Read, row: str, column: str, refused: tuple[str, ...]) -> None:
    book = read(tanks=f"tank,started\nReef,2026-01-01\n{row}\n")
    problem = only(errors(book))
    assert (problem.scope, problem.line, problem.column) == ("row", 3, column)
    assert list(book.tanks) == ["Reef"]
    assert book.tanks["Reef"].started == dt.date(2026, 1, 1)
    assert book.refused_tanks == refused


def test_a_name_in_another_normal_form_is_the_same(read: Read) -> None:
    book = read(
        tanks="tank,started\nRiff \u00e4,2026-01-01\n",
        checkins="tank,date\nRiff a\u0308,2026-02-01\n",
    )
    assert [c.tank for c in book.checkins] == ["Riff \u00e4"]
    assert not book.problems


@pytest.mark.parametrize(
    ("column", "text"),
    [("volume_l", "-5"), ("volume_l", "0"), ("volume_l", "big"), ("rock", "granite"),
     ("sand_depth_mm", "9999"), ("sand_depth_mm", "4,5"), ("keeper", "a\x07")],
)  # fmt: skip
def test_a_bad_optional_cell_costs_only_itself(read: Read, column: str, text: str) -> None:
    book = read(tanks=f'tank,started,{column}\nReef,2026-01-01,"{text}"\n')
    problem = only(errors(book))
    assert (problem.scope, problem.column, problem.tank) == ("cell", column, "Reef")
    assert list(book.tanks) == ["Reef"]
    assert not getattr(book.tanks["Reef"], column)
    assert ("above 0" in problem.mend) == (text in ("-5", "0"))


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


def test_no_usable_tank(read: Read) -> None:
    book = read(tanks="tank,started\n")
    assert "no tank" in only(errors(book)).what


@pytest.mark.parametrize(
    ("text", "answer"),
    [("y", True), ("YES", True), ("1", True), ("True", True), ("present", True),
     ("Detected", True), ("n", False), ("No", False), ("0", False), ("FALSE", False),
     ("absent", False), ("notDetected", False)],
)  # fmt: skip
def test_answers(read_cells: Read, text: str, answer: bool) -> None:
    assert read_cells(diatoms=text).checkins[0].signs == {"diatoms": answer}


@pytest.mark.parametrize("text", ["maybe", "2", "x", "-", "?", "yy", "\u0131"])
def test_no_answer(read_cells: Read, text: str) -> None:
    book = read_cells(diatoms=text, hair_algae="y")
    problem = only(errors(book))
    assert (problem.scope, problem.column, problem.value) == ("cell", "diatoms", text)
    assert book.checkins[0].signs == {"hair_algae": True}


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


@pytest.mark.parametrize(
    ("column", "text"),
    [("look", "squint"), ("judged_phase", "old"), ("observer", "x" * 81), ("ammonia", "trace")],
)
def test_bad_cells_of_a_checkin(read_cells: Read, column: str, text: str) -> None:
    book = read_cells(**{column: text})
    problem = only(errors(book))
    assert (problem.scope, problem.line, problem.column) == ("cell", 2, column)
    assert problem.tank == "Reef"
    assert len(book.checkins) == 1


@pytest.mark.parametrize(
    ("row", "column", "why"),
    [
        ("Atoll,2026-02-01", "tank", "not in the tanks table"),
        (",2026-02-01", "tank", "blank"),
        ("Reef,", "date", "blank"),
        ("Reef,03/04/2026", "date", "may be"),
        ("Reef,2025-12-31", "date", "before the tank was started"),
        ("Reef,2027-01-01", "date", "after today"),
    ],
)
def test_refused_checkins(read: Read, row: str, column: str, why: str) -> None:
    book = read(checkins=f"tank,date\n{row}\n")
    problem = only(errors(book))
    assert (problem.scope, problem.line, problem.column) == ("row", 2, column)
    assert why in problem.what
    assert not book.checkins


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


def test_a_missing_column(read: Read) -> None:
    book = read(checkins="tank,diatoms\nReef,y\nReef,n\n")
    problem = only(errors(book))
    assert problem.scope == "file"
    assert "date" in problem.what
    assert (book.rows[-1].read, book.rows[-1].refused) == (2, 2)


def test_one_line_for_a_whole_file_in_another_form(read: Read) -> None:
    rows = "".join(f"Reef,{d}/02/2026\n" for d in range(13, 20))
    book = read(checkins="tank,date\n" + rows)
    problem = only(settled(book))
    assert (problem.line, problem.column, problem.value) == (2, "date", "13/02/2026")
    assert "7 times" in problem.what
    assert len(book.checkins) == 7
