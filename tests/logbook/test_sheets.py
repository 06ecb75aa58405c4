"""Workbooks: true row numbers, cell types, and bounds before opening."""

from __future__ import annotations

import datetime as dt
import io
import struct
import zipfile
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from logbook.read_logs import Read, errors, settled

from maturity_model.logbook import Logbook, LogbookError, read_logbook, workbook_parts
from maturity_model.logbook.workbook_parts import NO_RESULT

TODAY = dt.date(2026, 12, 31)
HEAD = ["tank", "date", "diatoms", "hair_algae", "nitrate", "note"]
Sheets = dict[str, list[list[Any]]]
TANKS = [["tank", "started"], ["Reef", dt.date(2026, 1, 1)]]


def workbook(tables: Sheets) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False})
    day = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
    for title, rows in tables.items():
        sheet = book.add_worksheet(title)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if isinstance(cell, dt.date):
                    sheet.write_datetime(r, c, cell, day)
                elif isinstance(cell, tuple):
                    sheet.write_formula(r, c, cell[0], None, cell[1])
                elif cell is not None:
                    sheet.write(r, c, cell)
    book.close()
    return out.getvalue()


def changed(data: bytes, *changes: tuple[str, bytes, bytes]) -> bytes:
    """A workbook in which a text of a part (by the end of its name) is another one."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as new,
    ):
        for name in old.namelist():
            part = old.read(name)
            for of, text, other in changes:
                if name.endswith(of):
                    assert text in part
                    part = part.replace(text, other)
            new.writestr(name, part)
    return out.getvalue()


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def _read(tables: Sheets | None = None, data: bytes = b"", **csv: str) -> Logbook:
        for name, text in csv.items():
            (tmp_path / f"{name}.csv").write_text(text)
        (tmp_path / "log.xlsx").write_bytes(data or workbook(tables or {}))
        book = read_logbook(tmp_path, today=TODAY)
        for count in book.rows:
            assert count.read == count.used + count.refused
        return book

    return _read


def test_row_numbers_and_cell_types(read: Read) -> None:
    book = read(
        {
            "Tanks": TANKS,
            "checkins": [
                [],
                [],
                [None, *HEAD],
                [None, "Reef", dt.datetime(2026, 2, 1, 23, 59), True, 0, 12.5, 7],
                [],
                [None, "Reef", dt.date(2026, 2, 8), False, "Y", "<5", "x"],
                [None, "Reef", 46000, True],
                [None, "Reef", "2026-02-15", dt.date(2026, 2, 1), 2, 0.1 + 0.2],
                [None, "Reef", 20260222, ("=1/0", "#DIV/0!"), 1.0, ("=2*5", 10)],
            ],
        }
    )
    found = [(p.file, p.line, p.column, p.value, p.scope) for p in book.problems]
    name = "log.xlsx!checkins"
    assert (name, 7, "date", "46000", "row") in found
    assert (name, 8, "diatoms", "2026-02-01", "cell") in found
    assert (name, 8, "hair_algae", "2", "cell") in found
    assert (name, 9, "diatoms", "#DIV/0!", "cell") in found
    assert len(errors(book)) == 4
    first, second, third, fourth = book.checkins
    assert (first.line, first.date, first.note) == (4, dt.date(2026, 2, 1), "7")
    assert first.signs == {"diatoms": True, "hair_algae": False}
    assert first.readings["nitrate"].text == "12.5"
    assert second.signs == {"diatoms": False, "hair_algae": True}
    assert third.readings["nitrate"].text == "0.3"
    assert fourth.readings["nitrate"].text == "10"


def test_a_formula_without_a_stored_result_is_no_blank(read: Read) -> None:
    rows = [
        HEAD,
        ["Reef", dt.date(2026, 2, 1), ("=1=1", 1), "n", ("=2*6", 12)],
        ["Reef", ("=TODAY()", 46000), "y"],
        ["Reef", dt.date(2026, 2, 8), "y", "n", ("=2*5", 10)],
        ["Reef", dt.date(2026, 2, 9), "y", "n", ('=IF(1=1;"";1)', "")],
        [("=A5", "Reef"), None, None, None, None],
    ]
    # As other programs write a formula that was never worked out.
    changes = [
        (b"<f>1=1</f><v>1</v>", b"<f>1=1</f>"),
        (b"<f>2*6</f><v>12</v>", b"<f>2*6</f><v/>"),
        (b"<f>TODAY()</f><v>46000</v>", b"<f>TODAY()</f><v></v>"),
        (b"<f>A5</f><v>Reef</v>", b"<f>A5</f>"),
        (b'<c r="E5">', b'<c r="E5" t="str">'),  # a result that is an empty text
    ]
    data = workbook({"tanks": TANKS, "checkins": rows})
    book = read(data=changed(data, *(("sheet2.xml", *change) for change in changes)))
    found = [(p.line, p.column, p.value) for p in errors(book)]
    places = [(2, "diatoms"), (2, "nitrate"), (3, "date"), (6, "tank")]
    assert found == [(*place, NO_RESULT) for place in places]
    assert [c.line for c in book.checkins] == [2, 4, 5]
    # A formula that was worked out is a value, and one whose result is blank is blank.
    assert book.checkins[1].readings["nitrate"].text == "10"
    assert not book.checkins[2].readings


def test_openpyxl_writes_formulas_without_results(read: Read) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    out, book = io.BytesIO(), openpyxl.Workbook()
    book.active.title = "tanks"
    checkins = book.create_sheet("checkins")
    for row in TANKS:
        book.active.append(row)
    checkins.append(HEAD)
    checkins.append(["Reef", "2026-02-01", "y", "=1+1"])
    book.save(out)
    (problem,) = errors(read(data=out.getvalue()))
    assert (problem.line, problem.column, problem.value) == (2, "hair_algae", NO_RESULT)


def test_the_workbook_itself(tmp_path: Path) -> None:
    path = tmp_path / "Log.XLSX"
    path.write_bytes(workbook({"tanks": TANKS, "checkins": [HEAD]}))
    book = read_logbook(path, today=TODAY)
    assert list(book.tanks) == ["Reef"]
    assert book.rows[0].file == "Log.XLSX!tanks"


def test_sheet_and_csv_of_the_same_table(read: Read) -> None:
    book = read(
        {"tanks": TANKS, "checkins": [HEAD], "Summary": [["x"]]},
        tanks="tank,started\nLagoon,2026-01-01\n",
    )
    assert list(book.tanks) == ["Lagoon"]
    assert [(p.scope, p.file) for p in errors(book)] == [("logbook", "log.xlsx!tanks")]
    assert [p.file for p in settled(book)] == ["log.xlsx!Summary"]


def test_two_sheets_of_one_table(read: Read) -> None:
    book = read({"tanks": TANKS, "Tanks ": [["tank", "started"]], "checkins": [HEAD]})
    problem = next(p for p in book.problems if p.severity == "error")
    assert (problem.scope, problem.file) == ("logbook", "log.xlsx!Tanks ")
    assert list(book.tanks) == ["Reef"]


def test_own_signs_and_settings_from_sheets(read: Read) -> None:
    book = read(
        {
            "tanks": TANKS,
            "logbook": [["setting", "value"], ["decimal", "comma"]],
            "signs": [
                ["sign", "cycling", "bloom", "colonising", "mature"],
                ["feather_worms", 0.02, 0.1, "0,4", 0.6],
                ["Bad Name", 0.02, 0.1, 0.4, 0.6],
            ],
            "checkins": [
                ["tank", "date", "feather_worms", "salinity", "phosphate"],
                ["Reef", dt.date(2026, 2, 1), "y", 1.025, "0,25"],
            ],
        }
    )
    assert book.catalogue.signs["feather_worms"].detection[2].value == 0.4
    checkin = book.checkins[0]
    assert checkin.signs == {"feather_worms": True}
    # A number in a cell is a number, whatever the decimal mark of texts.
    assert checkin.readings["salinity"].unit == "sg 25/25"
    assert checkin.readings["phosphate"].best == 0.25
    assert [(p.file, p.line) for p in errors(book)] == [("log.xlsx!signs", 3)]


def test_several_workbooks(read: Read, tmp_path: Path) -> None:
    (tmp_path / "events.xlsx").write_bytes(
        workbook({"events": [["tank", "date", "event"], ["Reef", "2026-02-01", "crash"]]})
    )
    (tmp_path / "log 2025.xlsx").write_bytes(workbook({"tanks": [["tank", "started"]]}))
    (tmp_path / "broken.xlsx").write_bytes(b"")
    (tmp_path / "~$log.xlsx").write_bytes(b"")
    book = read({"tanks": TANKS})
    assert list(book.tanks) == ["Reef"]
    assert [e.kind for e in book.events] == ["crash"]
    fates = {e.name: e.fate for e in book.account.entries}
    assert fates["log 2025.xlsx!tanks"] == fates["broken.xlsx"] == "refused"
    assert fates["~$log.xlsx"] == "set aside"


GOOD = workbook({"tanks": TANKS, "checkins": [HEAD, ["Reef", dt.date(2026, 2, 1), "y"]]})
END = b"</sheetData>"


LONG_TEXTS = b"".join(
    b'<row r="%d">%s</row>' % (r, b'<c t="s"><v>2</v></c>' * 20) for r in range(3, 60)
)


@pytest.mark.parametrize(
    ("end", "why"),
    [
        (END + b" " * (20 << 20), "expands more than"),
        (b'<row r="1048576"><c r="XFD1048576"/></row>' + END, "reaches over"),
        (b"<row x='>' r = '9999999'><c\nx='>' r='XFD1' /></row>" + END, "reaches over"),
        (b'<row r="9"><c r="&#65;1"/></row>' + END, "cannot be understood"),
        (LONG_TEXTS + END, "repeats long texts"),
    ],
    ids=["spaces", "far cell", "quoted", "odd name", "long texts"],
)
def test_bombs_are_refused_before_opening(read: Read, end: bytes, why: str) -> None:
    changes = [("sheet2.xml", END, end)]
    if end.startswith(LONG_TEXTS):
        changes += [("sharedStrings.xml", b"<t>Reef</t>", b"<t>" + b"ab" * 1_000_000 + b"</t>")]
    with pytest.raises(LogbookError, match=why):
        read(data=changed(GOOD, *changes))


def test_expanded_size(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_parts, "MAX_EXPANDED", 1000)
    with pytest.raises(LogbookError, match="expands to more than"):
        read(data=GOOD)


def _declare(data: bytes, name: bytes, size: int) -> bytes:
    """Change the expanded size that the zip's directory declares for a part."""
    raw = bytearray(data)
    at = raw.find(b"PK\x01\x02")
    while raw[at + 46 : at + 46 + len(name)] != name:
        at = raw.index(b"PK\x01\x02", at + 4)
    raw[at + 24 : at + 28] = struct.pack("<I", size)
    return bytes(raw)


