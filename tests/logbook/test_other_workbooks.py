"""Workbooks of other programs (``.ods``, ``.xls``) are read within bounds, or refused."""

from __future__ import annotations

import io
import shutil
import zipfile
from pathlib import Path

import pytest
from fuzz.account import Case
from fuzz.run import examine
from logbook.read_logs import TODAY, Read, errors, fates

from maturity_model.logbook import LogbookError, read_logbook, xls

WORKBOOKS = Path(__file__).parent / "workbooks"


@pytest.mark.parametrize("name", ["log.ods", "log.xls"])
def test_workbooks_of_other_programs(tmp_path: Path, name: str) -> None:
    # Both were saved by LibreOffice 7.4 from one workbook.
    shutil.copy(WORKBOOKS / name, tmp_path / "My log.dat")
    shutil.copy(WORKBOOKS / name, tmp_path / name)
    book = read_logbook(tmp_path, today=TODAY)
    assert [(c.line, c.date.isoformat(), c.note) for c in book.checkins] == [
        (3, "2026-02-01", "two  spaces"),
        (5, "2026-02-08", ""),
        (6, "2026-02-15", "7"),
    ]
    assert [c.signs["diatoms"] for c in book.checkins] == [True, False, True]
    assert {k: r.best for c in book.checkins for k, r in c.readings.items()} == {"nitrate": 10}
    sheet, cell = errors(book)
    assert (sheet.file, sheet.scope) == (f"{name}!event", "file")
    assert (cell.line, cell.column, cell.value) == (5, "nitrate", "#DIV/0!")
    assert fates(book) == {
        "My log.dat": "set aside",
        name: "used",
        f"{name}!tanks": "used",
        f"{name}!checkins": "used",
        f"{name}!event": "refused",
    }


def zipped(content: str | bytes, name: str = "content.xml") -> bytes:
    """A spreadsheet of OpenDocument with this text for its content."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "mimetype", "application/vnd.oasis.opendocument.spreadsheet", zipfile.ZIP_STORED
        )
        archive.writestr(name, content)
    return out.getvalue()


def ods(title: str, header: tuple[str, ...] = (), rows: str = "") -> bytes:
    """A workbook of one sheet."""
    namespaces = " ".join(f'xmlns:{n}="urn:{n}"' for n in ("table", "office", "text"))
    cells = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{c}</text:p></table:table-cell>'
        for c in header
    )
    return zipped(
        f'<office:body {namespaces}><table:table table:name="{title}"><table:table-row>{cells}'
        f"</table:table-row>{rows}</table:table></office:body>"
    )


def test_a_workbook_named_like_a_table_without_its_sheet(read: Read, tmp_path: Path) -> None:
    (tmp_path / "events.ods").write_bytes(ods("Sheet1"))
    (tmp_path / "dosing.ods").write_bytes(ods("Sheet1"))
    book = read()
    assert fates(book)["events.ods"] == "refused"
    assert fates(book)["dosing.ods"] == "set aside"
    assert "call its sheet events" in next(p for p in errors(book) if "ods" in p.file).mend


TAIL = (
    '<table:table-row table:number-rows-repeated="1048570">'
    '<table:table-cell table:number-columns-repeated="16384"/></table:table-row>'
)
WIDE = (
    '<table:table-row table:number-rows-repeated="{rows}"><table:table-cell '
    'table:number-columns-repeated="{columns}" office:value-type="float" office:value="1"/>'
    "</table:table-row>"
)


def test_blank_cells_to_the_end_of_a_sheet_cost_nothing(tmp_path: Path) -> None:
    (tmp_path / "tanks.ods").write_bytes(ods("tanks", ("tank", "started"), TAIL))
    assert [r.read for r in read_logbook(tmp_path, today=TODAY).rows] == [0]


@pytest.mark.parametrize(
    "rows",
    [
        TAIL + WIDE.format(rows=1, columns=16000) * 700,
        WIDE.format(rows=10**12, columns=1),
        WIDE.format(rows=1, columns=10**12),
    ],
)
def test_repeated_cells_are_bounded(tmp_path: Path, rows: str) -> None:
    (tmp_path / "tanks.ods").write_bytes(ods("tanks", ("tank", "started"), rows))
    with pytest.raises(LogbookError, match="more than 10,000,000 cells"):
        read_logbook(tmp_path, today=TODAY)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (zipped("", "other.xml"), r"content\.xml"),
        (zipped("<"), "encrypted"),
        (zipped("<!DOCTYPE x [<!ENTITY a 'b'>]><x>&a;</x>"), "entities"),
    ],
)
def test_an_ods_that_cannot_be_parsed(tmp_path: Path, data: bytes, why: str) -> None:
    (tmp_path / "tanks.ods").write_bytes(data)
    with pytest.raises(LogbookError, match=why):
        read_logbook(tmp_path, today=TODAY)


@pytest.mark.parametrize("name", ["log.ods", "log.xls", "content.xml"])
def test_a_damaged_workbook_is_read_or_refused(tmp_path: Path, name: str) -> None:
    if inside := name == "content.xml":
        data = zipfile.ZipFile(WORKBOOKS / "log.ods").read(name)
    else:
        data = (WORKBOOKS / name).read_bytes()
    bad, step = (b"9", 29) if inside else (b"\xff\x00\xff", 97)
    path = tmp_path / ("log.ods" if inside else name)
    for at in range(0, len(data), step):
        damaged = data[:at] + bad + data[at + len(bad) :]
        path.write_bytes(zipped(damaged) if inside else damaged)
        assert examine(Case(path))[1] == []


def test_a_large_xls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(WORKBOOKS / "log.xls", tmp_path)
    monkeypatch.setattr(xls, "MAX_XLS", 100)
    with pytest.raises(LogbookError, match="larger than"):
        read_logbook(tmp_path, today=TODAY)
