"""Reading a check-in file: rows of check-ins and of events in one table.

A check-in file has the columns of ``checkins.csv`` and, for events, ``event`` and ``amount``
of ``events.csv``. A row with an ``event`` is an event and holds ``tank, date, event, amount,
note`` alone; every other row is a check-in. It is checked exactly as a logbook is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from maturity_model.catalogue.load import CHECKIN_COLUMNS
from maturity_model.logbook.checkins import read_checkins
from maturity_model.logbook.columns import Context, Table
from maturity_model.logbook.events import EVENT_COLUMNS, read_events
from maturity_model.logbook.files import BadRow, RawTable, normal, read_csv
from maturity_model.logbook.kit_table import Kits
from maturity_model.logbook.problems import Collector, Fault
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


def read_incoming(
    file: str, data: bytes, book: Context, kits: Kits, *, may_be_empty: bool = False
) -> Incoming:
    """Read a check-in file with what its logbook was read with: tanks, signs, decimal mark.

    ``may_be_empty`` is for a table that comes with photos: it needs no row.
    """
    problems = Collector()
    context = book.reporting_to(problems)
    catalogue = book.catalogue
    known = frozenset((*CHECKIN_COLUMNS, *EVENT_COLUMNS, *catalogue.signs, *catalogue.analytes))
    raw = read_csv("checkins", file, data, known, problems)
    if raw is None:
        return Incoming((), 0, problems.all())
    parts = _Parts(raw, problems)

    looks = Table(raw._replace(rows=iter(parts.looks)), known, context)
    entries: list[CheckIn | Event] = list(read_checkins(looks, kits))
    if parts.events:
        events = raw._replace(name="events", rows=iter(parts.events))
        entries += read_events(Table(events, known, context))
    if not (may_be_empty or looks.missing or parts.looks or parts.events):
        mend = "write one row for each check-in"
        problems.file(file, "holds no row", mend, line=raw.header_line)
    if not any(p.severity == "error" for p in problems.all()):
        for line in sorted(parts.cells.keys() - {entry.line for entry in entries}):
            what = "lies before the tank was restarted, and the log would set it aside"
            fault = Fault(what, "correct the date, or remove the row")
            problems.row(file, line, "date", "", fault)
    rows = [Row(x, _as_read(x, parts.cells[x.line], known)) for x in entries]
    rows.sort(key=lambda row: row.entry.line)
    return Incoming(tuple(rows), parts.repeats, problems.all())


_Rows = list[tuple[int, list[Any] | BadRow]]


class _Parts:
    """The rows of a check-in file: check-ins and events apart, repeated rows left out.

    ``cells`` holds, by line, the text of those that are not blank, by column.
    """

    def __init__(self, raw: RawTable, problems: Collector):
        self.looks: _Rows = []
        self.events: _Rows = []
        self.cells: dict[int, dict[str, str]] = {}
        self.repeats = 0
        names = [normal(text) for text in raw.header]
        seen = set()
        for line, row in raw.rows:
            if isinstance(row, BadRow):
                self.looks.append((line, row))
                continue
            stripped = tuple(cell.strip() for cell in row)
            if not any(stripped):
                continue
            if stripped in seen:
                self.repeats += 1
                continue
            seen.add(stripped)
            # Of two columns of one name the first counts.
            pairs = reversed([*zip(names, stripped, strict=False)])
            cells = self.cells[line] = {name: cell for name, cell in pairs if cell}
            if "event" not in cells:
                self.looks.append((line, row))
                continue
            self.events.append((line, row))
            stray = next((c for c in names if c in cells and c not in EVENT_COLUMNS), None)
            if stray:
                mend = "write the event and the check-in in two rows"
                fault = Fault("stands in the row of an event", mend)
                problems.row(raw.file, line, stray, cells[stray], fault)


def _as_read(
    entry: CheckIn | Event, cells: Mapping[str, str], known: frozenset[str]
) -> dict[str, str]:
    """Return the cells for the logbook, with names and the date as it writes them."""
    out = {column: text for column, text in cells.items() if column in known}
    if isinstance(entry, CheckIn) and entry.observer:
        out["observer"] = entry.observer
    return out | {"tank": entry.tank, "date": entry.date.isoformat()}
