"""A name in another spelling is read as the same or refused, and reported with code points."""

from __future__ import annotations

import pytest
from logbook.read_logs import Read, errors, only, settled

TANKS = "tank,keeper,started\nTank 1,Ann,2026-01-01\n"


@pytest.mark.parametrize(
    ("text", "odds"),
    [
        ("Tank\u00a01", "has U+00A0 where 'Tank 1' in tanks.csv has a space"),
        ("Tank\u200b 1", "has U+200B where 'Tank 1' in tanks.csv has nothing"),
        ("tank 1", "has 't' where 'Tank 1' in tanks.csv has 'T'"),
        ("Tank  1", "has a space where 'Tank 1' in tanks.csv has nothing"),
    ],
)
@pytest.mark.parametrize("table", ["checkins", "events"])
def test_other_case_or_blanks_are_the_same_tank(
    read: Read, text: str, odds: str, table: str
) -> None:
    rows = {
        "checkins": f"tank,date,diatoms\nTank 1,2026-02-01,y\n{text},2026-02-08,y\n",
        "events": f"tank,date,event\nTank 1,2026-02-01,crash\n{text},2026-02-08,crash\n",
    }
    book = read(tanks=TANKS, **{table: rows[table]})
    assert [row.tank for row in getattr(book, table)] == ["Tank 1", "Tank 1"]
    problem = only(settled(book))
    assert (problem.file, problem.line, problem.column) == (f"{table}.csv", 3, "tank")
    assert problem.what == f"{odds}, and is read as that tank"
    assert problem.mend == "write 'Tank 1', as there"
    assert not errors(book)


def test_a_look_alike_is_no_tank(read: Read) -> None:
    book = read(tanks=TANKS, checkins="tank,date,diatoms\nT\u0430nk 1,2026-02-01,y\n")
    assert not book.checkins
    problem = only(errors(book))
    assert (problem.file, problem.line, problem.column) == ("checkins.csv", 2, "tank")
    assert "it has U+0430 where 'Tank 1' in tanks.csv has 'a'" in problem.what
    assert problem.mend == "write 'Tank 1', exactly as there"


@pytest.mark.parametrize(
    ("second", "odds"), [("TANK 1", "has 'ANK' where"), ("T\u0430nk 1", "has U+0430 where")]
)
def test_two_tanks_that_could_be_one_are_not_both_used(read: Read, second: str, odds: str) -> None:
    book = read(
        tanks=f"{TANKS}{second},Bob,2026-01-05\n",
        checkins=f"tank,date\nTank 1,2026-02-01\n{second},2026-02-02\nTank\u00a01,2026-02-03\n",
    )
    assert list(book.tanks) == ["Tank 1"]
    assert book.refused_tanks == (second,)
    tank, *rows = errors(book)
    assert (tank.file, tank.line, tank.column) == ("tanks.csv", 3, "tank")
    assert tank.what.startswith(odds)
    # The tank of line 3 is not read as that of line 2, nor is a third spelling of both.
    lines = [p.line for p in rows]
    assert {p.tank for p in rows} == {None}  # either tank may be meant
    if second == "TANK 1":
        assert lines == [3, 4]
        assert [c.line for c in book.checkins] == [2]
    else:
        assert lines == [3]
        assert [c.line for c in book.checkins] == [2, 4]


def test_letters_and_digits_that_were_typed_are_two_tanks(read: Read) -> None:
    book = read(tanks="tank,started\nL1,2026-01-01\n11,2026-01-01\n")
    assert list(book.tanks) == ["L1", "11"]
    assert "read as another tank" in only(settled(book)).what


def test_a_keeper_in_other_case_is_the_same_person_with_the_same_kit(read: Read) -> None:
    book = read(
        tanks=TANKS,
        kits="keeper,analyte,method,unit\nANN,nitrate,photometer,mg/L NO3\n",
        checkins="tank,date,observer,nitrate\nTank 1,2026-02-01,ann,10\n",
    )
    assert book.kits[0].keeper == "Ann"
    assert book.checkins[0].observer == "Ann"
    assert book.checkins[0].readings["nitrate"].method == "photometer"
    assert [(p.file, p.column, p.mend) for p in settled(book)] == [
        ("kits.csv", "keeper", "write 'Ann', as there"),
        ("checkins.csv", "observer", "write 'Ann', as there"),
    ]


def test_a_keeper_who_only_looks_the_same_is_another_person(read: Read) -> None:
    book = read(tanks=TANKS, checkins="tank,date,observer\nTank 1,2026-02-01,\u0410nn\n")
    assert book.checkins[0].observer == "\u0410nn"
    problem = only(settled(book))
    assert problem.what == (
        "has U+0410 where 'Ann' in tanks.csv has 'A', and is read as another name"
    )


def test_a_name_that_shows_nothing_is_blank(read: Read) -> None:
    book = read(tanks="tank,keeper,started\n\u200b,Ann,2026-01-01\nReef,\u2060,2026-01-01\n")
    assert only(errors(book)).what.startswith("is blank")
    assert book.tanks["Reef"].keeper == ""


@pytest.mark.parametrize(
    ("column", "word"),
    [("consent", "no"), ("consent", "NO"), ("consent", "n\u200bo"), ("consent", "\uff4e\uff4f"),
     ("consent", "n\u043e"), ("consent", "\u0443es"), ("Consent", "no"),
     ("consent\u200b", "no"), ("\u0441onsent", "no"), ("consent,Consent", "yes,no")],
)  # fmt: skip
def test_what_may_be_a_no_is_one(read: Read, column: str, word: str) -> None:
    book = read(tanks=f"tank,started,{column}\nReef,2026-01-01,{word}\nNook,2026-01-01,\n")
    assert book.asks_consent
    assert book.tanks["Reef"].consent is False
    assert book.tanks["Nook"].consent is None


def test_the_no_of_a_row_that_cannot_be_used_is_kept(read: Read) -> None:
    book = read(
        tanks="tank,keeper,started,consent\nReef,Ann,2026-01-01,yes\nReef,Ann,2026-01-01,no\n"
        "Nook,Bob,soon,no\n"
    )
    assert book.consent_refused == (("Reef", "Ann"), ("Nook", "Bob"))
