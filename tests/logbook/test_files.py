"""CSV files: true line numbers, encodings, separators, bounds."""

from __future__ import annotations

import codecs
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from logbook.read_logs import Read, errors, fates, only, settled

from maturity_model.logbook import LogbookError, Problem, files, read_logbook, tanks

HEAD = "tank,date,diatoms,note\n"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_are_true_after_a_quoted_newline(read: Read, end: str) -> None:
    lines = [
        "tank,date,diatoms,note", 'Reef,2026-02-01,y,"two', 'lines, and ""more"" of it"', "",
        "  , ,,", "Reef,2026-02-30,y,", 'Reef,2026-02-08,maybe,"a', "", 'b"', "Reef,2026-02-15,n,",
    ]  # fmt: skip
    book = read(checkins=end.join(lines))
    assert [(p.line, p.column, p.scope) for p in book.problems] == [
        (6, "date", "row"),
        (7, "diatoms", "cell"),
    ]
    assert [c.line for c in book.checkins] == [2, 7, 10]
    assert book.checkins[0].note == f'two{end}lines, and "more" of it'
    count = book.rows[-1]
    assert (count.file, count.read, count.used, count.refused) == ("checkins.csv", 4, 3, 1)


@pytest.mark.parametrize(
    "encode",
    [
        lambda t: t.encode("utf-8"),
        lambda t: codecs.BOM_UTF8 + t.encode("utf-8"),
        lambda t: t.encode("utf-16"),
        lambda t: codecs.BOM_UTF16_BE + t.encode("utf-16-be"),
    ],
)
def test_encodings(read: Read, encode: Callable[[str], bytes]) -> None:
    book = read(
        tanks=encode("tank,started\nRiff ä,2026-01-01\n"),
        checkins=encode(HEAD + "Riff ä,2026-02-01,y,schön 🐟\n"),
    )
    assert not book.problems
    assert book.checkins[0].note == "schön 🐟"


@pytest.mark.parametrize(
    ("data", "line", "cause"),
    [
        (
            b"tank,date,note\nReef,2026-02-01,\nReef,2026-02-02,sch\xf6n\n",
            3,
            "Windows-1252, as older spreadsheets save it, that byte is ö",
        ),
        (codecs.BOM_UTF8 + b"tank,date,note\nReef,2026-02-01,\xff\n", 2, "byte is ÿ"),
        ("tank,date\nReef,2026-02-01\n".encode("utf-16") + b"\x00", 3, "UTF-16"),
        (b"tank,date,note\nReef,2026-02-01,a\x00b\n", 2, "NUL"),
        ("tank,date\n".encode("utf-16-le"), 1, "NUL"),
    ],
)
def test_what_is_not_text_names_the_line(read: Read, data: bytes, line: int, cause: str) -> None:
    book = read(checkins=data)
    problem = only(errors(book))
    assert (problem.file, problem.line, problem.scope) == ("checkins.csv", line, "file")
    assert cause in problem.what
    assert "UTF-8" in problem.mend
    assert not book.checkins


@pytest.mark.parametrize(
    ("name", "first", "separator", "word"),
    [
        ("checkins.csv", "", ";", "semicolon"),
        ("checkins.csv", "", "\t", "tab"),
        ("checkins.csv", "sep=;\r\n", ";", "semicolon"),
        ("checkins.tsv", "", "\t", "tab"),
    ],
)
def test_other_separators_are_said(
    tmp_path: Path, name: str, first: str, separator: str, word: str
) -> None:
    text = 'tank,date,diatoms,note\nReef,2026-02-01,y,"a, b; c"\n'
    text = text.replace(",", separator).replace(f"a{separator} b", "a, b")
    (tmp_path / "tanks.csv").write_text("tank,started\nReef,2026-01-01\n")
    (tmp_path / name).write_text(first + text)
    book = read_logbook(tmp_path)
    assert word in only(settled(book)).what
    assert book.checkins[0].signs == {"diatoms": True}
    assert book.checkins[0].note == "a, b; c"


def test_headers_fold_case_and_spaces(read: Read) -> None:
    book = read(checkins=" Tank ,DATE,Hair Algae,sand-gas bubbles,pH\nReef,2026-02-01,y,n,8.2\n")
    assert book.checkins[0].signs == {"hair_algae": True, "sand_gas_bubbles": False}
    assert book.checkins[0].readings["ph"].best == 8.2


