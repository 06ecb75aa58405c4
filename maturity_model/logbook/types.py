"""What a checked logbook holds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Container
from dataclasses import dataclass, field, replace
from pathlib import Path
from reprlib import repr as shorten
from typing import Literal

from maturity_model.catalogue import Catalogue, load_permissions

#: ``error``: the cell or row is not used. ``settled``: it is used in a way that is reported.
Severity = Literal["error", "settled"]
#: How much of a logbook a problem affects.
Scope = Literal["cell", "row", "column", "file", "logbook"]

#: Readings that permissions rest on, and what a kit needs to understand them.
_GATED = ("ammonia", "nitrite", "ph", "temperature", "salinity", "method", "steps")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a logbook, or that is settled by a rule.

    Attributes
    ----------
    severity : {'error', 'settled'}
        ``error``: the cell or row is not used; ``settled``: it is used as ``what`` says.
    scope : {'cell', 'row', 'column', 'file', 'logbook'}
        How much is affected.
    file : str
        Name of the file, with the sheet behind an exclamation mark for a workbook.
    line : int or None
        True line in the file (row in a sheet), counted from 1, also after a quoted newline.
    column : str or None
    value : str
        The text in question, at most 80 characters.
    what, mend : str
        What is wrong, and how to mend it.
    tank : str or None
        The tank it concerns, where that is known.
    table : str
        The table that it stands in (``checkins``, ``events`` ...); blank where there is none.
    date : date or None
        The day that the row is about, where that can be read and is not what is wrong.
    withholds : bool
        The rows or the tank are used, but what was not read of them may be a bad reading or
        an event, so that no permission can be given.
    """

    severity: Severity
    scope: Scope
    file: str
    line: int | None
    column: str | None
    value: str
    what: str
    mend: str
    tank: str | None = None
    table: str = ""
    date: dt.date | None = None
    withholds: bool = False

    @property
    def may_hide_something(self) -> bool:
        """Whether what was not read may speak against a permission.

        Other unknown columns and single cells, and stated assumptions, leave the row in use.
        """
        if self.severity != "error":
            return False
        gated = self.scope == "cell" and self.column in _GATED
        return gated or self.withholds or self.scope in ("file", "logbook", "row")

    @property
    def place(self) -> str:
        """File, line and column."""
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f", column {self.column}"
        return place

    def __str__(self) -> str:
        shown = f" {self.value!r}" if self.value else ""
        return f"{self.place}:{shown} {self.what}; {self.mend}"


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank; ``rock``, ``sand_depth_mm`` and ``consent`` are None where the log is blank.

    Attributes
    ----------
    started : date
        First day of its log: the day of the restart, for a tank that was started again.
    ended : date or None
        Last day before it was taken down, as written.
    earlier_start : date or None
        The start before the restart. Rows from then on are set aside.
    sand_depth_mm : float or None
        0 for a bare bottom; None is unknown.
    consent : bool or None
        Whether it may be pooled.
    """

    name: str
    started: dt.date
    keeper: str = ""
    club: str = ""
    volume_l: float | None = None
    rock: str | None = None
    sand_depth_mm: float | None = None
    line: int = 0
    consent: bool | None = None
    ended: dt.date | None = None
    earlier_start: dt.date | None = None

    def gone(self, day: dt.date) -> bool:
        """Whether the tank had been taken down by a day, and not started again."""
        return self.ended is not None and self.started <= self.ended <= day

    def last_day(self, day: dt.date) -> dt.date:
        """Return the last day of its log, seen from a day: that day, or an earlier end."""
        return self.ended if self.ended is not None and self.gone(day) else day

    def can_have(self, needs: str) -> bool:
        """Whether there can be what a sign or event needs (a word of ``catalogue.NEEDS``)."""
        return not (needs == "sand" and self.sand_depth_mm == 0)


@dataclass(frozen=True, slots=True)
class Reading:
    """One test result in the analyte's canonical unit, known to an interval.

    Attributes
    ----------
    text : str
        As written in the log.
    low, high : float
        The true value lies in [low, high]; ``high`` may be ``inf``.
    best : float
        One number for display and as the previous reading: the value itself, or
        for ``<x`` half of x, for ``>x`` x (canonical unit).
    unit : str
        The unit it was written in.
    method : str
        One of :data:`maturity_model.catalogue.METHODS`.
    first_step : float
        First coloured step of the chart it was read from, canonical unit; 0 without a chart.
    """

    text: str
    low: float
    high: float
    best: float
    unit: str
    method: str
    first_step: float = 0.0


@dataclass(frozen=True, slots=True)
class CheckIn:
    """One dated look at one tank. What was not checked is not a key."""

    tank: str
    date: dt.date
    observer: str = ""
    look: str = "careful"
    judged_phase: str | None = None
    note: str = ""
    signs: dict[str, bool] = field(default_factory=dict)
    readings: dict[str, Reading] = field(default_factory=dict)
    file: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Event:
    """Something done to or suffered by a tank; ``amount`` is None where it has none."""

    tank: str
    date: dt.date
    kind: str
    amount: float | None = None
    note: str = ""
    file: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Kit:
    """How a keeper reads an analyte; ``keeper`` '' is for everybody.

    ``steps`` are in ``unit``; empty for the generic chart of the method.
    """

    keeper: str
    analyte: str
    method: str
    unit: str
    steps: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class RowCount:
    """Rows of one file: ``read == used + refused + set_aside`` always."""

    file: str
    read: int
    used: int
    refused: int
    set_aside: int = 0


#: Why backups, the lock and the like are set aside.
OWN = "is this program's own"


@dataclass(frozen=True, slots=True)
class Entry:
    """What became of one file of a logbook, or one sheet; ``why`` it was not used.

    A file that is read up to a row, and no further, is refused.
    """

    name: str
    fate: Literal["used", "refused", "set aside"] = "used"
    why: str = ""


@dataclass(frozen=True, slots=True)
class Account:
    """What became of everything that a logbook holds.

    Attributes
    ----------
    entries : tuple of Entry
        Every entry of the folder, and every sheet of its workbooks.
    rows : tuple of RowCount
        By file; the logbook's check-ins and events know the line that each came from.
    refused_rows : tuple of Problem
        One for each row that is not used, with its tank and date where they can be read.
    refused_parts : tuple of Problem
        One for each column and each cell that is not used and may hide something.
    """

    entries: tuple[Entry, ...] = ()
    rows: tuple[RowCount, ...] = ()
    refused_rows: tuple[Problem, ...] = ()
    refused_parts: tuple[Problem, ...] = ()

    def names(self, fate: str) -> list[str]:
        """Files and sheets that ended this way, this program's own left out."""
        return [e.name for e in self.entries if e.fate == fate and e.why != OWN]


