"""Adding a check-in file: all or nothing, twice is once, the log's own text stays."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
from pathlib import Path

import pytest
from logbook.adding import CHECKINS, EVENTS, FILE, TODAY, Log, Make

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import edit
from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import MAX_BACKUPS, EditError
from maturity_model.logbook.entries import LOCK
from maturity_model.logbook.template import template_bytes
from maturity_model.whole_files import LockedError, locked

LOOK = FILE + "Reef,2026-03-08,ann,n,,,,\n"


def test_rows_are_appended_and_read_back(make: Make) -> None:
    log = make()
    rows = "Reef,2026-03-08,ann,n,<0.25,,,\nNook,2026-03-08,,,,water_change,15,half\n"
    added = log.add(FILE + rows)
    assert (added.checkins, added.events, added.already, added.replaced) == (1, 1, 0, 0)
    assert log.text("checkins") == CHECKINS + "Reef,2026-03-08,ann,,n,<0.25,\n"
    assert log.text("events") == EVENTS + "Nook,2026-03-08,water_change,15,half\n"
    book = log.read()
    assert book.checkins[-1].signs == {"diatoms": False}
    assert book.checkins[-1].readings["ammonia"].text == "<0.25"
    assert [(e.tank, e.amount, e.note) for e in book.events][-1] == ("Nook", 15.0, "half")
    assert {(log.folder / b).read_text() for b in added.backups} == {CHECKINS, EVENTS}


@pytest.mark.parametrize(
    ("rows", "checkins", "already"),
    [
        ("Reef,2026-03-01,bob,n,0.5,,,\n", 1, 0),  # another observer: a second look
        ("Reef,2026-03-08,ann,n,,,,\n" * 2, 1, 1),
        ("Reef,1 March 2026,ann,Yes,0.250,,,ok\n", 0, 1),
    ],
)
def test_a_row_counts_once(make: Make, rows: str, checkins: int, already: int) -> None:
    added = make().add(FILE + rows)
    assert (added.checkins, added.already) == (checkins, already)


def test_adding_twice_changes_nothing(make: Make) -> None:
    log = make()
    text = FILE + "Reef,2026-03-08,ann,n,<0.25,,,=1+1\nNook,2026-03-08,,,,overfeeding,,\n"
    log.add(text)
    once, backups = log.tables(), sorted(log.backup.iterdir())
    for conflict in ("refuse", "replace", "beside"):
        again = log.add(text, conflict=conflict)
        assert (again.checkins, again.events, again.replaced, again.already) == (0, 0, 0, 2)
    assert log.tables() == once
    assert sorted(log.backup.iterdir()) == backups
    # A note that a spreadsheet would run is text.
    assert ",'=1+1\n" in log.text("checkins")


@pytest.mark.parametrize(
    ("row", "odds"),
    [
        ("Reef,2026-03-01,ann,n,0.25,,,", "diatoms: 'n' stands against 'y'"),
        ("Reef,2026-03-01,ann,y,0.5,,,", "ammonia: '0.5' stands against '0.25'"),
        ("Reef,2026-03-01,,n,,,,", "diatoms: 'n' stands against 'y'"),
        ("Reef,2026-03-01,ann,y,0.25,,,another", "note: 'another' stands against 'ok'"),
        ("Reef,2026-03-02,,,,water_change,30,", "amount: '30' stands against '20'"),
    ],
)
def test_a_row_that_says_otherwise_is_refused(make: Make, row: str, odds: str) -> None:
    log = make()
    (line,) = log.refused(f"{FILE}Nook,2026-03-09,ann,y,,,,\n{row}\n")
    assert line.startswith(f"in.csv, line 3, column {odds} in ")
    assert ".csv, line 2, for 'Reef' on 2026-03-0" in line
    assert "--replace" in line
    # Beside: both rows stand.
    added = log.add(f"{FILE}{row}\n", conflict="beside")
    assert added.checkins + added.events == 1
    used = {r.file: r.used for r in log.read().rows}
    assert used["checkins.csv"] + used["events.csv"] == 3


def test_replacing_keeps_the_other_cells(make: Make) -> None:
    head = "tank;date;observer;mood;diatoms;hair algae;note\r\n"
    tail = "Nook;2026-03-01;ann;;y;;\r\n"
    log = make(checkins=head + '"Reef"; 2026-03-01;ann;"gl;ad";y;n;"a\r\nb"\r\n' + tail)
    text = FILE + "Reef,2026-03-01,ann,n,,,,\n"
    assert log.add(text, conflict="replace").replaced == 1
    made = 'Reef;2026-03-01;ann;"gl;ad";n;n;"a\r\nb"\r\n'
    assert log.tables()["checkins.csv"].decode() == head + made + tail
    again = log.add(text)
    assert (again.already, again.replaced) == (1, 0)


def test_replacing_asks_where_it_is_not_clear(make: Make) -> None:
    log = make(checkins=CHECKINS + "Reef,2026-03-01,ann,careful,y,0.5,\n")
    (line,) = log.refused(FILE + "Reef,2026-03-01,ann,n,,,,\n", conflict="replace")
    assert "more than one row" in line
    both = FILE + "Nook,2026-03-05,ann,n,,,,\nNook,2026-03-05,ann,y,,,,\n"
    for conflict in ("refuse", "replace"):
        (line,) = make().refused(both, conflict=conflict)
        assert line.startswith("in.csv, line 3")


@pytest.mark.parametrize("mark", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_the_logs_own_text_stays(make: Make, mark: str, end: str, last: bool) -> None:
    lines = [
        '"tank"\tdate\tmood\tnote\tHair Algae', 'Reef\t2026-03-01\t"a ""b"""\t  spaced\t y', "",
        "Reef\t2026-03-02\tü", "\t\t\t\t", "Reef\t2026-03-03\t\t=1+1\tmaybe",
    ]  # fmt: skip
    log = make(checkins=(end.join(lines) + (end if last else "")).encode(mark))
    added = log.add("tank,date,hair_algae,copepods,note\nReef,2026-03-09,n,y,a\tb\n")
    assert added.columns == ("copepods",)
    want = end.join([lines[0] + "\tcopepods", *lines[1:]]) + end
    want += 'Reef\t2026-03-09\t\t"a\tb"\tn\ty' + end
    assert log.tables()["checkins.csv"] == want.encode(mark)
    signs = [c.signs for c in log.read().checkins]
    assert signs == [{"hair_algae": True}, {}, {}, {"hair_algae": False, "copepods": True}]


