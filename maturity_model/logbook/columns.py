"""From raw rows to cells by column name, with every row and column accounted for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any

from maturity_model.logbook.files import MAX_CELL, BadRow, RawTable, normal
from maturity_model.logbook.problems import Collector, Fault, shown
from maturity_model.logbook.types import RowCount


def cell_text(cell: Any, comma: bool) -> str:
    """Return a sheet's cell as text, a number with the logbook's decimal mark."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, int):
        return str(cell)
    if isinstance(cell, float):
        # A stored 0.30000000000000004 was typed as 0.3.
        text = str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else f"{cell:.12g}"
        return text.replace(".", ",") if comma else text
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    return str(cell)


#: A file with more problems than this is read no further.
MAX_PROBLEMS = 20_000


class Table:
    """A table whose columns are known; iterating gives its rows that can be used.

    Each row is ``(line, cells)`` with stripped text in ``cells``; ``columns`` holds
    the place of each column. Whoever iterates calls :meth:`used` for each row used;
    the rest of the rows count as refused.

    Parameters
    ----------
    raw : RawTable
    known : iterable of str
        Columns that the table may have.
    required : tuple of str
    problems : Collector
    comma : bool
        Whether numbers of a sheet are shown with a decimal comma.
    """

    def __init__(
        self,
        raw: RawTable,
        known: Iterable[str],
        required: tuple[str, ...],
        problems: Collector,
        *,
        comma: bool = False,
    ):
        self.name, self.file, self.problems = raw.name, raw.file, problems
        self._raw, self._comma = raw, comma
        problems.begin(raw.file)
        self._read = self._used = 0
        self.header = [cell_text(c, False).strip() for c in raw.header]
        self._nameless: set[int] = set()
        own = "; a sign of your own needs a line in signs.csv"
        self._hint = own if raw.name == "checkins" else ""
        self.columns = self._resolve(frozenset(known))
        self.missing = tuple(c for c in required if c not in self.columns)
        for column in self.missing:
            problems.add(
                "error", "file", self.file, raw.header_line, None, "",
                f"has no column {column}, so none of its rows is used",
                f"add the column {column}",
            )  # fmt: skip

    def _resolve(self, known: frozenset[str]) -> dict[str, int]:
        columns: dict[str, int] = {}
        for index, text in enumerate(self.header):
            name = normal(text)
            if not name:
                self._nameless.add(index)
            elif name not in known:
                self._column(
                    index,
                    "is not a column that is known, and is not used",
                    "correct the name, or remove the column" + self._hint,
                )
            elif name in columns:
                self._column(index, "stands in the header twice; only the first is used",
                             "keep one of the two")  # fmt: skip
            else:
                columns[name] = index
        return columns

    def _column(self, index: int, what: str, mend: str) -> None:
        name = shown(self.header[index]) or f"number {index + 1}"
        line = self._raw.header_line
        self.problems.add("error", "column", self.file, line, name, "", what, mend)

    def used(self) -> None:
        """Count the present row as used."""
        self._used += 1

    def count(self) -> RowCount:
        """Return how many rows were read, used and refused so far."""
        return RowCount(self.file, self._read, self._used, self._read - self._used)

    def places(self, *names: str) -> tuple[int, ...]:
        """Return each column's place; -1, where a row always has a blank, for a missing one."""
        return tuple(self.columns.get(n, -1) for n in names)

    def __iter__(self) -> Iterator[tuple[int, list[str]]]:
        width = len(self.header)
        needed = max(self.columns.values(), default=-1) + 1
        sheet = "!" in self.file  # no CSV file that is read has one in its name
        for line, raw in self._raw.rows:
            if self.problems.count(self.file) >= MAX_PROBLEMS:
                self.problems.add(
                    "error", "file", self.file, line, None, "",
                    f"is the place where {MAX_PROBLEMS:,} problems were reached; "
                    "nothing from here on is read",
                    "mend what is listed, then read again",
                )  # fmt: skip
                return
            if isinstance(raw, BadRow):
                if not raw.last:
                    self._read += 1
                    self.problems.row(self.file, line, None, raw.value, raw.fault)
                else:
                    self.problems.add("error", "file", self.file, line, None, raw.value, *raw.fault)
                continue
            if sheet:
                raw = [cell_text(c, self._comma) for c in raw]
            cells = [c.strip() for c in raw]
            if not any(cells):
                continue
            self._read += 1
            if self.missing:
                continue
            if len(cells) > width:
                if any(cells[width:]):
                    self._too_many(line, cells)
                    continue
                del cells[width:]
            if self._nameless:
                self._report_nameless(cells)
            if len(cells) < needed:
                cells.extend([""] * (needed - len(cells)))
            cells.append("")  # stands for every column that is missing
            if sum(map(len, cells)) > MAX_CELL:
                self._long(line, cells)
            yield line, cells

    def _report_nameless(self, cells: list[str]) -> None:
        for index, cell in enumerate(cells):
            if cell and index in self._nameless:
                self._nameless.discard(index)
                self._column(index, "has no name, and is not used", "name it, or remove it")

    def _too_many(self, line: int, cells: list[str]) -> None:
        what = f"has {len(cells)} cells under {len(self.header)} column names"
        mend = "put a cell that holds the separator in quotation marks, or name the column"
        extra = next(c for c in cells[len(self.header) :] if c)
        self.problems.row(self.file, line, None, extra, Fault(what, mend))

    def _long(self, line: int, cells: list[str]) -> None:
        for name, index in self.columns.items():
            if len(cells[index]) > MAX_CELL:
                fault = Fault(f"is longer than {MAX_CELL:,} characters", "shorten it")
                self.problems.cell(self.file, line, name, cells[index], fault)
                cells[index] = ""
