"""Every row and cell of a logbook is used, or said."""

from __future__ import annotations

import datetime as dt
import sys
from collections import Counter
from pathlib import Path

import pytest
from logbook.read_logs import TODAY, Read, errors, only

from maturity_model.logbook import columns, read_logbook


def test_date_order_and_decimal(read: Read) -> None:
    rows = "tank;date;nitrate\nReef;03/04/2026;2,5\n"
    assert only(errors(read(checkins=rows))).column == "date"
    problem = only(errors(read(checkins=rows.replace("03/04/2026", "2026-04-03"))))
    assert (problem.scope, problem.value) == ("cell", "2,5")
    assert "decimal,comma" in problem.mend
    for order, month in (("day-month-year", 4), ("Month-Day-Year", 3)):
        book = read(checkins=rows, logbook=f"setting,value\ndate_order,{order}\ndecimal,comma\n")
        assert not errors(book)
        assert book.checkins[0].date.month == month
        assert book.checkins[0].readings["nitrate"].best == 2.5


def test_an_own_sign_is_used_the_same_day(read: Read) -> None:
    signs = "sign,cycling,bloom,colonising,mature\n"
    book = read(
        signs=signs + "feather_worms,0.02,0.1,0.4,0.6\nbad sign,0.1,0.1,0.1,0.1\n"
        "diatoms,0.1,0.1,0.1,0.1\n",
        checkins="tank,date,Feather Worms\nReef,2026-02-01,y\n",
    )
    assert book.checkins[0].signs == {"feather_worms": True}
    assert book.catalogue.signs["feather_worms"].own
    assert [(p.file, p.line, p.scope) for p in errors(book)] == [
        ("signs.csv", 3, "row"),
        ("signs.csv", 4, "row"),
    ]
    assert (book.rows[0].file, book.rows[0].read, book.rows[0].used) == ("signs.csv", 3, 1)


def test_problems_stand_in_file_order(read: Read) -> None:
    book = read(
        kits="keeper,analyte\nwho,ph\n",
        tanks="tank,started,rock\nReef,1 Jan 2026,stone\n",
        checkins="tank,date,look\nReef,x,\nReef,1 Feb 2026,x\nReef,y,\n",
        events="tank,date,event\nReef,x,crash\n",
    )
    order = ["tanks.csv", "kits.csv", "checkins.csv", "events.csv"]
    places = [(order.index(p.file), p.line) for p in book.problems]
    assert places == sorted(places)
    assert len(book.problems) == 10


def test_a_file_of_nothing_but_problems_ends(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MAX_PROBLEMS", 5)
    book = read(checkins="tank,date\n" + "Reef,x\n" * 9, events="tank,date,event\nReef,x,y\n")
    last = [p for p in book.problems if p.file == "checkins.csv"][-1]
    assert (last.scope, last.line) == ("file", 7)
    assert [(c.read, c.refused) for c in book.rows] == [(1, 0), (5, 5), (1, 1)]


def test_work_grows_with_the_rows(tmp_path: Path) -> None:
    """Twice the rows are at most a little more than twice the calls, in Python and in C."""

    def calls(tanks: int) -> int:
        folder = tmp_path / str(tanks)
        folder.mkdir()
        names = [f"Tank {i}" for i in range(tanks)]
        days = [str(dt.date(2025, 1, 1) + dt.timedelta(days=3 * i)) for i in range(50)]
        starts = "".join(f"{n},2025-01-01\n" for n in names)
        (folder / "tanks.csv").write_text("tank,started\n" + starts)
        looks = "".join(f"{n},{d},y,n,,0.25,10,8.2\n" for n in names for d in days)
        head = "tank,date,diatoms,hair_algae,copepods,ammonia,nitrate,ph\n"
        (folder / "checkins.csv").write_text(head + looks)
        counted: Counter[str] = Counter()
        sys.setprofile(lambda frame, event, argument: counted.update([event]))
        try:
            book = read_logbook(folder, today=TODAY)
        finally:
            sys.setprofile(None)
        assert len(book.checkins) == 50 * tanks
        return counted["call"] + counted["c_call"]

    assert calls(20) < 2.1 * calls(10)