@pytest.mark.parametrize(
    ("name", "text", "want"),
    [
        ("checkins.csv", "sep=;\ntank;date;diatoms\nReef;2026-02-01;y\n", "Reef;2026-02-08;n\n"),
        ("checkins.tsv", "tank\tdate\tdiatoms\nReef\t2026-02-01\ty\n", "Reef\t2026-02-08\tn\n"),
    ],
)
def test_rows_are_added_in_the_tables_own_form(make: Make, name: str, text: str, want: str) -> None:
    log = make()
    (log.folder / "checkins.csv").unlink()
    (log.folder / name).write_text(text)
    log.add("tank,date,diatoms\nReef,2026-02-08,n\n")
    assert (log.folder / name).read_text() == text + want
    assert {p.name for p in log.folder.glob("checkins*")} == {name}


def test_a_new_column_claims_no_stray_cell(make: Make) -> None:
    log = make(checkins="tank,date,diatoms\nReef,2026-03-01,y,y\nReef,2026-03-02,n\n")
    (line,) = log.refused("tank,date,copepods\nReef,2026-03-09,n\n")
    assert "line 2" in line
    # Without a new column nothing is in the way.
    assert log.add("tank,date,diatoms\nReef,2026-03-09,n\n").checkins == 1


def test_nothing_goes_behind_an_open_quotation_mark(make: Make) -> None:
    log = make(checkins='tank,date,note\nReef,2026-03-01,"never closed\n')
    (line,) = log.refused("tank,date,diatoms\nReef,2026-03-09,n\n")
    assert "never closed" in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tank,date,dinos\nReef,2026-03-08,y\n", ("in.csv, line 1, column dinos: is not",)),
        (FILE + "Reef,2026-03-08,,maybe,,,,\n", ("in.csv, line 2, column diatoms: 'maybe'",)),
        (FILE + "Reef,2026-03-08,,y,,crash,,\n", ("in.csv, line 2, column diatoms: 'y' stands",)),
        (FILE + "Reef,2026-03-08,,y,,,5,\n", ("in.csv, line 2, column amount: '5' is",)),
        (FILE + "Reef,2026-03-08,,,,water_change,,\n", ("in.csv, line 2, column amount: is",)),
        (FILE, ("in.csv, line 1: holds no row",)),
        ("", ("in.csv: is empty",)),
        ("date,diatoms\n2026-03-08,y\n", ("in.csv, line 1: has no column tank",)),
        (b"tank,date\n\xff\n", ("in.csv, line 2: 'byte 0xFF'",)),
        (
            FILE + "Rif,2026-03-08,,y,,,,\nReef,03/04/2026,,y,,,,\n",
            ("in.csv, line 2, column tank", "in.csv, line 3, column date"),
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_reported_and_nothing_added(
    make: Make, text: str | bytes, said: tuple[str, ...]
) -> None:
    lines = make().refused(text)
    assert len(lines) == len(said)
    for line, start in zip(lines, said, strict=True):
        assert line.startswith(start)
        assert "; " in line  # how to mend it


def test_an_unusual_reading_is_added_with_a_remark(make: Make) -> None:
    added = make().add("tank,date,temperature\nReef,2026-02-01,18\n")
    assert added.checkins == 1
    assert "usual 20 to 30 °C and is used as written" in added.remarks[0]


def test_tables_that_are_not_there_are_made(make: Make) -> None:
    log = make()
    (log.folder / "checkins.csv").unlink()
    (log.folder / "events.csv").unlink()
    added = log.add(FILE + "Reef,2026-03-08,,,,crash,,\nReef,2026-03-08,ann,n,,,,x\n")
    assert added.backups == ()
    assert log.text("events") == "tank,date,event,amount\nReef,2026-03-08,crash,\n"
    assert log.text("checkins") == "tank,date,observer,diatoms,note\nReef,2026-03-08,ann,n,x\n"


def test_a_decimal_comma_is_the_logs_own(make: Make) -> None:
    log = make(logbook="setting,value\ndecimal,comma\n")
    log.add(FILE + 'Reef,2026-03-08,ann,,"0,5",,,\n')
    assert log.read().checkins[-1].readings["ammonia"].best == 0.5
    assert log.text("checkins").endswith('Reef,2026-03-08,ann,,,"0,5",\n')


def test_a_workbook_is_refused_with_a_way_out(make: Make, tmp_path: Path) -> None:
    rows = {"tanks": [{"tank": "Reef", "started": dt.date(2026, 1, 1)}]}
    sheets = Log(tmp_path / "sheets")
    sheets.folder.mkdir()
    book = sheets.folder / "log.xlsx"
    book.write_bytes(template_bytes(load_catalogue(), rows))
    with pytest.raises(EditError, match="maturity-model tables"):
        add_file(sheets.file(LOOK), book, today=TODAY)
    with pytest.raises(EditError, match="maturity-model tables"):
        sheets.add(LOOK)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="modes are POSIX")
