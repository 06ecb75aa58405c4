"""Broken logbooks: a clear message or a right result, and each row used or reported."""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from command_logs import python, write_log
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz.account import Case, account, csv_rows
from fuzz.book_kinds import KINDS
from fuzz.csv_kinds import write
from fuzz.run import CATALOGUE, TODAY, examine, run_one
from maturity_model.cli import main
from maturity_model.logbook import Logbook, files, read_logbook

TANKS = "tank,started\nreef,2026-01-01\n"


def looks(first: int, end: int) -> str:
    """Check-ins on 28 days of each of some months."""
    days = [f"2026-0{month}-{day:02}" for month in range(first, end) for day in range(1, 29)]
    return "tank,date,diatoms\n" + "".join(f"reef,{day},y\n" for day in days)


@pytest.mark.parametrize("kind", range(len(KINDS)), ids=list(KINDS))
def test_each_kind_of_broken_logbook(kind: int, tmp_path: Path) -> None:
    for number in range(kind, 12 * len(KINDS), len(KINDS)):
        name, outcome, _, complaints = run_one(number, 7, tmp_path, weekly=False)
        assert complaints == [], f"{name}, number {number}: {outcome}"


@pytest.mark.parametrize("kind", ["scripts", "cells", "sheets"])
def test_the_weekly_report_stays_in_its_folder(kind: str, tmp_path: Path) -> None:
    number = list(KINDS).index(kind)
    _, _, code, complaints = run_one(number, 7, tmp_path, weekly=True)
    assert (code in (0, 3), complaints) == (True, [])


@pytest.mark.slow
def test_a_thousand_broken_logbooks(tmp_path: Path) -> None:
    bad = {}
    for number in range(1_000):
        name, _, _, complaints = run_one(number, 11, tmp_path, weekly=number % 40 == 0)
        if complaints:
            bad[number, name] = complaints
    assert bad == {}


CELL = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), max_size=12
) | st.sampled_from(
    ["reef", "2026-02-01", "y", "n", "", "water_change", "20", '"', "a\nb", "<0.25"]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=120)
@given(
    table=st.sampled_from(["checkins", "events", "kits", "signs", "logbook", "tanks"]),
    header=st.lists(
        st.sampled_from(["tank", "date", "started", "event", "amount", "diatoms", "nitrate", "note",
                         "keeper", "analyte", "unit", "setting", "value", "sign"]) | CELL,
        min_size=1, max_size=7,
    ),
    rows=st.lists(st.lists(CELL, max_size=8), max_size=8),
    quoted=st.booleans(),
)  # fmt: skip
def test_any_table_is_accounted_for(
    table: str, header: list[str], rows: list[list[str]], quoted: bool, tmp_path: Path
) -> None:
    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"' if quoted else text

    text = "\n".join(",".join(map(cell, row)) for row in [header, *rows])
    for old in tmp_path.iterdir():
        old.unlink()
    case = Case(tmp_path)
    for name, content in {"tanks": TANKS, "checkins": "tank,date\n", table: text}.items():
        write(case, f"{name}.csv", content)
    outcome, complaints = examine(case)
    assert complaints == [], outcome


def test_the_count_notices_what_is_lost_or_made_up(tmp_path: Path) -> None:
    text = "tank,date,diatoms\nreef,2026-02-01,y\nreef,2026-02-30,n\nreef,2026-02-03,maybe\n"
    write_log(tmp_path, TANKS, text)
    book = read_logbook(tmp_path, CATALOGUE, today=TODAY)

    def found(checkins: str, book: Logbook) -> str:
        tables = {"tanks.csv": TANKS.encode(), "checkins.csv": checkins.encode()}
        return "; ".join(account(Case(tmp_path, csv=tables), book))

    assert found(text, book) == ""
    assert "neither used nor reported" in found(text + "reef,2026-02-09,y\n", book)
    assert "hold no row" in found(text.rsplit("\n", 2)[0], book)
    assert "diatoms" in found(text.replace("02-01,y", "02-01,"), book)
    assert "neither used nor reported" in found(text, replace(book, problems=()))
    assert "used twice" in found(text, replace(book, checkins=book.checkins * 2))
    assert "2 rows count as used" in found(text, replace(book, checkins=book.checkins[:1]))


def test_records_are_cut_by_the_standard() -> None:
    # RFC 4180, section 2: quoted line breaks, separators and doubled quotation marks.
    text = '"a","b\r\nb","c""c"\r\n\r\nd, "e,e",f\rx"y,"z" z\n"open'
    rows = csv_rows(text, ",")
    assert [(r.first, r.last, r.cells) for r in rows] == [
        (1, 2, ["a", "b\r\nb", 'c"c']),
        (4, 4, ["d", "e,e", "f"]),
        (5, 5, None),
        (6, 6, None),
    ]


