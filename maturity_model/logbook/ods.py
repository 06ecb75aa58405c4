"""Reading an ``.ods`` workbook.

Calamine reads these too, but leaves a blank where a formula failed, and writes out a cell that
is repeated a billion times. One pass over the XML avoids both. A formula without a value is
one whose result is blank.
"""

from __future__ import annotations

from typing import Any, NoReturn
from xml.parsers import expat

from maturity_model.logbook.files import MAX_CELL
from maturity_model.logbook.workbook_parts import (
    MAX_AREA,
    RefusedWorkbook,
    Sheets,
    Wanted,
    zip_parts,
)

_CELLS = ("table:table-cell", "table:covered-table-cell")
_NUMBERS = ("float", "percentage", "currency")


def read_ods(data: bytes, wanted: Wanted) -> Sheets:
    """Read the sheets that are wanted."""
    content = {name: part for name, part in zip_parts(data) if name == "content.xml"}
    if not content:
        raise RefusedWorkbook("is not a workbook (it has no content.xml)")
    reader = _Reader(wanted)
    parser = expat.ParserCreate()
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.characters
    parser.EntityDeclHandler = _no_entities
    try:
        parser.Parse(content["content.xml"], True)
    except (expat.ExpatError, ValueError, KeyError) as error:
        if isinstance(error, RefusedWorkbook):
            raise
        raise RefusedWorkbook("is not a workbook that can be read, or is encrypted") from None
    return reader.sheets


def _no_entities(*_: object) -> NoReturn:
    raise RefusedWorkbook("declares entities, which no spreadsheet does")


class _Reader:
    """Collects the rows of each sheet while the XML is parsed."""

    def __init__(self, wanted: Wanted):
        self.sheets: Sheets = []
        self._wanted = wanted
        self._left = MAX_AREA
        self._rows: list[list[Any]] | None = None
        self._row: list[Any] = []
        #: Blank rows and cells so far: they count only where something follows.
        self._blank_rows = self._blank_cells = 0
        self._row_repeats = 1
        self._cell: dict[str, str] = {}
        self._text: list[str] = []
        self._in_note = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Begin an element."""
        if name == "table:table":
            title = attributes["table:name"]
            self._rows = [] if self._wanted(title) else None
            self.sheets.append((title, self._rows))
            self._blank_rows = 0
        elif name == "table:table-row":
            self._row, self._blank_cells = [], 0
            self._row_repeats = int(attributes.get("table:number-rows-repeated", 1))
        elif name in _CELLS:
            self._cell, self._text = attributes, []
        elif name == "office:annotation":
            self._in_note = True
        elif name == "text:p" and self._text:
            self.characters("\n")
        elif name == "text:s":
            self.characters(" " * min(int(attributes.get("text:c", 1)), MAX_CELL))
        elif name in ("text:tab", "text:line-break"):
            self.characters(" ")

    def characters(self, text: str) -> None:
        """Add to the text of the cell, a note in its margin left out."""
        if not self._in_note:
            self._text.append(text)

    def end(self, name: str) -> None:
        """End an element."""
        if name == "office:annotation":
            self._in_note = False
        elif name in _CELLS and self._rows is not None:
            self._end_cell()
        elif name == "table:table-row" and self._rows is not None:
            self._end_row(self._rows)

    def _end_cell(self) -> None:
        value = self._value()
        repeats = int(self._cell.get("table:number-columns-repeated", 1))
        if value == "":
            self._blank_cells += repeats
            return
        self._spend(self._blank_cells + repeats)
        self._row += [""] * self._blank_cells + [value] * repeats
        self._blank_cells = 0

    def _end_row(self, rows: list[list[Any]]) -> None:
        if not self._row:
            self._blank_rows += self._row_repeats
            return
        self._spend(self._blank_rows + self._row_repeats * len(self._row))
        rows += [[] for _ in range(self._blank_rows)]
        rows += [self._row] * self._row_repeats
        self._blank_rows = 0

    def _spend(self, cells: int) -> None:
        self._left -= cells
        if self._left < 0:
            raise RefusedWorkbook(
                f"has sheets of more than {MAX_AREA:,} cells; a stray cell far outside the "
                "table does that"
            )

    def _value(self) -> Any:
        cell, kind, text = self._cell, self._cell.get("office:value-type"), "".join(self._text)
        if cell.get("calcext:value-type") == "error":
            return text or "#ERROR!"
        if kind in _NUMBERS:
            return float(cell["office:value"])
        if kind == "boolean":
            return cell["office:boolean-value"] == "true"
        if kind in ("date", "time"):
            return cell[f"office:{kind}-value"]
        return cell.get("office:string-value", text)