def test_columns_that_cannot_be_used_are_reported_once(read: Read) -> None:
    rows = "Reef,2026-02-01,y,n,low,,lost\nReef,2026-02-02,y,n,low,,lost\n"
    book = read(checkins="tank,date,diatoms,Diatoms,flow,,\n" + rows)
    found = [(p.scope, p.line, p.column) for p in book.problems]
    assert found == [("column", 1, "Diatoms"), ("column", 1, "flow"), ("column", 1, "number 7")]
    assert [c.signs for c in book.checkins] == [{"diatoms": True}] * 2


ROW = "Reef,2026-02-01,y,\n"


@pytest.mark.parametrize(
    ("text", "place", "value", "what", "used"),
    [
        ("", ("file", None, None), "", "empty", []),
        ("\n\n", ("file", None, None), "", "empty", []),
        ("\ufeff", ("file", None, None), "", "empty", []),
        (" , ,\n", ("file", None, None), "", "empty", []),
        (HEAD[:-1] + "," * 2001 + "\n" + ROW, ("file", 1, None), "", "columns", []),
        # Semicolons in a file of commas separate nothing.
        ("tank,date,a;b;c;d;e\nReef,2026-02-01,x\n", ("column", 1, "a;b;c;d;e"), "", "", [2]),
        (f"\n\n,,,\n{HEAD}{ROW}Reef,x,y,\n", ("row", 6, "date"), "x", "", [5]),
        (
            HEAD + "Reef,2026-02-01,y,a,b\nReef,2026-02-02,y,a,,\nReef,2026-02-03\n",
            ("row", 2, None), "b", "5 cells under 4", [3, 4],
        ),
        (
            HEAD + 'Reef,2026-02-01,y,"big" one\nReef,2026-02-02,y,5" deep\n',
            ("row", 2, None), "", "quotation", [3],
        ),
        (
            HEAD + ROW + 'Reef,2026-02-02,y,"open\nReef,2026-02-03,y,\n',
            ("row", 3, None), "", "never closed; lines 3 to 4", [2],
        ),
        (
            HEAD + ROW + 'Reef,2026-02-02,y,"' + "x" * 200_000 + '"\n' + ROW,
            ("file", 3, None), "", "nothing from here on", [2],
        ),
        (HEAD + ROW + "Reef" + "," * 1_100_000, ("file", 3, None), "", "cells in one line", []),
        (
            HEAD + ROW + f"Reef,2026-02-08,y,{'x' * 10_001}\n",
            ("cell", 3, "note"), "x" * 79, "longer", [2, 3],
        ),
        (HEAD + 'Reef,"2026\n\x1b[31m",y,\n', ("row", 2, "date"), "2026", "", []),
    ],
    ids=range(14),
)  # fmt: skip
def test_one_fault_is_one_line_and_costs_no_more_than_it_must(
    read: Read, text: str, place: tuple[str, int | None, str | None], value: str, what: str,
    used: list[int],
) -> None:  # fmt: skip
    book = read(checkins=text)
    problem = only(errors(book))
    assert (problem.scope, problem.line, problem.column) == place
    assert what in problem.what
    assert problem.value.startswith(value)
    assert problem.value.isprintable()
    assert len(problem.value) <= 80
    assert [c.line for c in book.checkins] == used
    assert fates(book)["checkins.csv"] == ("refused" if problem.scope == "file" else "used")