@pytest.mark.parametrize("size", [1, 10, 2**31])
def test_a_directory_that_lies(read: Read, size: int) -> None:
    with pytest.raises(LogbookError, match=r"not true|expands to more"):
        read(data=_declare(GOOD, b"xl/worksheets/sheet1.xml", size))


def test_a_large_declared_dimension_is_harmless(read: Read) -> None:
    small, large = b'<dimension ref="A1:B2"/>', b'<dimension ref="A1:XFD1048576"/>'
    assert len(read(data=changed(GOOD, ("sheet1.xml", small, large))).checkins) == 1


@pytest.mark.parametrize(
    "data",
    [b"x", b"PK\x03\x04", GOOD[:-30], GOOD[:500], b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 64,
     b"PK\x05\x06" + bytes(18)],
)  # fmt: skip
def test_what_is_no_workbook(read: Read, data: bytes) -> None:
    with pytest.raises(LogbookError) as caught:
        read(data=data)
    first = caught.value.problems[0]
    assert first.file == "log.xlsx"
    assert first.mend


def test_error_values_without_a_value_are_looked_for_once(read: Read) -> None:
    # Looking 10,000 bytes ahead for each of them would take minutes.
    cells = b'<c r="D9" t="e"></c>' * 200_000 + b'<c r="E9" t="e"><v>#REF!</v></c>'
    book = read(data=changed(GOOD, ("sheet2.xml", END, b'<row r="9">' + cells + b"</row>" + END)))
    assert [p.line for p in errors(book)] == [9]
