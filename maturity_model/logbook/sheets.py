"""Reading a workbook: its sheets that are tables of a logbook."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from maturity_model.logbook.entries import TABLES, nearly_a_table, table_by_header
from maturity_model.logbook.files import (
    MAX_ROWS,
    BadRow,
    RawTable,
    normal,
    raw_table,
    too_many_rows,
)
from maturity_model.logbook.folder import NOT_A_TABLE
from maturity_model.logbook.problems import Collector, shown
from maturity_model.logbook.types import OWN
from maturity_model.logbook.workbook_parts import RefusedWorkbook, Sheets

#: The sheet of the template that says how to fill it in.
LEGEND = "legend"


def read_sheets(file: str, data: bytes, problems: Collector) -> dict[str, RawTable]:
    """Read the sheets that are tables of a logbook, by table.

    Its first bytes decide the kind of the workbook, not its name. One that cannot be opened is
    a problem, and has no sheets.
    """
    mend = "save it again as .xlsx, or save each sheet as CSV"
    try:
        sheets = _open(data)
    except RefusedWorkbook as error:
        problems.file(file, str(error), mend)
        return {}
    tables: dict[str, RawTable] = {}
    for title, rows in sheets:
        name, where = normal(title), f"{file}!{shown(title)}"
        problems.found(where)
        if name not in TABLES:
            meant = nearly_a_table(title, is_sheet=True) or _table_in(rows)
            if name == LEGEND and meant is None:
                problems.set_aside(where, OWN)
            else:
                _other(where, meant, problems)
        elif rows is None:
            problems.second(where, name, "")
        elif isinstance(rows, str):
            problems.file(where, rows, mend)
        elif table := _table(name, where, rows, problems):
            tables[name] = table
    if not any(normal(title) in TABLES for title, _ in sheets):
        _no_table(file, problems)
    return tables


def _open(data: bytes) -> Sheets:
    read: set[str] = set()

    def wanted(title: str) -> bool:
        """Whether this is no second sheet of a table."""
        name = normal(title)
        wanted = name not in TABLES or name not in read
        read.add(name)
        return wanted

    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        from maturity_model.logbook.xls import read_xls as read_workbook
    elif b"mimetypeapplication/vnd.oasis.opendocument.spreadsheet" in data[:128]:
        from maturity_model.logbook.ods import read_ods as read_workbook
    else:
        from maturity_model.logbook.xlsx import read_xlsx as read_workbook
    return read_workbook(data, wanted)


def _table_in(rows: list[list[Any]] | str | None) -> str | None:
    """Return the table that a sheet is by its first row, whatever its name."""
    if rows is None or isinstance(rows, str):
        return None
    header = next((row for row in rows if any(c != "" for c in row)), [])
    return table_by_header([normal(str(c)) for c in header])


def _other(where: str, meant: str | None, problems: Collector) -> None:
    if meant:
        what = f"looks like the sheet {meant} under another name, and is not read"
        mend = f"call it {meant}, or move its rows into the sheet of that name and remove it"
        problems.file(where, what, mend)
    else:
        problems.set_aside(where, "is not part of a logbook")
        problems.settle_file(where, *NOT_A_TABLE)


def _no_table(file: str, problems: Collector) -> None:
    meant = nearly_a_table(file)
    if meant:
        what = f"looks like the table {meant}, but none of its sheets has that name"
        problems.file(file, what, f"call its sheet {meant}")
    else:
        problems.set_aside(file, "has no sheet that is part of a logbook")


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
