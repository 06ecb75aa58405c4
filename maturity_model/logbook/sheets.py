"""Reading a workbook: bounds first, then the sheets."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from html import unescape
from typing import Any

from maturity_model.logbook.files import (
    MAX_COLUMNS,
    MAX_ROWS,
    NOT_A_TABLE,
    TABLES,
    BadRow,
    RawTable,
    normal,
    raw_table,
    too_many_rows,
)
from maturity_model.logbook.problems import Collector, shown

MAX_EXPANDED = 256 * 2**20
#: A part larger than this may not expand more than this many times.
_RATIO_FROM, _MAX_RATIO = 8 * 2**20, 200
_MAX_PARTS = 2_000
#: Cells of the rectangles from A1 to the last cell, all sheets together.
MAX_AREA = 10_000_000
#: Bytes of text that all cells together may show: one text may be used by many cells.
_MAX_TEXT = 512 * 2**20
_TAG = re.compile(rb"<(?:[\w.-]+:)?(?:c|row)\b")
#: The r attribute of a cell or row; no "<" can stand inside a tag.
_REFERENCE = re.compile(rb"""<(?:[\w.-]+:)?(?:c|row)\b[^<]*?\sr\s*=\s*["']([^"']*)["']""")
_CELL_NAME = re.compile(rb"\s*([A-Za-z]{0,3})([0-9]{1,7})\s*")
_TEXT_TAG = re.compile(rb"<(?:[\w.-]+:)?si\b")
_INDEX = re.compile(rb">\s*([0-9]{1,7})\s*<")
_ERROR_TAG = re.compile(rb"""<(?:[\w.-]+:)?c\b[^<]*?\st\s*=\s*["']e["'][^<]*""")
_NAME_IN_TAG = re.compile(rb"""\sr\s*=\s*["']([A-Z]{1,3})([0-9]{1,7})["']""")
#: The value of a cell, or the next cell: looking beyond that for each cell would take hours.
_VALUE = re.compile(rb"<(?:[\w.-]+:)?(?:v>([^<]{1,20})<|c\b)")
#: A formula whose result was not stored. An empty text (t="str") is a result.
_NO_RESULT = re.compile(
    rb"<(?:[\w.-]+:)?c\b([^<>]*)>\s*"
    rb"<(?:[\w.-]+:)?f\b(?:[^<>]*/>|[^<>]*>[^<]*</(?:[\w.-]+:)?f>)\s*"
    rb"(?:</(?:[\w.-]+:)?c>|(<(?:[\w.-]+:)?v\s*(?:/>|>\s*</)))"
)
_TEXT_RESULT = re.compile(rb"""\st\s*=\s*["']str["']""")
_FORMULA_TAG = re.compile(rb"<(?:[\w.-]+:)?f\b")
#: Text of such a cell in problems; no log could hold it as a value.
NO_RESULT = "formula without a stored result"
_MAX_ERRORS = 100_000
_SHEET = re.compile(r"<(?:[\w.-]+:)?sheet\s([^<>]{0,4000})>")
_RELATION = re.compile(r"<(?:[\w.-]+:)?Relationship\s([^<>]{0,4000})>")
_MAX_SMALL = 4 * 2**20
_ATTRIBUTE = re.compile(r"""([\w:.-]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")


class _RefusedError(ValueError):
    """A workbook is not opened; the message says why."""


def read_sheets(file: str, data: bytes, problems: Collector) -> dict[str, RawTable]:
    """Read the sheets that are tables of a logbook.

    Parameters
    ----------
    file : str
        Name of the workbook, as problems name it.
    data : bytes
    problems : Collector

    Returns
    -------
    dict of str to RawTable
        Empty, with a problem, where the workbook cannot be opened.
    """
    mend = "save it again as .xlsx, or save each sheet as CSV"
    try:
        errors = _check(data)
        sheets = _open(data)
    except _RefusedError as error:
        problems.file(file, str(error), mend)
        return {}
    tables: dict[str, RawTable] = {}
    for title, rows in sheets:
        name, where = normal(title), f"{file}!{shown(title)}"
        if name not in TABLES:
            problems.settle_file(where, *NOT_A_TABLE)
            continue
        if rows is None:
            problems.logbook(
                where, f"is a second {name} sheet and is not read", "keep one of the two"
            )
            continue
        if isinstance(rows, str):
            problems.file(where, rows, mend)
            continue
        _overlay(rows, errors.get(title, []))
        table = _table(name, where, rows, problems)
        if table is not None:
            tables[name] = table
    return tables


def _table(name: str, where: str, rows: list[list[Any]], problems: Collector) -> RawTable | None:
    header = next((i for i, row in enumerate(rows) if any(c != "" for c in row)), None)
    if header is None:
        problems.file(where, "is empty", "write the column names in its first row")
        return None
    below = _numbered(rows, header + 1)
    return raw_table(name, where, header + 1, rows[header], below, problems)


def _numbered(rows: list[list[Any]], start: int) -> Iterator[tuple[int, list[Any] | BadRow]]:
    for index in range(start, len(rows)):
        if index - start >= MAX_ROWS:
            yield index + 1, too_many_rows()
            return
        row = rows[index]
        # A stray cell far below makes a million blank rows; counting is quick.
        if row.count("") < len(row):
            yield index + 1, row


def _open(data: bytes) -> list[tuple[str, list[list[Any]] | str | None]]:
    """Read the first sheet of each table's name; others are named, with None."""
    try:
        from python_calamine import CalamineWorkbook
    except ImportError:
        raise _RefusedError("needs the package python-calamine to be read") from None
    out: list[tuple[str, list[list[Any]] | str | None]] = []
    read: set[str] = set()
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        for title in book.sheet_names:
            if normal(title) not in TABLES or normal(title) in read:
                out.append((title, None))
                continue
            read.add(normal(title))
            try:
                sheet = book.get_sheet_by_name(title)
                out.append((title, sheet.to_python(skip_empty_area=False)))
            except Exception as error:
                out.append((title, f"cannot be read ({shown(str(error))})"))
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # a panic of the Rust reader is no Exception
        raise _RefusedError(f"is not a workbook that can be read ({shown(str(error))})") from None
    return out


def _overlay(rows: list[list[Any]], errors: list[tuple[int, int, str]]) -> None:
    """Write #DIV/0!, and formulas without a result, where the reader leaves a blank."""
    for row, column, text in errors:
        if row >= MAX_ROWS or column >= MAX_COLUMNS:
            continue
        # The reader ends where the last value stands.
        rows += [[] for _ in range(len(rows), row + 1)]
        rows[row] += [""] * (column + 1 - len(rows[row]))
        if rows[row][column] == "":
            rows[row][column] = text


def _check(data: bytes) -> dict[str, list[tuple[int, int, str]]]:
    """Refuse a workbook that would fill the memory; find its error values.

    Returns
    -------
    dict of str to list of (row, column, text)
        By sheet title; row and column counted from 0.
    """
    texts: list[int] = []
    sheets: dict[str, bytes] = {}
    small: dict[str, str] = {}
    longest = cells = 0
    for name, part in _parts(data):
        if b"sheetData" in part:
            cells += _area(part, MAX_AREA - cells)
            if b'"e"' in part or b"'e'" in part or _FORMULA_TAG.search(part):
                sheets[name] = part
        starts = [m.start() for m in _TEXT_TAG.finditer(part)]
        if starts:
            lengths = [b - a for a, b in zip(starts, [*starts[1:], len(part)], strict=True)]
            texts += lengths
            longest = max(longest, *lengths)
        if name == "xl/workbook.xml" or name == "xl/_rels/workbook.xml.rels":
            if len(part) > _MAX_SMALL:
                raise _RefusedError("names far too many sheets")
            small[name] = part.decode("utf-8", "replace")
    if "xl/workbook.xml" not in small:
        raise _RefusedError("is not an .xlsx workbook")
    if longest * cells > _MAX_TEXT and _shown_text(data, texts) > _MAX_TEXT:
        raise _RefusedError("repeats long texts too often")
    if not sheets:
        return {}
    return {
        title: _error_cells(sheets[part])
        for title, part in _sheet_parts(small).items()
        if part in sheets
    }


def _parts(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Expand a zip part by part, never beyond the bounds."""
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, struct.error, NotImplementedError):
        raise _RefusedError("is not a workbook (not a zip archive)") from None
    if len(infos) > _MAX_PARTS or len({i.filename for i in infos}) < len(infos):
        raise _RefusedError("has too many parts, or one of them twice")
    too_large = f"expands to more than {MAX_EXPANDED >> 20} MB"
    if sum(i.file_size for i in infos) > MAX_EXPANDED:
        raise _RefusedError(too_large)
    left = MAX_EXPANDED
    for info in infos:
        if info.flag_bits & 1 or info.compress_type not in (0, 8):
            raise _RefusedError("is encrypted, or packed in an unusual way")
        # Sizes in the directory may be wrong, so the data itself is expanded, up to the bound.
        head = data[info.header_offset : info.header_offset + 30]
        if len(head) < 30 or head[:4] != b"PK\3\4":
            raise _RefusedError("is a damaged zip archive")
        start = info.header_offset + 30 + sum(struct.unpack("<HH", head[26:30]))
        packed = data[start : start + info.compress_size]
        if info.compress_type == 8:
            engine = zlib.decompressobj(-15)
            try:
                part = engine.decompress(packed, left + 1)
            except zlib.error:
                raise _RefusedError("is a damaged zip archive") from None
        else:
            part = packed
        left -= len(part)
        if left < 0:
            raise _RefusedError(too_large)
        if len(part) != info.file_size:
            raise _RefusedError("declares sizes in its zip archive that are not true")
        if len(part) > _RATIO_FROM and len(part) > _MAX_RATIO * len(packed):
            raise _RefusedError(f"holds a part that expands more than {_MAX_RATIO} times")
        yield info.filename.replace("\\", "/").lstrip("/"), part


def _area(part: bytes, left: int) -> int:
    """Cells of the rectangle that a sheet spans, before anything allocates it."""
    names = _REFERENCE.findall(part)
    letters, digits = set(), set()
    for name in set(names):
        match = _CELL_NAME.fullmatch(name)
        if not match:
            raise _RefusedError("names a cell in a way that cannot be understood")
        letters.add(match[1])
        digits.add(match[2])
    # A cell or row without a name follows the one before it.
    unnamed = len(_TAG.findall(part)) - len(names)
    rows = max(map(int, digits), default=0) + unnamed
    columns = max(map(_column, letters), default=0) + unnamed
    if rows * columns > left:
        raise _RefusedError(
            f"has a sheet that reaches over {rows:,} rows and {columns:,} columns; "
            "a stray cell far outside the table does that"
        )
    return rows * columns


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _shown_text(data: bytes, lengths: list[int]) -> int:
    """Bound the text that all cells together show."""
    total = 0
    for _, part in _parts(data):
        if b"sheetData" in part:
            for match in _INDEX.finditer(part):
                index = int(match[1])
                total += lengths[index] if index < len(lengths) else 0
    return total


def _error_cells(part: bytes) -> list[tuple[int, int, str]]:
    out: list[tuple[int, int, str]] = []

    def add(tag: bytes, text: str) -> None:
        name = _NAME_IN_TAG.search(tag)
        if name and int(name[2]) > 0:
            out.append((int(name[2]) - 1, _column(name[1]) - 1, text))
        if len(out) > _MAX_ERRORS:
            raise _RefusedError("holds too many error values, or formulas without a result")

    for tag in _ERROR_TAG.finditer(part):
        value = _VALUE.search(part, tag.end(), tag.end() + 10_000)
        if value and value[1]:
            add(tag[0], value[1].decode("ascii", "replace"))
    for cell in _NO_RESULT.finditer(part):
        if not (cell[2] and _TEXT_RESULT.search(cell[1])):
            add(cell[1], NO_RESULT)
    return out


def _sheet_parts(small: dict[str, str]) -> dict[str, str]:
    """Return the zip part of each sheet title."""
    targets = {}
    for match in _RELATION.finditer(small.get("xl/_rels/workbook.xml.rels", "")):
        relation = _attributes(match[1])
        target = relation.get("Target", "")
        targets[relation.get("Id", "")] = (
            target.lstrip("/") if target[:1] == "/" else "xl/" + target
        )
    out = {}
    for match in _SHEET.finditer(small["xl/workbook.xml"]):
        sheet = _attributes(match[1])
        key = next((v for k, v in sheet.items() if k.endswith(":id")), "")
        out[sheet.get("name", "")] = targets.get(key, "")
    return out


def _attributes(text: str) -> dict[str, str]:
    return {m[1]: unescape(m[2] or m[3] or "") for m in _ATTRIBUTE.finditer(text)}
