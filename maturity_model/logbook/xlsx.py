"""Reading an ``.xlsx`` or ``.xlsm`` workbook: bounds first, then the sheets."""

from __future__ import annotations

import io
import re
from html import unescape
from typing import Any

from maturity_model.logbook.files import MAX_COLUMNS, MAX_ROWS
from maturity_model.logbook.problems import shown
from maturity_model.logbook.workbook_parts import (
    MAX_AREA,
    NO_RESULT,
    RefusedWorkbook,
    Sheets,
    Wanted,
    zip_parts,
)

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
_MAX_ERRORS = 100_000
_SHEET = re.compile(r"<(?:[\w.-]+:)?sheet\s([^<>]{0,4000})>")
_RELATION = re.compile(r"<(?:[\w.-]+:)?Relationship\s([^<>]{0,4000})>")
_MAX_SMALL = 4 * 2**20
_ATTRIBUTE = re.compile(r"""([\w:.-]+)\s*=\s*(?:"([^"]*)"|'([^']*)')""")


def read_xlsx(data: bytes, wanted: Wanted) -> Sheets:
    """Read the sheets that are wanted."""
    try:
        from python_calamine import CalamineWorkbook
    except ImportError:
        raise RefusedWorkbook("needs the package python-calamine to be read") from None
    errors = _check(data)
    out: Sheets = []
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        for title in book.sheet_names:
            if not wanted(title):
                out.append((title, None))
                continue
            try:
                rows = book.get_sheet_by_name(title).to_python(skip_empty_area=False)
            except Exception as error:
                out.append((title, f"cannot be read ({shown(str(error))})"))
            else:
                _overlay(rows, errors.get(title, []))
                out.append((title, rows))
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # a panic of the Rust reader is no Exception
        raise RefusedWorkbook(f"is not a workbook that can be read ({shown(str(error))})") from None
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
    """Refuse a workbook that would fill the memory; find its error values, by sheet title.

    Each is a row and a column, counted from 0, and a text.
    """
    texts: list[int] = []
    sheets: dict[str, bytes] = {}
    small: dict[str, str] = {}
    longest = cells = 0
    for name, part in zip_parts(data):
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
                raise RefusedWorkbook("names far too many sheets")
            small[name] = part.decode("utf-8", "replace")
    if "xl/workbook.xml" not in small:
        raise RefusedWorkbook("is not an .xlsx workbook")
    if longest * cells > _MAX_TEXT and _shown_text(data, texts) > _MAX_TEXT:
        raise RefusedWorkbook("repeats long texts too often")
    if not sheets:
        return {}
    return {
        title: _error_cells(sheets[part])
        for title, part in _sheet_parts(small).items()
        if part in sheets
    }


def _area(part: bytes, left: int) -> int:
    """Cells of the rectangle that a sheet spans, before anything allocates it."""
    names = _REFERENCE.findall(part)
    letters, digits = set(), set()
    for name in set(names):
        match = _CELL_NAME.fullmatch(name)
        if not match:
            raise RefusedWorkbook("names a cell in a way that cannot be understood")
        letters.add(match[1])
        digits.add(match[2])
    # A cell or row without a name follows the one before it.
    unnamed = len(_TAG.findall(part)) - len(names)
    rows = max(map(int, digits), default=0) + unnamed
    columns = max(map(_column, letters), default=0) + unnamed
    if rows * columns > left:
        raise RefusedWorkbook(
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
    for _, part in zip_parts(data):
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
            raise RefusedWorkbook("holds too many error values, or formulas without a result")

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
