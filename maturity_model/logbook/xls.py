"""Reading an ``.xls`` workbook of the years before 2007.

By xlrd: it keeps the cells that the file holds, where calamine first allocates the rectangle
around them, so that two stray cells would fill the memory.
"""

from __future__ import annotations

import io
from typing import Any

from maturity_model.logbook.problems import shown
from maturity_model.logbook.workbook_parts import RefusedWorkbook, Sheets, Wanted

#: Nothing in these files is packed: a cell takes at least six bytes.
MAX_XLS = 16 * 2**20


def read_xls(data: bytes, wanted: Wanted) -> Sheets:
    """Read the sheets that are wanted."""
    try:
        import xlrd
    except ImportError:
        raise RefusedWorkbook("needs the package xlrd to be read") from None
    if len(data) > MAX_XLS:
        raise RefusedWorkbook(f"is larger than {MAX_XLS >> 20} MB")
    try:
        with xlrd.open_workbook(
            file_contents=data, logfile=io.StringIO(), on_demand=True, ragged_rows=True
        ) as book:
            return [(t, _rows(book, t) if wanted(t) else None) for t in book.sheet_names()]
    except Exception as error:  # A damaged file raises whatever it happens to meet.
        raise RefusedWorkbook(f"is not a workbook that can be read ({shown(str(error))})") from None


def _rows(book: Any, title: str) -> list[list[Any]]:
    sheet = book.sheet_by_name(title)
    return [[_value(book, cell) for cell in sheet.row(index)] for index in range(sheet.nrows)]


def _value(book: Any, cell: Any) -> Any:
    from xlrd import biffh, xldate

    if cell.ctype == biffh.XL_CELL_ERROR:
        return biffh.error_text_from_code.get(cell.value, "#ERROR!")
    if cell.ctype == biffh.XL_CELL_BOOLEAN:
        return bool(cell.value)
    if cell.ctype == biffh.XL_CELL_DATE:
        try:
            return xldate.xldate_as_datetime(cell.value, book.datemode)
        except (ValueError, OverflowError):
            return cell.value
    return cell.value