def test_a_file_that_changes_while_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "tank,date\nreef,2026-02-01\n"
    path = write_log(tmp_path, TANKS, text) / "checkins.csv"
    asked = iter(range(100))
    changes = 1

    def fstat(handle: int) -> os.stat_result:
        # Another program saves the file between two looks at it.
        if next(asked) < 2 * changes:
            with path.open("a") as other:
                other.write("reef,2026-02-0")
        return stat(handle)

    stat = os.fstat
    monkeypatch.setattr(files.os, "fstat", fstat)
    data = files.read_whole(path)
    assert isinstance(data, bytes)
    assert data.startswith(text.encode())
    changes = 100
    book = read_logbook(tmp_path, CATALOGUE, today=TODAY)
    assert book.checkins == ()
    assert [p.what for p in book.problems if p.file == "checkins.csv"] == [
        "was changed while it was read"
    ]


#: Reads a log, then prints its check-ins, problems and the most memory held, in MB.
READ = """
import sys, datetime as dt
from pathlib import Path
from maturity_model.logbook import read_logbook
book = read_logbook(sys.argv[1], today=dt.date(2026, 7, 1))
# ru_maxrss would count what the parent held when it forked.
lines = Path("/proc/self/status").read_text().splitlines()
peak = next(int(x.split()[1]) for x in lines if x.startswith("VmHWM")) / 1024
print(len(book.checkins), len(book.problems), round(peak))
"""


@pytest.mark.slow
@pytest.mark.parametrize("piece", [b"x", b",", b"\n", b'"'])
# One file beyond the limit, one as large as may be read at all.
@pytest.mark.parametrize("size", [100 * 2**20, files.MAX_BYTES - len(TANKS)])
def test_a_line_of_a_hundred_megabytes(piece: bytes, size: int, tmp_path: Path) -> None:
    write_log(tmp_path, TANKS)
    with (tmp_path / "checkins.csv").open("wb") as handle:
        handle.write(b"tank,date\nreef,2026-02-01\n")
        for _ in range(size // 2**20 - 1):
            handle.write(piece * 2**20)
    made = python("-c", READ, tmp_path)
    assert made.returncode == 0, made.stderr
    checkins, problems, peak = map(int, made.stdout.split())
    assert peak < 500, f"{peak} MB"
    assert problems >= 1 or piece == b"\n"
    # So many commas in one line are refused before the line is cut.
    assert checkins == (size < files.MAX_BYTES and piece != b",")


@contextmanager
def no_privileges() -> Iterator[None]:
    """For root, whom no permission stops: be nobody for a while."""
    if root := os.getuid() == 0:
        os.setegid(65534)
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
            os.setegid(0)


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no such users there")
def test_a_folder_without_permission(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = "tank,date\nreef,2026-02-01\n"
    log, good = write_log(tmp_path / "log", TANKS, text), write_log(tmp_path / "good", TANKS, text)
    (log / "checkins.csv").chmod(0)
    locked = tmp_path / "locked"
    locked.mkdir(mode=0)
    for top in (tmp_path, *list(tmp_path.parents)[:3]):
        if top.stat().st_uid == os.getuid() and top != Path("/"):
            top.chmod(top.stat().st_mode | 0o055)
    out, file = str(tmp_path / "out"), str(good / "checkins.csv")
    # The interpreter's own files may be closed to the other user: everything is loaded before.
    main(["weekly", str(good), "--out", str(tmp_path / "out0")])
    main(["add", file, str(good)])
    with no_privileges():
        assert main(["weekly", str(log), "--out", out]) in (2, 3)
        assert main(["weekly", str(locked), "--out", out]) == 3
        assert main(["weekly", str(locked / "log"), "--out", out]) == 3
        assert main(["add", file, str(locked)]) in (2, 3)
    locked.chmod(0o700)
    assert "Permission denied" in capsys.readouterr().err


#: Runs a command that can write no file of more than 1,000 bytes.
FULL = """
import resource, sys
from maturity_model.cli import main
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="no such limit there")
@pytest.mark.parametrize("command", ["weekly log --out out --brief", "add new.csv log"])
def test_a_disk_that_is_full(command: str, tmp_path: Path) -> None:
    log = write_log(tmp_path / "log", TANKS, looks(2, 6))
    (tmp_path / "new.csv").write_text("tank,date,diatoms\nreef,2026-06-01,y\n")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "index.html").write_text("old")
    before = {p: p.read_bytes() for p in log.iterdir()}
    words = [str(tmp_path / w) if (tmp_path / w).exists() else w for w in command.split()]
    made = python("-c", FULL, *words)
    assert made.returncode == 2, made.stderr
    assert "cannot write to" in made.stderr
    assert "Traceback" not in made.stderr
    assert (tmp_path / "out" / "index.html").read_text() == "old"
    assert not list(tmp_path.rglob("*.part"))
    assert {p: p.read_bytes() for p in log.iterdir() if p in before} == before
