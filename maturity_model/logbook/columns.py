"""From raw rows to cells by column name, with every row and column accounted for."""

from __future__ import annotations

import copy
import datetime as dt
import re
from collections.abc import Callable, Iterable, Iterator
from difflib import get_close_matches
from typing import Any, TypeVar

from maturity_model.catalogue import Catalogue
from maturity_model.identity import Names, look_alike
from maturity_model.logbook.dates import parse_date
from maturity_model.logbook.entries import REQUIRED
from maturity_model.logbook.files import MAX_CELL, BadRow, RawTable, normal
from maturity_model.logbook.problems import Collector, Fault, shown
from maturity_model.logbook.types import RowCount, Tank

T = TypeVar("T")
#: A file with more problems than this is read no further.
MAX_PROBLEMS = 20_000
#: Columns in whose place another can be overlooked without harm.
_HARMLESS = frozenset(
    ("note", "keeper", "club", "observer", "consent", "judged_phase", "label", "volume_l",
     "rock", "sand_depth_mm")
)  # fmt: skip
#: How keepers also head readings and events.
_SYNONYMS = frozenset(
    "nh3 nh4 tan no2 no3 po4 kh dkh alk temp sg psu dead death deaths died loss losses "
    "incident incidents".split()
)


class RefusedRow(Exception):
    """Why a row cannot be used, and in which column; None is the whole row, shown by ``value``."""

    def __init__(self, column: str | None, fault: Fault, value: str = ""):
        super().__init__(column, fault, value)
        self.column, self.fault, self.value = column, fault, value


class SetAsideRow(Exception):
    """A row that is good but has no place in the log, by a rule that is reported."""


class Row:
    """A row of a table, which reports its faults; ``row[column]`` is blank for a missing column.

    ``tank`` is the tank that it is about, once that is known.
    """

    def __init__(self, table: Table, line: int, cells: list[str]):
        self.table, self.line, self.cells = table, line, cells
        self.tank: str | None = None

    def __getitem__(self, column: str) -> str:
        place = self.table.columns.get(column)
        return "" if place is None else self.cells[place]

    def date(self) -> dt.date | None:
        """Return the day that it is about, where that can be read."""
        date = parse_date(self["date"], self.table.context.date_order)
        return None if isinstance(date, Fault) else date.date

    def needed(self, column: str, value: T | Fault) -> T:
        """Return a value without which the row cannot be used; raise RefusedRow for a fault."""
        if isinstance(value, Fault):
            raise RefusedRow(column, value)
        return value

    def report(
        self, column: str, fault: Fault, *, value: str | None = None, withholds: bool = False
    ) -> None:
        """Report a cell that is not used."""
        value = self[column] if value is None else value
        self.table.problems.add(
            "error", "cell", self.table.file, self.line, column, value, fault,
            self.tank, self.date(), withholds,
        )  # fmt: skip

    def settle(self, column: str, how: str, mend: str) -> None:
        """Count one use of a rule; see :meth:`.Collector.settle`."""
        self.table.problems.settle(self.table.file, self.line, column, self[column], how, mend)


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


def _may_be_meant(name: str, known: frozenset[str], measured: frozenset[str]) -> bool:
    """Whether an unknown column may hold readings, signs, events, or what their rows need."""
    words = [w for w in re.split(r"[\W_]+", name) if w]
    names = (known | measured) - _HARMLESS
    return (
        not _SYNONYMS.isdisjoint(words)
        or not measured.isdisjoint(words)
        or any(m in name for m in measured if len(m) > 3)
        or any(get_close_matches(text, names, 1, 0.8) for text in (name, "".join(words)))
        or any(get_close_matches(word, measured, 1, 0.8) for word in words)
        or (not name.isascii() and any(look_alike(name, n) for n in names))
    )


class Context:
    """Shared by all tables of a logbook while they are read.

    ``refused`` holds the line of the unusable row of each refused tank. ``tank_names``,
    ``people`` and ``clubs`` hold names as they were first written, ``consent_refused`` the
    tank and keeper of each row of the tanks table that says no but cannot be used. With
    ``tanks_unknown`` no such table can be used, and any name is taken for a tank's.
    """

    def __init__(self, catalogue: Catalogue, problems: Collector, today: dt.date):
        self.catalogue, self.problems, self.today = catalogue, problems, today
        self.date_order: str | None = None
        self.decimal: str | None = None
        self.tanks: dict[str, Tank] = {}
        self.tanks_unknown = False
        self.asks_consent = False
        self.refused: dict[str, int] = {}
        self.tank_names, self.people, self.clubs = Names(), Names(), Names()
        self.consent_refused: list[tuple[str, str]] = []

    def reporting_to(self, problems: Collector) -> Context:
        """The same, to read further rows with problems of their own."""
        other = copy.copy(self)
        other.problems = problems
        return other

    def apart(self) -> Context:
        """A copy into which further rows are read without a trace in this one."""
        other = self.reporting_to(Collector())
        for name in ("tanks", "refused", "tank_names", "people", "clubs", "consent_refused"):
            setattr(other, name, copy.deepcopy(getattr(self, name)))
        return other


