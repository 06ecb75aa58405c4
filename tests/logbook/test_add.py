"""Adding a check-in file: all or nothing, twice is once, the log's own text stays."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from logbook.adding import CHECKINS, EVENTS, FILE, TODAY, Make, refused, tables

from maturity_model.logbook import edit, read_logbook
from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import MAX_BACKUPS, EditError
from maturity_model.logbook.entries import LOCK
from maturity_model.whole_files import LockedError, locked


def test_rows_are_appended_and_read_back(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    path = file(FILE + "Reef,2026-03-08,ann,n,<0.25,,,\nNook,2026-03-08,,,,water_change,15,half\n")
    added = add_file(path, folder, today=TODAY)
    assert (added.checkins, added.events, added.already, added.replaced) == (1, 1, 0, 0)
    assert (folder / "checkins.csv").read_text() == CHECKINS + "Reef,2026-03-08,ann,,n,<0.25,\n"
    assert (folder / "events.csv").read_text() == EVENTS + "Nook,2026-03-08,water_change,15,half\n"
    book = read_logbook(folder, today=TODAY)
    assert book.checkins[-1].signs == {"diatoms": False}
    assert book.checkins[-1].readings["ammonia"].text == "<0.25"
    assert [(e.tank, e.amount, e.note) for e in book.events][-1] == ("Nook", 15.0, "half")
    kept = {(folder / b).read_text() for b in added.backups}
    assert kept == {CHECKINS, EVENTS}


def test_adding_twice_changes_nothing(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    path = file(FILE + "Reef,2026-03-08,ann,n,<0.25,,,=1+1\nNook,2026-03-08,,,,overfeeding,,\n")
    add_file(path, folder, today=TODAY)
    once = tables(folder)
    backups = sorted((folder / "backup").iterdir())
    for conflict in ("refuse", "replace", "beside"):
        again = add_file(path, folder, today=TODAY, conflict=conflict)
        assert (again.checkins, again.events, again.replaced, again.already) == (0, 0, 0, 2)
    assert tables(folder) == once
    assert sorted((folder / "backup").iterdir()) == backups
    # A note that a spreadsheet would run is text.
    assert ",'=1+1\n" in (folder / "checkins.csv").read_text()


def test_a_row_said_in_other_words_is_there_already(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    path = file("Tank,Date,Observer,Diatoms,Ammonia\nReef,1 March 2026,ann,Yes,0.250\n")
    assert add_file(path, folder, today=TODAY).already == 1
    assert (folder / "checkins.csv").read_text() == CHECKINS


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
def test_a_row_that_says_otherwise_is_told(
    make: Make, file: Callable[..., Path], row: str, odds: str
) -> None:
    folder = make()
    good = "Nook,2026-03-09,ann,y,,,,\n"
    (line,) = refused(file(FILE + good + row + "\n"), folder)
    assert line.startswith(f"in.csv, line 3, column {odds} in ")
    assert ".csv, line 2, for 'Reef' on 2026-03-0" in line
    assert "--replace" in line
    assert ", line 2," in line
    # Beside: both rows stand.
    added = add_file(file(FILE + row + "\n"), folder, today=TODAY, conflict="beside")
    assert added.checkins + added.events == 1
    after = read_logbook(folder, today=TODAY)
    used = {r.file: r.used for r in after.rows}
    assert used["checkins.csv"] + used["events.csv"] == 3


def test_another_observer_is_a_second_look(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    added = add_file(file(FILE + "Reef,2026-03-01,bob,n,0.5,,,\n"), folder, today=TODAY)
    assert added.checkins == 1


def test_replacing_keeps_the_other_cells(make: Make, file: Callable[..., Path]) -> None:
    head = "tank;date;observer;mood;diatoms;hair algae;note\r\n"
    tail = "Nook;2026-03-01;ann;;y;;\r\n"
    row = '"Reef"; 2026-03-01;ann;"gl;ad";y;n;"a\r\nb"\r\n'
    mine = head + row + tail
    folder = make(checkins=mine)
    path = file(FILE + "Reef,2026-03-01,ann,n,,,,\n")
    assert add_file(path, folder, today=TODAY, conflict="replace").replaced == 1
    made = 'Reef;2026-03-01;ann;"gl;ad";n;n;"a\r\nb"\r\n'
    assert (folder / "checkins.csv").read_bytes().decode() == head + made + tail
    again = add_file(path, folder, today=TODAY)
    assert (again.already, again.replaced) == (1, 0)


def test_replacing_asks_where_it_is_not_clear(make: Make, file: Callable[..., Path]) -> None:
    twice = CHECKINS + "Reef,2026-03-01,ann,careful,y,0.5,\n"
    (line,) = refused(
        file(FILE + "Reef,2026-03-01,ann,n,,,,\n"), make(checkins=twice), conflict="replace"
    )
    assert "more than one row" in line
    both = FILE + "Nook,2026-03-05,ann,n,,,,\nNook,2026-03-05,ann,y,,,,\n"
    for conflict in ("refuse", "replace"):
        (line,) = refused(file(both), make(), conflict=conflict)
        assert line.startswith("in.csv, line 3")


@pytest.mark.parametrize("mark", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_the_logs_own_text_stays(
    make: Make, file: Callable[..., Path], mark: str, end: str, last: bool
) -> None:
    lines = [
        '"tank"\tdate\tmood\tnote\tHair Algae', 'Reef\t2026-03-01\t"a ""b"""\t  spaced\t y', "",
        "Reef\t2026-03-02\tü", "\t\t\t\t", "Reef\t2026-03-03\t\t=1+1\tmaybe",
    ]  # fmt: skip
    text = end.join(lines) + (end if last else "")
    data = text.encode(mark)
    folder = make(checkins=data)
    path = file("tank,date,hair_algae,copepods,note\nReef,2026-03-09,n,y,a\tb\n")
    added = add_file(path, folder, today=TODAY)
    assert added.columns == ("copepods",)
    want = end.join([lines[0] + "\tcopepods", *lines[1:]]) + end
    want += 'Reef\t2026-03-09\t\t"a\tb"\tn\ty' + end
    assert (folder / "checkins.csv").read_bytes() == want.encode(mark)
    found = read_logbook(folder, today=TODAY).checkins
    assert found[-1].signs == {"hair_algae": False, "copepods": True}
    assert [c.signs for c in found[:-1]] == [{"hair_algae": True}, {}, {}]


