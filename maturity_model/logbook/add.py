"""Adding a check-in file to a logbook: all of it or nothing, and twice is the same as once."""

from __future__ import annotations

import datetime as dt
import os
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from maturity_model.catalogue import Catalogue
from maturity_model.logbook.edit import TABLES, EditError, LogEdit, editing
from maturity_model.logbook.files import read_whole
from maturity_model.logbook.incoming import Row, read_incoming
from maturity_model.logbook.photos import (
    Photo,
    PhotoError,
    conflicts,
    is_package,
    keep,
    unpack,
)
from maturity_model.logbook.plausible import USED
from maturity_model.logbook.problems import Fault, shown
from maturity_model.logbook.types import CheckIn, Event, Tank

#: How a row is treated that contradicts the logbook.
Conflict = Literal["refuse", "replace", "beside"]
#: Columns whose reading as something else than was written is remarked on.
_REMARKED = ("tank", "date", "observer")


@dataclass(frozen=True, slots=True)
class Added:
    """What adding a file did.

    Attributes
    ----------
    checkins, events, photos : int
        Rows added, and photos.
    replaced : int
    already : int
        Rows of which the logbook held every word.
    columns : tuple of str
        Columns that the logbook's check-ins had not had before.
    backups : tuple of str
        Copies of the tables as they were, relative to the logbook.
    remarks : tuple of str
        How dates in other forms were read, and the like.
    """

    checkins: int = 0
    events: int = 0
    photos: int = 0
    replaced: int = 0
    already: int = 0
    columns: tuple[str, ...] = ()
    backups: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def add_file(
    file: str | os.PathLike[str],
    logbook: str | os.PathLike[str],
    *,
    conflict: Conflict = "refuse",
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> Added:
    """Add a check-in file to a logbook.

    Parameters
    ----------
    file : str or path
        As the form writes it; see :mod:`maturity_model.logbook.incoming`.
    logbook : str or path
        A folder of CSV files.
    conflict : {'refuse', 'replace', 'beside'}
        What to do where the logbook has a check-in of the same tank, day and observer, or an
        event of the same tank, day and kind, with other values: refuse the whole file, put
        the new answers in its place (its other cells stay), or keep both.
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    today : date, optional
        Later dates are refused. Default: the day on this computer's clock.

    Returns
    -------
    Added

    Raises
    ------
    EditError
        When anything in the file cannot be used; the logbook is then as it was.
    LockedError
        When another process was changing it for half a minute.
    OSError
        If a file cannot be written. Each file is then the old or the new one, and adding
        the same file again finishes the work.
    """
    data, name = read_whole(Path(file)), shown(Path(file).name)
    if isinstance(data, Fault):
        raise EditError(f"{shown(str(file))}: {data.what}; {data.mend}")
    with editing(logbook, catalogue, today) as edit:
        tanks = edit.reader.context.tanks
        data, photos = _unpacked(name, data, tanks, edit.reader.context.today)
        # A view has one place a day, so that two cannot stand beside each other.
        if conflict != "replace" and (other := conflicts(Path(logbook), photos, tanks)):
            what = f"{other[0].date}: the log has another photo of {shown(other[0].tank)}"
            raise EditError(f"{name}: {what} in that view; give --replace to change it")
        incoming = read_incoming(
            name, data, edit.reader.context, edit.reader.kits, may_be_empty=bool(photos)
        )
        if incoming.errors:
            raise EditError(*map(str, incoming.errors))
        done = {}
        for table in TABLES:
            rows = [r for r in incoming.rows if isinstance(r.entry, Event) == (table == "events")]
            done[table] = _Adding(edit, table, rows, name, conflict)
        if faults := [line for adding in done.values() for line in adding.faults]:
            raise EditError(*faults)
        backups = edit.write()
        new_photos = keep(Path(logbook), photos, tanks)
        checkins = edit.tables.get("checkins")
        return Added(
            checkins=done["checkins"].added,
            events=done["events"].added,
            photos=new_photos,
            replaced=sum(adding.replaced for adding in done.values()),
            already=incoming.repeats + sum(adding.already for adding in done.values()),
            columns=checkins.new_columns if checkins and checkins.text.changed else (),
            backups=backups,
            remarks=tuple(
                str(p) for p in incoming.problems if p.column in _REMARKED or USED in p.what
            ),
        )


def _unpacked(
    name: str, data: bytes, tanks: Mapping[str, Tank], today: dt.date
) -> tuple[bytes, list[Photo]]:
    if not is_package(data):
        return data, []
    try:
        return unpack(data, tanks, today)
    except PhotoError as error:
        raise EditError(f"{name}: {error}") from None


@dataclass
class _Standing:
    """A row of the log, or one of this file that is to stand there (then with line 0)."""

    entry: CheckIn | Event
    line: int
    cells: list[str]

    @property
    def place(self) -> str:
        where = f"{self.entry.file}, line {self.entry.line}"
        return where if self.line else f"{where} of this same file"


class _Adding:
    """Adds the rows of a file that belong to one table, and counts what became of them."""

    def __init__(self, edit: LogEdit, table: str, rows: list[Row], file: str, conflict: Conflict):
        self.file, self.conflict = file, conflict
        self.faults: list[str] = []
        self.added = self.replaced = self.already = 0
        #: Rows of the log, and of this file, by what they are about.
        self.standing: dict[tuple[object, ...], list[_Standing]] = defaultdict(list)
        if not rows:
            return
        self.table = edit.open(table, {column for row in rows for column in row.cells})
        wanted = {_key(row.entry) for row in rows}
        for entry in edit.entries[table]:
            if _key(entry) in wanted:
                cells = self.table.text.cells(entry.line)
                self.standing[_key(entry)].append(_Standing(entry, entry.line, cells))
        for row in rows:
            try:
                self._add(row)
            except EditError as error:
                self.faults += error.lines

    def _add(self, row: Row) -> None:
        """Add a row, put it over the one that it replaces, or leave it: it is there already."""
        standing = self.standing[_key(row.entry)]
        there = [s for s in standing if _same_person(s.entry, row.entry)]
        # What the row would make of each that it could mean; a blank leaves what is there.
        made: list[_Standing | EditError] = []
        for old in there:
            try:
                changed = self._final(row, old)
            except EditError as error:
                made.append(error)
                continue
            if not differences(old.entry, changed.entry):
                self.already += 1
                return
            made.append(changed)
        if not there or self.conflict == "beside":
            new = self._final(row)
            self.table.text.append(new.cells)
            standing.append(new)
            self.added += 1
            return
        at = _meant(there, row) if self.conflict == "replace" else None
        final = made[at or 0]
        if isinstance(final, EditError):
            raise final
        if at is None:
            raise EditError(self._contradiction(there[0], final, row))
        self.table.text.replace(there[at].line, final.cells)
        standing.remove(there[at])
        standing.append(final)
        self.replaced += 1

    def _final(self, row: Row, old: _Standing | None = None) -> _Standing:
        """Return the row as it is going to stand in the log, alone or over an old one."""
        cells = self.table.compose(old.cells if old else (), row.cells)
        needed = {*row.cells, *(values_of(old.entry) if old else ())}
        entry = self.table.read_row(cells, needed, self.file, row.entry.line)
        return _Standing(entry, 0, cells)

    def _contradiction(self, old: _Standing, final: _Standing, row: Row) -> str:
        first, *others = differences(old.entry, final.entry)
        new = row.entry
        event = f" ({new.kind})" if isinstance(new, Event) else ""
        fault = (
            f"{self.file}, line {new.line}, column {first.column}: {shown(first.new)!r} stands "
            f"against {shown(first.old)!r} in {old.place}, for {shown(new.tank)!r} on "
            f"{new.date}{event}"
        )
        if others:
            fault += f", and {', '.join(d.column for d in others)} too"
        if self.conflict == "replace":
            return fault + "; more than one row could be meant: use the command correct"
        if not old.line:
            return fault + "; keep one of the two rows, or --beside keeps both"
        return fault + "; --replace takes the new values, --beside keeps both rows"


def _key(row: CheckIn | Event) -> tuple[object, ...]:
    return (row.tank, row.date, row.kind if isinstance(row, Event) else None)


def _same_person(old: CheckIn | Event, new: CheckIn | Event) -> bool:
    """Whether one may have written both: a blank observer may be anybody."""
    if isinstance(old, Event) or isinstance(new, Event):
        return True
    return old.observer == new.observer or "" in (old.observer, new.observer)


def _meant(there: list[_Standing], row: Row) -> int | None:
    """Place of the row that a new one replaces; None where that is not clear."""
    if not all(s.line for s in there):
        return None
    places = list(range(len(there)))
    if len(places) > 1 and "look" in row.cells:
        looks = [getattr(s.entry, "look", None) for s in there]
        places = [i for i in places if looks[i] == getattr(row.entry, "look", None)]
    return places[0] if len(places) == 1 else None


@dataclass(frozen=True, slots=True)
class Difference:
    """A column in which two rows differ, as text; blank where a row says nothing."""

    column: str
    old: str
    new: str


def differences(old: CheckIn | Event, new: CheckIn | Event) -> list[Difference]:
    """List the columns in which two readings of a row differ."""
    before, after = values_of(old), values_of(new)
    return [
        Difference(column, *(str(values.get(column, ("blank",))[0]) for values in (before, after)))
        for column in dict.fromkeys((*after, *before))
        if before.get(column, ("",))[-1] != after.get(column, ("",))[-1]
    ]


def values_of(row: CheckIn | Event) -> dict[str, tuple[object, ...]]:
    """By column: the text to show and, where it is not that, what is compared."""
    if isinstance(row, Event):
        out: dict[str, tuple[object, ...]] = {"event": (row.kind,), "note": (row.note,)}
        if row.amount is not None:
            out["amount"] = (f"{row.amount:g}", row.amount)
    else:
        out = {
            "observer": (row.observer,), "look": (row.look,), "judged_phase": (row.judged_phase,),
            "note": (row.note,),
        }  # fmt: skip
        out |= {sign: ("y" if seen else "n",) for sign, seen in row.signs.items()}
        out |= {a: (r.text, (r.low, r.high)) for a, r in row.readings.items()}
    out |= {"tank": (row.tank,), "date": (row.date.isoformat(),)}
    return {column: value for column, value in out.items() if value[0]}
