"""Correcting one check-in or event of a logbook; the table as it was is kept."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from maturity_model.catalogue import Catalogue
from maturity_model.logbook.add import Difference, values_of
from maturity_model.logbook.edit import TABLES, EditError, LogEdit, TableEdit, editing
from maturity_model.logbook.files import normal
from maturity_model.logbook.problems import shown
from maturity_model.logbook.types import CheckIn, Event

#: Rows, days or names that a message lists.
_MAX_LISTED = 8


@dataclass(frozen=True, slots=True)
class Corrected:
    """What was corrected.

    Attributes
    ----------
    place : str
        File and line.
    changes : tuple of Difference
        Cells as they were and as they are, as text; empty where the row said so already.
    backups : tuple of str
        The table as it was, relative to the logbook; empty where nothing changed.
    """

    place: str
    changes: tuple[Difference, ...]
    backups: tuple[str, ...]


def correct_entry(
    logbook: str | os.PathLike[str],
    cells: Mapping[str, str],
    *,
    tank: str = "",
    date: dt.date | None = None,
    event: str = "",
    row: tuple[str, int] | None = None,
    remove: bool = False,
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> Corrected:
    """Change cells of one row, or remove the row.

    Parameters
    ----------
    logbook : str or path
        A folder of CSV files.
    cells : mapping of str to str
        New text by column; blank text blanks the cell.
    tank : str
    date : date, optional
    event : str
        Kind of the event; blank for a check-in.
    row : (str, int), optional
        Table (``checkins`` or ``events``) and line, in place of tank, date and event; also
        for a row that cannot be used as it is.
    remove : bool
        Remove the row instead.
    catalogue : Catalogue, optional
    today : date, optional

    Returns
    -------
    Corrected

    Raises
    ------
    EditError
        When no row is meant, or more than one, or the row could then not be used.
    LockedError, OSError
        As for :func:`maturity_model.logbook.add.add_file`.
    """
    name = row[0] if row else "events" if event else "checkins"
    if name not in TABLES:
        raise EditError(f"{shown(name)!r} is no table with entries; name checkins or events")
    new = {normal(column): text.strip() for column, text in cells.items()}
    with editing(logbook, catalogue, today) as edit:
        table = edit.open(name, new)
        line = row[1] if row else _find(edit, name, tank, date, normal(event)).line
        place = f"{table.file}, line {line}"
        if not table.text.has_row(line):
            raise EditError(f"{place}: holds no entry; look up its line in the file")
        changes: tuple[Difference, ...] = ()
        if remove:
            table.text.remove(line)
        else:
            entry = next((x for x in edit.entries[name] if x.line == line), None)
            changes = _replace(table, line, entry, new)
        return Corrected(place, changes, edit.write())


def _replace(
    table: TableEdit, line: int, entry: CheckIn | Event | None, new: Mapping[str, str]
) -> tuple[Difference, ...]:
    """Put cells into a row that can then be used; return what changed."""
    cells = table.text.cells(line)
    needed = {*new, *(values_of(entry) if entry else ())}
    final = table.compose(cells, new)
    made = table.read_row(final, needed, table.file, line)
    as_written = {"tank": made.tank, "date": made.date.isoformat()}
    final = table.compose(final, {c: as_written.get(c, text) for c, text in new.items()})
    places = table.text.places
    changes = tuple(
        Difference(column, cells[places[column]], final[places[column]])
        for column in new
        if cells[places[column]] != final[places[column]]
    )
    if changes:
        table.text.replace(line, final)
    return changes


def _find(
    edit: LogEdit, table: str, tank: str, date: dt.date | None, event: str
) -> CheckIn | Event:
    """Return the one entry that is meant."""
    tanks = edit.book.tanks
    name = tank if tank in tanks else edit.reader.context.tank_names.same(tank)
    if name not in tanks or date is None:
        raise EditError(f"{shown(tank)!r} is no tank of this logbook; it has {_few(tanks)}")
    rows = [x for x in edit.entries[table] if x.tank == name]
    if event:
        rows = [x for x in rows if isinstance(x, Event) and x.kind == event]
    found = [x for x in rows if x.date == date]
    if len(found) == 1:
        return found[0]
    file, what = edit.tables[table].file, f"{shown(event) or 'check-in'} of {shown(name)!r}"
    if found:
        mend = f"name one by --row: {_few(f'{file}:{x.line}' for x in found)}"
        raise EditError(f"{file}: has {len(found)} rows for {what} on {date}; {mend}")
    days = sorted({x.date for x in rows}, key=lambda day: abs(day - date))
    mend = f"the nearest are of {_few(map(str, days))}" if days else "it has none on any day"
    raise EditError(f"{file}: has no {what} on {date}; {mend}")


def _few(names: Iterable[str]) -> str:
    texts = [shown(name) for name in names]
    return ", ".join(texts[:_MAX_LISTED]) + (", ..." if len(texts) > _MAX_LISTED else "")