def test_the_files_mode_and_place_stay(make: Make, tmp_path: Path) -> None:
    log, real = make(), tmp_path / "elsewhere.csv"
    (log.folder / "checkins.csv").rename(real)
    (log.folder / "checkins.csv").symlink_to(real)
    real.chmod(0o640)
    log.add(LOOK)
    assert (log.folder / "checkins.csv").is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert real.read_text().count("\n") == 3


def test_backups_are_bounded(make: Make) -> None:
    log = make()
    for day in range(1, MAX_BACKUPS + 4):
        assert log.add(FILE + f"Reef,2026-05-{day:02},ann,n,,,,\n").checkins == 1
    assert len(list(log.backup.iterdir())) == MAX_BACKUPS


def test_a_log_to_which_another_process_adds_stays_as_it_is(
    make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = make()
    monkeypatch.setattr(edit, "PATIENCE", 0.1)
    before = log.tables()
    with (
        locked(log.folder / LOCK, LockedError()),
        pytest.raises(LockedError, match="another program"),
    ):
        log.add(LOOK)
    assert log.tables() == before
    assert log.add(LOOK).checkins == 1


ADD = """
import datetime as dt, sys
from maturity_model.logbook.add import add_file
for path in sys.argv[2:]:
    add_file(path, sys.argv[1], today=dt.date(2026, 12, 31))
"""


def test_two_at_once_lose_nothing(make: Make) -> None:
    log = make()
    days = [f"2026-{month:02}-0{day}" for month in range(4, 9) for day in (1, 2)]
    running = []
    for tank in ("Reef", "Nook"):
        files = [log.file(FILE + f"{tank},{day},ann,n,,,,\n", f"{tank}{day}.csv") for day in days]
        words = [sys.executable, "-c", ADD, str(log.folder), *map(str, files)]
        running.append(subprocess.Popen(words))
    assert [p.wait(timeout=60) for p in running] == [0, 0]
    book = log.read()
    assert len(book.checkins) == 21
    assert all(c.read == c.used for c in book.rows)


# The final row is composed first, and read as the log will.


def test_a_blank_look_leaves_the_look_that_is_there(make: Make) -> None:
    log = make(checkins=CHECKINS.replace("careful", "torch"))
    assert log.add(FILE + "Reef,2026-03-01,ann,n,,,,\n", conflict="replace").replaced == 1
    (found,) = log.read().checkins
    assert (found.look, found.signs) == ("torch", {"diatoms": False})
    # The other way round, a stated look replaces a blank one.
    added = log.add("tank,date,look\nReef,2026-03-01,glance\n", conflict="replace")
    assert added.replaced == 1
    assert log.read().checkins[0].look == "glance"


KITS = "keeper,analyte,method,unit\nbob,nitrate,photometer,"


def test_a_blank_observer_reads_with_the_kit_of_the_row_that_it_replaces(make: Make) -> None:
    log = make(
        kits=KITS + "mg/L N\nann,nitrate,strip,mg/L NO3\n",
        checkins="tank,date,observer,nitrate\nReef,2026-03-01,bob,1\n",
    )
    text = "tank,date,nitrate\nReef,2026-03-01,2\n"
    assert log.add(text, conflict="replace").replaced == 1
    (found,) = log.read().checkins
    assert (found.observer, found.readings["nitrate"].unit) == ("bob", "mg/L N")
    assert log.add(text).already == 1


@pytest.mark.parametrize(
    ("there", "text", "reading"),
    [
        ("diatoms\nReef,2026-03-01,bob,y", "tank,date,nitrate\nReef,2026-03-01,2\n", "2"),
        # The name of the other observer would lose the reading already there.
        ("nitrate\nReef,2026-03-01,,5", "tank,date,observer\nReef,2026-03-01,bob\n", "5"),
    ],
)
def test_a_reading_that_the_final_rows_kit_cannot_give_is_refused(
    make: Make, there: str, text: str, reading: str
) -> None:
    log = make(kits=KITS + "furlongs\n", checkins=f"tank,date,observer,{there}\n")
    (line,) = log.refused(text, conflict="replace")
    assert line.startswith(f"in.csv, line 2, column nitrate: '{reading}' was read with a kit whose")
    assert "mend that row first" in line
    # As a separate row it stands for itself.
    assert log.add(text, conflict="beside").checkins == 1


@pytest.mark.parametrize("length", [79, 80])
def test_names_that_begin_like_a_formula_are_written_so_that_nothing_runs(
    make: Make, length: int
) -> None:
    name = "=" + "x" * (length - 1)
    log = make(tanks="tank,started\n=cmd|x,2026-01-01\n", checkins="tank,date,observer,note\n")
    text = f"tank,date,observer,note\n=cmd|x,2026-03-08,{name},=1+1\n"
    assert log.add(text).checkins == 1
    assert log.text("checkins").splitlines()[1] == f"'=cmd|x,2026-03-08,'{name},'=1+1"
    (found,) = log.read().checkins
    assert (found.tank, found.observer, found.note) == ("=cmd|x", name, "=1+1")
    assert log.add(text).already == 1
    (line,) = log.refused(f"tank,date,observer\n=cmd|x,2026-03-09,={name}x\n")
    assert line.startswith("in.csv, line 2, column observer")
    assert "is longer than 80 characters" in line


def test_a_tank_in_other_case_is_added_under_its_own_name(make: Make) -> None:
    log = make()
    added = log.add(FILE + "REEF,2026-03-08,ANN,y,,,,\n")
    assert log.text("checkins").endswith("Reef,2026-03-08,ann,,y,,\n")
    places = [remark.split(":")[0] for remark in added.remarks]
    assert places == ["in.csv, line 2, column tank", "in.csv, line 2, column observer"]
    (line,) = log.refused(FILE + "R\u0435ef,2026-03-09,,y,,,,\n")
    assert "U+0435 where 'Reef' in tanks.csv has 'e'" in line


def test_a_row_from_before_a_restart_is_not_passed_over(make: Make) -> None:
    log = make(tanks="tank,started,restarted\nReef,2026-01-01,2026-03-05\n")
    (line,) = log.refused("tank,date,diatoms\nReef,2026-03-04,y\n")
    assert line.startswith("in.csv, line 2, column date: lies before the tank was restarted")
