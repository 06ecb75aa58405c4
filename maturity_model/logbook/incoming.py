"""Reading a check-in file: rows of check-ins and of events in one table.

A check-in file has the columns of ``checkins.csv`` and, for events, ``event`` and ``amount``
of ``events.csv``. A row with an ``event`` is an event and holds ``tank, date, event, amount,
note`` alone; every other row is a check-in. It is checked exactly as a logbook is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from maturity_model.logbook.checkins import CHECKIN_COLUMNS, read_checkins
from maturity_model.logbook.columns import Table
from maturity_model.logbook.events import EVENT_COLUMNS, read_events
from maturity_model.logbook.files import BadRow, RawTable, normal, read_csv
from maturity_model.logbook.kit_table import Kits
from maturity_model.logbook.problems import Collector, Fault
from maturity_model.logbook.rows import Context
from maturity_model.logbook.types import CheckIn, Event, Problem


class Row(NamedTuple):
    """One row of a check-in file, and the text of its cells, by column, for the logbook."""

    entry: CheckIn | Event
    cells: dict[str, str]


@dataclass(frozen=True)
class Incoming:
    """A check-in file, read.

    ``repeats`` counts rows that repeat another of the file cell for cell. With an error in
    ``problems``, nothing of the file is to be used.
    """

    rows: tuple[Row, ...]
    repeats: int
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """Problems that forbid using the file."""
        return tuple(dict.fromkeys(p for p in self.problems if p.severity == "error"))


def read_incoming(file: str, data: bytes, book: Context, kits: Kits) -> Incoming:
    """Read a check-in file with what its logbook was read with: tanks, signs, decimal mark."""
    problems = Collector()
    context = book.reporting_to(problems)
    catalogue = book.catalogue
    known = frozenset((*CHECKIN_COLUMNS, *EVENT_COLUMNS, *catalogue.signs, *catalogue.analytes))
    raw = read_csv("checkins", file, data, known, problems)
    if raw is None:
        return Incoming((), 0, problems.all())
    places: dict[str, int] = {}
    for index, text in enumerate(raw.header):
        places.setdefault(normal(text), index)
    looks, events, repeats = _part(raw, places, problems)
    table = _table(raw, looks, known, ("tank", "date"), problems)
    entries: list[CheckIn | Event] = list(read_checkins(context, table, kits))
    if events:
        table = _table(raw, events, known, ("tank", "date", "event"), problems)
        entries += read_events(context, table)
    if not table.missing and not looks and not events:
        mend = "write one row for each check-in"
        problems.file(file, "holds no row", mend, line=raw.header_line)
    cells = {line: row for line, row in (*looks, *events) if not isinstance(row, BadRow)}
    columns = {name: place for name, place in places.items() if name in known}
    rows = [Row(x, _cells(x, cells[x.line], columns)) for x in entries]
    rows.sort(key=lambda row: row.entry.line)
    if not any(p.severity == "error" for p in problems.all()):
        for line in sorted(cells.keys() - {row.entry.line for row in rows}):
            what = "lies before the tank was restarted, and the log would set it aside"
            fault = Fault(what, "correct the date, or remove the row")
            problems.row(file, line, "date", "", fault)
    return Incoming(tuple(rows), repeats, problems.all())


_Rows = list[tuple[int, list[Any] | BadRow]]


def _table(
    raw: RawTable,
    rows: _Rows,
    known: frozenset[str],
    required: tuple[str, ...],
    problems: Collector,
) -> Table:
    return Table(raw._replace(rows=iter(rows)), known, required, problems)


def _part(
    raw: RawTable, places: Mapping[str, int], problems: Collector
) -> tuple[_Rows, _Rows, int]:
    """Separate check-ins from events, and drop rows that repeat an earlier one cell for cell."""
    looks: _Rows = []
    events: _Rows = []
    seen: set[tuple[str, ...]] = set()
    repeats = 0

    def cell(row: list[Any], column: str) -> str:
        at = places.get(column, len(row))
        return row[at].strip() if at < len(row) else ""

    for line, row in raw.rows:
        if isinstance(row, BadRow):
            looks.append((line, row))
            continue
        key = tuple(c.strip() for c in row)
        if not any(key):
            continue
        if key in seen:
            repeats += 1
            continue
        seen.add(key)
        if cell(row, "event"):
            events.append((line, row))
            stray = next((c for c in places if c and c not in EVENT_COLUMNS and cell(row, c)), None)
            if stray is not None:
                mend = "write the event and the check-in in two rows"
                fault = Fault("stands in the row of an event", mend)
                problems.row(raw.file, line, stray, cell(row, stray), fault)
        else:
            looks.append((line, row))
    return looks, events, repeats


def _cells(entry: CheckIn | Event, row: list[Any], columns: Mapping[str, int]) -> dict[str, str]:
    out = {c: row[i].strip() for c, i in columns.items() if i < len(row) and row[i].strip()}
    # Names and the date as the logbook writes them.
    if isinstance(entry, CheckIn) and entry.observer:
        out["observer"] = entry.observer
    return out | {"tank": entry.tank, "date": entry.date.isoformat()}