def test_a_new_column_claims_no_stray_cell(make: Make, file: Callable[..., Path]) -> None:
    folder = make(checkins="tank,date,diatoms\nReef,2026-03-01,y,y\nReef,2026-03-02,n\n")
    (line,) = refused(file("tank,date,copepods\nReef,2026-03-09,n\n"), folder)
    assert "line 2" in line
    # Without a new column nothing is in the way.
    assert (
        add_file(file("tank,date,diatoms\nReef,2026-03-09,n\n"), folder, today=TODAY).checkins == 1
    )


def test_nothing_goes_behind_an_open_quotation_mark(make: Make, file: Callable[..., Path]) -> None:
    folder = make(checkins='tank,date,note\nReef,2026-03-01,"never closed\n')
    (line,) = refused(file("tank,date,diatoms\nReef,2026-03-09,n\n"), folder)
    assert "never closed" in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FILE + "Rif,2026-03-08,,y,,,,\n", ("in.csv, line 2, column tank: 'Rif' is not in",)),
        ("tank,date,dinos\nReef,2026-03-08,y\n", ("in.csv, line 1, column dinos: is not",)),
        (FILE + "Reef,2026-03-08,,maybe,,,,\n", ("in.csv, line 2, column diatoms: 'maybe'",)),
        (FILE + "Reef,2027-03-08,,y,,,,\n", ("in.csv, line 2, column date: '2027-03-08' lies af",)),
        (FILE + "Reef,2025-03-08,,y,,,,\n", ("in.csv, line 2, column date: '2025-03-08' lies be",)),
        (FILE + "Reef,2026-03-08,,,0.1.2,,,\n", ("in.csv, line 2, column ammonia: '0.1.2'",)),
        (FILE + "Reef,2026-03-08,,,,party,,\n", ("in.csv, line 2, column event: 'party'",)),
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
def test_what_cannot_be_used_is_told_and_nothing_added(
    make: Make, file: Callable[..., Path], text: str | bytes, said: tuple[str, ...]
) -> None:
    lines = refused(file(text), make())
    assert len(lines) == len(said)
    for line, start in zip(lines, said, strict=True):
        assert line.startswith(start)
        assert "; " in line  # how to mend it