@dataclass(frozen=True)
class Logbook:
    """A checked logbook.

    Attributes
    ----------
    path : Path
    catalogue : Catalogue
        Extended by the logbook's own ``signs.csv``, where there is one.
    tanks : dict of str to Tank
        In file order.
    checkins, events : tuple
        Sorted by date, then file order; check-ins of one tank on one day are one.
    kits : tuple of Kit
    problems : tuple of Problem
        In file order.
    rows : tuple of RowCount
    refused_tanks : tuple of str
        Tanks that the log names but that cannot be assessed.
    sha256 : str
        Over the names and bytes of the files read.
    water_known_from : dict of str to (date or None), optional
        By tank, the day from which water changes count as logged (None: never). Default:
        from the first one that the tank's keeper logged. A pool states it for each tank,
        because its tanks share no calendar.
    asks_consent : bool
        Whether the tanks table has the column ``consent``.
    consent_refused : tuple of (str, str)
        Tank and keeper of each row of the tanks table that says no but cannot be used.
    entries : tuple of Entry
        What became of each file and sheet.
    """

    path: Path
    catalogue: Catalogue
    tanks: dict[str, Tank]
    checkins: tuple[CheckIn, ...]
    events: tuple[Event, ...]
    kits: tuple[Kit, ...]
    problems: tuple[Problem, ...]
    rows: tuple[RowCount, ...]
    refused_tanks: tuple[str, ...]
    sha256: str
    water_known_from: dict[str, dt.date | None] | None = None
    asks_consent: bool = False
    consent_refused: tuple[tuple[str, str], ...] = ()
    entries: tuple[Entry, ...] = ()

    @property
    def account(self) -> Account:
        """What became of every file, sheet and row."""
        hiding = [p for p in self.problems if p.may_hide_something]
        rows = tuple(p for p in hiding if p.scope == "row")
        parts = tuple(p for p in hiding if p.scope in ("column", "cell"))
        return Account(self.entries, self.rows, rows, parts)

    def refused_lately(self, as_of: dt.date) -> tuple[Problem, ...]:
        """Return what was refused and may hide something: files, columns, recent rows and cells.

        Recent is within the longest time for which a row can shut a permission; so counts a
        row without a date that can be trusted.
        """
        days = load_permissions()["unsettled_days"]
        return tuple(
            p
            for p in self.problems
            if p.may_hide_something and (p.date is None or (as_of - p.date).days <= days)
        )

    def only(self, names: Container[str]) -> Logbook:
        """Return a logbook of some of its tanks, by name."""
        return replace(
            self,
            tanks={name: tank for name, tank in self.tanks.items() if name in names},
            checkins=tuple(c for c in self.checkins if c.tank in names),
            events=tuple(e for e in self.events if e.tank in names),
        )

    def __repr__(self) -> str:
        return (
            f"<Logbook {shorten(self.path.name)}: {len(self.tanks)} tanks, "
            f"{len(self.checkins)} check-ins, {len(self.events)} events, "
            f"{len(self.problems)} problems, {len(self.refused_tanks)} tanks refused>"
        )