def test_bounds(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MAX_ROWS", 3)
    rows = "".join(f"Reef,2026-02-0{i},y,\n" for i in range(1, 6))
    book = read(checkins=HEAD + rows)
    assert len(book.checkins) == 3
    assert only(errors(book)).line == 5
    monkeypatch.setattr(files, "MAX_BYTES", 100)
    book = read(checkins=HEAD + "x" * 100)
    assert "larger than" in only(errors(book)).what


def test_the_same_table_twice(tmp_path: Path) -> None:
    for name in ("TANKS.csv", "tanks.csv"):
        (tmp_path / name).write_text("tank,started\nReef,2026-01-01\n")
    if len(list(tmp_path.iterdir())) < 2:
        # A file system that folds case cannot hold both.
        return
    (tmp_path / "CheckIns.csv").write_text("tank,date\nReef,2026-01-05\n")
    book = read_logbook(tmp_path)
    assert only(errors(book)).scope == "logbook"
    assert book.checkins[0].file == "CheckIns.csv"


def refused(path: Path) -> list[Problem]:
    with pytest.raises(LogbookError) as caught:
        read_logbook(path)
    return list(caught.value.problems)


def test_nothing_to_read(tmp_path: Path) -> None:
    for path in (tmp_path / "none", tmp_path, Path("a\0b")):
        assert refused(path)[-1].mend
    file = tmp_path / "tanks.csv"
    for content in (b"", b"name,started\n", b"\xff\xff"):
        file.write_bytes(content)
        # The cause comes first: that there is no table of tanks follows from it.
        assert refused(tmp_path)[0].file == "tanks.csv"
    assert "folder or a workbook" in str(only(refused(file)))


@pytest.mark.parametrize(("header", "missing"), [("tank", "started"), ("started", "tank")])
def test_one_line_for_a_column_that_the_tanks_lack(
    header: str, missing: str, tmp_path: Path
) -> None:
    (tmp_path / "tanks.csv").write_text(f"{header}\n2026-01-01\n")
    (tmp_path / "checkins.csv").write_text("tank,date,diatoms\nA,2026-01-02,y\n")
    assert str(only(refused(tmp_path))) == (
        f"tanks.csv, line 1: has no column {missing}, so none of its rows is used; "
        f"add the column {missing}"
    )


@pytest.mark.parametrize("tanks", ["tank\nA\n", "", None])
def test_without_usable_tanks_the_faults_of_the_other_tables_are_listed_too(
    tanks: str | None, tmp_path: Path
) -> None:
    files = {
        "kits.csv": "analyte,unit\nnitrate,furlongs\n",
        "checkins.csv": "tank,date,diatoms,flow\nA,2026-01-02,y,low\nA,03/04/2026,maybe,\n,,\n",
        "events.csv": "tank,date,event\nB,2026-01-02,party\nB,2026-01-02,crash\n",
    }
    for name, text in files.items() if tanks is None else [("tanks.csv", tanks), *files.items()]:
        (tmp_path / name).write_text(text)
    problems = refused(tmp_path)
    # No line says that the tanks are not in the tanks table.
    assert [(p.file, p.line, p.column) for p in problems if p.file in files] == [
        ("kits.csv", 2, "unit"), ("checkins.csv", 1, "flow"),
        ("checkins.csv", 3, "date"), ("events.csv", 2, "event"),
    ]  # fmt: skip
    assert len(problems) == 5 + (tanks == "")
    missing = "has no table of tanks; add a tanks.csv with the columns tank and started"
    assert tanks or any(missing in str(p) for p in problems)


def test_no_checkins(tmp_path: Path) -> None:
    (tmp_path / "tanks.csv").write_text("tank,started\nReef,2026-01-01\n")
    book = read_logbook(tmp_path)
    assert "no table of check-ins" in only(settled(book)).what
    assert list(book.tanks) == ["Reef"]


def test_a_table_without_a_line_of_column_names(read: Read) -> None:
    problem = only(errors(read(events="Reef,2026-05-28,crash,,heater\n")))
    assert (problem.scope, problem.line) == ("file", 1)
    assert problem.mend == "the first line must hold the column names: tank, date, event"


def test_the_hash_is_over_names_and_bytes(read: Read, tmp_path: Path) -> None:
    first = read().sha256
    assert len(first) == 64
    assert read().sha256 == first
    (tmp_path / "old.csv").write_text("not read")
    assert read().sha256 == first
    assert read(checkins="tank,date\n\n").sha256 != first
    assert read(kits="analyte\n").sha256 != first


@pytest.mark.parametrize(
    "make",
    [Path.mkdir, lambda path: path.symlink_to("nowhere"), os.mkfifo],
    ids=["folder", "link", "pipe"],
)
def test_what_is_no_file_is_not_passed_over(
    read: Read, tmp_path: Path, make: Callable[[Path], None]
) -> None:
    make(tmp_path / "events.csv")
    problem = only(errors(read()))
    assert (problem.file, problem.scope) == ("events.csv", "file")
    assert "is not a file" in problem.what


def test_tanks_are_counted(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "tank,started\n" + "".join(f"t{i},2026-01-01\n" for i in range(4))
    monkeypatch.setattr(tanks, "MAX_TANKS", 3)
    book = read(tanks=text)
    assert list(book.tanks) == ["t0", "t1", "t2"]
    assert book.refused_tanks == ("t3",)
    assert "beyond 3 tanks" in only(errors(book)).what
    # 52 weeks and a day each.
    monkeypatch.setattr(tanks, "MAX_TANK_WEEKS", 106)
    assert list(read(tanks=text).tanks) == ["t0", "t1"]
