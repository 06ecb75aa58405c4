"""Tanks and kits that join a log: checked, kept whole, with the table as it was."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from logbook.adding import TANKS, TODAY, Log, Make

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook.begin import NewKit, NewTank
from maturity_model.logbook.edit import EditError
from maturity_model.logbook.extend import add_kits, add_tanks
from maturity_model.logbook.template import template_bytes

KITS = "keeper,analyte,method,unit,steps\nann,nitrate,strip,mg/L NO3,\n"


def refused(log: Log, *rows: NewTank | NewKit) -> str:
    """Why rows are refused; nothing may have changed."""
    before = log.tables()
    add: Any = add_tanks if isinstance(rows[0], NewTank) else add_kits
    with pytest.raises(EditError) as caught:
        add(log.folder, rows, today=TODAY)
    assert log.tables() == before
    assert not log.backup.exists()
    return str(caught.value)


def test_a_tank_is_added_and_everything_else_stays(make: Make) -> None:
    log = make()
    (backup,) = add_tanks(
        log.folder,
        [NewTank("=Cove", "1 March 2026", "Ann", rock="live"), NewTank("Bay", "2026-04-01")],
        today=TODAY,
    )
    # Columns that it lacked are added, and a name becomes no formula.
    assert log.text("tanks") == (
        "tank,keeper,started,rock\nReef,ann,2026-01-01\nNook,ann,2026-02-01\n"
        "'=Cove,Ann,2026-03-01,live\nBay,,2026-04-01,\n"
    )
    assert (log.folder / backup).read_text() == TANKS
    cove = log.read().tanks["=Cove"]
    assert (cove.keeper, cove.started, cove.rock) == ("ann", dt.date(2026, 3, 1), "live")
    assert len(log.read().checkins) == 1


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (NewTank("reef", "2026-03-01"), "is a tank of this log already"),
        (NewTank("Rееf", "2026-03-01"), "looks the same"),  # the vowels are Cyrillic
        (NewTank("Cove", "03/04/2026"), "may be"),
        (NewTank("Cove", "2026-03-01", rock="wet"), "is not a kind of rock"),
        (NewKit("copper", "strip"), "is not an analyte"),
        (NewKit("nitrate", "smell"), "is not a method"),
        (NewKit("nitrate", "strip", "dKH"), "is not a unit known for nitrate"),
        (NewKit("nitrate", "strip", steps="0;5;5"), "do not increase"),
        (NewKit("nitrate", "strip", keeper="bob"), "keeps no tank of this log"),
        (NewKit("Nitrate", "probe", keeper="ANN"), "kits.csv, line 2: is ann's kit"),
    ],
)
def test_what_cannot_be_used_changes_nothing(make: Make, row: NewTank | NewKit, said: str) -> None:
    assert said in refused(make(kits=KITS), row)


def test_two_rows_of_one_name_or_kit_are_refused(make: Make) -> None:
    log = make()
    assert "already" in refused(log, NewTank("Cove", "2026-03-01"), NewTank("cove", "2026-03-01"))
    assert "already" in refused(log, NewKit("ph", "probe"), NewKit("ph", "strip"))


def test_a_kit_is_added_with_its_unit(make: Make) -> None:
    log = make()
    assert add_kits(log.folder, [NewKit("Nitrate", "strip", steps="0;5;10")], today=TODAY) == ()
    assert log.text("kits") == (
        "keeper,analyte,method,unit,steps\n,nitrate,strip,mg/L NO3,0;5;10\n"
    )
    (backup,) = add_kits(log.folder, [NewKit("ph", "probe", keeper="Ann")], today=TODAY)
    assert log.read().kits[-1].keeper == "ann"
    assert (log.folder / backup).read_text().count("\n") == 2


def test_the_logs_own_marks_are_kept(make: Make) -> None:
    log = make(
        logbook="setting,value\ndecimal,comma\ndate_order,day-month-year\n",
        kits="analyte;method;steps\nph;probe;\n",
    )
    add_tanks(log.folder, [NewTank("Cove", "03/04/2026", volume_l="62,5")], today=TODAY)
    add_kits(log.folder, [NewKit("ammonia", "strip", steps="0;0,5;1")], today=TODAY)
    with (log.folder / "kits.csv").open(newline="") as handle:
        assert list(csv.reader(handle, delimiter=";"))[-1] == [
            "ammonia", "strip", "0;0,5;1", "mg/L NH4",
        ]  # fmt: skip
    book = log.read()
    cove = book.tanks["Cove"]
    assert (cove.started, cove.volume_l) == (dt.date(2026, 4, 3), 62.5)
    assert book.kits[-1].steps == (0, 0.5, 1)


def test_a_workbook_is_refused_with_a_way_out(tmp_path: Path) -> None:
    rows = {"tanks": [{"tank": "Reef", "started": dt.date(2026, 1, 1)}]}
    (tmp_path / "log.xlsx").write_bytes(template_bytes(load_catalogue(), rows))
    with pytest.raises(EditError, match="maturity-model tables"):
        add_tanks(tmp_path, [NewTank("Cove", "2026-03-01")], today=TODAY)