def test_a_row_given_twice_in_the_file_counts_once(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    row = "Reef,2026-03-08,ann,n,,,,\n"
    added = add_file(file(FILE + row + row), folder, today=TODAY)
    assert (added.checkins, added.already) == (1, 1)


def test_tables_that_are_not_there_are_made(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    (folder / "checkins.csv").unlink()
    (folder / "events.csv").unlink()
    path = file(FILE + "Reef,2026-03-08,,,,crash,,\nReef,2026-03-08,ann,n,,,,x\n")
    added = add_file(path, folder, today=TODAY)
    assert added.backups == ()
    assert (folder / "events.csv").read_text() == "tank,date,event,amount\nReef,2026-03-08,crash,\n"
    assert (folder / "checkins.csv").read_text() == (
        "tank,date,observer,diatoms,note\nReef,2026-03-08,ann,n,x\n"
    )


def test_a_decimal_comma_is_the_logs_own(make: Make, file: Callable[..., Path]) -> None:
    folder = make(logbook="setting,value\ndecimal,comma\n")
    path = file(FILE + 'Reef,2026-03-08,ann,,"0,5",,,\n')
    add_file(path, folder, today=TODAY)
    assert read_logbook(folder, today=TODAY).checkins[-1].readings["ammonia"].best == 0.5
    assert (folder / "checkins.csv").read_text().endswith('Reef,2026-03-08,ann,,,"0,5",\n')


def test_a_workbook_is_refused_with_a_way_out(
    make: Make, file: Callable[..., Path], tmp_path: Path, need: Callable[[str], object]
) -> None:
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook.template import template_bytes

    need("xlsxwriter")
    rows = {"tanks": [{"tank": "Reef", "started": dt.date(2026, 1, 1)}]}
    data = template_bytes(load_catalogue(), rows)
    book = tmp_path / "log.xlsx"
    book.write_bytes(data)
    path = file(FILE + "Reef,2026-03-08,ann,n,,,,\n")
    with pytest.raises(EditError, match="save each of its sheets as a CSV file"):
        add_file(path, book, today=TODAY)
    folder = tmp_path / "sheets"
    folder.mkdir()
    (folder / "log.xlsx").write_bytes(data)
    with pytest.raises(EditError, match="stands in a workbook"):
        add_file(path, folder, today=TODAY)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="modes are POSIX")
def test_the_files_mode_and_place_stay(
    make: Make, file: Callable[..., Path], tmp_path: Path
) -> None:
    folder = make()
    real = tmp_path / "elsewhere.csv"
    (folder / "checkins.csv").rename(real)
    (folder / "checkins.csv").symlink_to(real)
    real.chmod(0o640)
    add_file(file(FILE + "Reef,2026-03-08,ann,n,,,,\n"), folder, today=TODAY)
    assert (folder / "checkins.csv").is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert real.read_text().count("\n") == 3


def test_backups_are_bounded(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    for day in range(1, MAX_BACKUPS + 4):
        path = file(FILE + f"Reef,2026-05-{day:02},ann,n,,,,\n")
        assert add_file(path, folder, today=TODAY).checkins == 1
    assert len(list((folder / "backup").iterdir())) == MAX_BACKUPS


def test_a_log_to_which_another_process_adds_stays_as_it_is(
    make: Make, file: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, path = make(), file(FILE + "Reef,2026-03-08,ann,n,,,,\n")
    monkeypatch.setattr(edit, "PATIENCE", 0.1)
    before = tables(folder)
    with locked(folder / LOCK, LockedError()), pytest.raises(LockedError, match="another program"):
        add_file(path, folder, today=TODAY)
    assert tables(folder) == before
    assert add_file(path, folder, today=TODAY).checkins == 1


ADD = """
import datetime as dt, sys
from maturity_model.logbook.add import add_file
for path in sys.argv[2:]:
    add_file(path, sys.argv[1], today=dt.date(2026, 12, 31))
"""


def start(folder: Path, *paths: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", ADD, str(folder), *map(str, paths)])


def test_two_at_once_lose_nothing(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    parts = [
        [
            file(FILE + f"{tank},2026-{m:02}-0{d},ann,n,,,,\n", f"{tank}{m}{d}.csv")
            for m in range(4, 9)
            for d in (1, 2)
        ]
        for tank in ("Reef", "Nook")
    ]
    running = [start(folder, *paths) for paths in parts]
    assert [p.wait(timeout=60) for p in running] == [0, 0]
    book = read_logbook(folder, today=TODAY)
    assert len(book.checkins) == 21
    assert all(c.read == c.used for c in book.rows)


def test_a_half_written_backup_of_a_killed_add_goes(make: Make, file: Callable[..., Path]) -> None:
    folder = make()
    backup = folder / "backup"
    backup.mkdir()
    (backup / ".checkins-2026-01-01-120000-0a1b2c3d.csv.123.part").write_text("tank,da")
    (backup / "mine.part").write_text("somebody's own")
    add_file(file(FILE + "Reef,2026-04-01,ann,n,,,,\n"), folder, today=TODAY)
    names = {p.name for p in backup.iterdir()}
    assert "mine.part" in names
    assert not any(name.startswith(".") for name in names)