class Table:
    """A table whose columns are known; :meth:`read` gives its rows that can be used.

    ``columns`` holds the place of each column, ``missing`` those without which none of its rows
    is used.
    """

    def __init__(self, raw: RawTable, known: Iterable[str], context: Context):
        self.name, self.file, self.problems = raw.name, raw.file, context.problems
        self.context, self._raw = context, raw
        #: Whether numbers of a sheet are shown with a decimal comma.
        self._comma = context.decimal == "comma"
        self.problems.begin(raw.file, raw.name)
        self._read = self._used = self._set_aside = 0
        self.header = [cell_text(c, False).strip() for c in raw.header]
        self._nameless: set[int] = set()
        catalogue = context.catalogue
        measured = frozenset((*catalogue.analytes, *catalogue.signs, *catalogue.events))
        self.columns = self._resolve(frozenset(known), measured)
        self.missing = [c for c in REQUIRED[self.name] if c not in self.columns]
        for column in self.missing if self.columns else ():
            what = f"has no column {column}, so none of its rows is used"
            self.problems.file(self.file, what, f"add the column {column}", line=raw.header_line)

    def _resolve(self, known: frozenset[str], measured: frozenset[str]) -> dict[str, int]:
        hint = "; a sign of your own needs a line in signs.csv" if self.name == "checkins" else ""
        columns: dict[str, int] = {}
        if known.isdisjoint(map(normal, self.header)):
            # Most likely its first row.
            what = "has no line of column names, so none of its rows is used"
            mend = "the first line must hold the column names: " + ", ".join(REQUIRED[self.name])
            self.problems.file(self.file, what, mend, line=self._raw.header_line)
            return columns
        for index, text in enumerate(self.header):
            name = normal(text)
            if not name:
                self._nameless.add(index)
            elif name not in known:
                what = "is not a column that is known, and is not used"
                mend = "correct the name, or remove the column" + hint
                self._column(index, what, mend, _may_be_meant(name, known, measured))
            elif name in columns:
                what = "stands in the header twice; only the first is used"
                self._column(index, what, "keep one of the two", name not in _HARMLESS)
            else:
                columns[name] = index
        return columns

    def _column(self, index: int, what: str, mend: str, withholds: bool) -> None:
        name = shown(self.header[index]) or f"number {index + 1}"
        line, fault = self._raw.header_line, Fault(what, mend)
        self.problems.add("error", "column", self.file, line, name, "", fault, withholds=withholds)

    def read(self, understand: Callable[[Row], T]) -> list[T]:
        """Read all rows; every one is used, or refused and reported.

        ``understand`` takes a row to its meaning. It raises RefusedRow for one that cannot be
        used, SetAsideRow for one that is not wanted.
        """
        out = []
        for row in self._rows():
            try:
                out.append(understand(row))
            except RefusedRow as refused:
                column, fault = refused.column, refused.fault
                value = row[column] if column else refused.value
                # A date that is itself at fault is no date.
                date = None if column == "date" else row.date()
                self.problems.row(self.file, row.line, column, value, fault, row.tank, date)
            except SetAsideRow:
                self._set_aside += 1
            else:
                self._used += 1
        return out

    def count(self) -> RowCount:
        """Return how many rows were read, used, refused and set aside so far."""
        refused = self._read - self._used - self._set_aside
        return RowCount(self.file, self._read, self._used, refused, self._set_aside)

    def _rows(self) -> Iterator[Row]:
        width = len(self.header)
        least = max(self.columns.values(), default=-1) + 1
        sheet = "!" in self.file  # no CSV file that is read has one in its name
        for line, raw in self._raw.rows:
            if self.problems.count(self.file) >= MAX_PROBLEMS:
                what = f"is the place where {MAX_PROBLEMS:,} problems were reached; "
                what += "nothing from here on is read"
                self.problems.file(
                    self.file, what, "mend what is listed, then read again", line=line
                )
                return
            if isinstance(raw, BadRow):
                if raw.last:
                    self.problems.file(self.file, *raw.fault, line=line)
                else:
                    self._read += 1
                    self.problems.row(self.file, line, None, "", raw.fault)
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
            if len(cells) < least:
                cells.extend([""] * (least - len(cells)))
            row = Row(self, line, cells)
            if sum(map(len, cells)) > MAX_CELL:
                self._blank_long_cells(row)
            yield row

    def _report_nameless(self, cells: list[str]) -> None:
        for index, cell in enumerate(cells):
            if cell and index in self._nameless:
                self._nameless.discard(index)
                what = "has no name, and is not used"
                self._column(index, what, "name it, or remove it", withholds=True)

    def _too_many(self, line: int, cells: list[str]) -> None:
        what = f"has {len(cells)} cells under {len(self.header)} column names"
        mend = "put a cell that holds the separator in quotation marks, or name the column"
        extra = next(c for c in cells[len(self.header) :] if c)
        self.problems.row(self.file, line, None, extra, Fault(what, mend))

    def _blank_long_cells(self, row: Row) -> None:
        for name, index in self.columns.items():
            if len(row.cells[index]) > MAX_CELL:
                fault = Fault(f"is longer than {MAX_CELL:,} characters", "shorten it")
                row.report(name, fault)
                row.cells[index] = ""
