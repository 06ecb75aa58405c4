"""Logbook to arrays on a weekly grid.

Week 0 begins on the day a tank was started. The grid is ragged: it has one row for each tank
and week, and those of tank ``n`` are ``first[n]:first[n + 1]``.
"""

from __future__ import annotations

import bisect
import datetime as dt
import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.catalogue import Catalogue
from maturity_model.logbook import CheckIn, Event, Logbook, Tank
from maturity_model.panel.codes import Codes, Observations

#: Percent of the volume changed in four weeks that counts as 1, its cap, and the usual.
WATER_UNIT, WATER_CAP, WATER_USUAL = 40.0, 1.5, 0.6
_LIVENESS = {"dry": 0.0, "mixed": 0.5, "live": 1.0, None: 0.5}

Row = TypeVar("Row", CheckIn, Event)


@dataclass(frozen=True)
class Panel:
    """Logs of N tanks on a weekly grid of R tank-weeks.

    Attributes
    ----------
    logbook : Logbook
    catalogue : Catalogue
    as_of : date
        The day up to which the log was used.
    as_of_given : bool
    tanks : tuple of Tank, length N
    first : int ndarray, shape (N + 1,)
        Row of week 0 of each tank.
    rock : int ndarray, shape (N,)
        Index into the catalogue's ``starts``.
    signs, readings, judgements : Observations
        Codes have the fields ``sign, look, level, seen``; ``analyte, low, high, previous,
        gap`` (canonical units; -1 for no previous reading, and weeks since it); and
        ``phase, previous`` (-1 for none).
    impulse : ndarray, shape (R, E)
        Event sizes that act on the move into the row's week.
    pending : ndarray, shape (R, E)
        Sizes of events after the week's last check-in: they act on the move out of it.
    husbandry : ndarray, shape (R, J)
        Covariates that act on the move into the row's week.
    checked : bool ndarray, shape (R,)
        Whether there was a check-in.
    water_known : bool ndarray, shape (R,)
        False: no water change was logged by the keeper so far, so it counts as unknown.
    """

    logbook: Logbook
    catalogue: Catalogue
    as_of: dt.date
    as_of_given: bool
    tanks: tuple[Tank, ...]
    first: Ints
    rock: Ints
    signs: Observations
    readings: Observations
    judgements: Observations
    impulse: Floats
    pending: Floats
    husbandry: Floats
    checked: Bools
    water_known: Bools

    def __repr__(self) -> str:
        return (
            f"<Panel: {len(self.tanks)} tanks, {len(self.checked)} tank-weeks up to {self.as_of}, "
            f"{int(self.checked.sum())} of them with a check-in; {len(self.signs.row)} signs, "
            f"{len(self.readings.row)} readings, {len(self.judgements.row)} judged phases>"
        )

    def until(self, as_of: dt.date) -> Panel:
        """The panel as it stood on an earlier day."""
        return build_panel(self.logbook, self.catalogue, as_of)

    @functools.cached_property
    def checkins_by_tank(self) -> dict[str, tuple[CheckIn, ...]]:
        """Check-ins up to the day of the panel, by tank and date; none has no entry."""
        return rows_by_tank(self.logbook.checkins, self.as_of)

    @functools.cached_property
    def events_by_tank(self) -> dict[str, tuple[Event, ...]]:
        """Events up to the day of the panel, by tank and date; none has no entry."""
        return rows_by_tank(self.logbook.events, self.as_of)

    def week_ends(self, n: int) -> tuple[dt.date, ...]:
        """Last day of each week of tank n, at most the day of the panel or the tank's end."""
        weeks, tank = int(self.first[n + 1] - self.first[n]), self.tanks[n]
        return _week_ends(tank.started, weeks, tank.last_day(self.as_of))


def rows_by_tank(rows: Iterable[Row], as_of: dt.date) -> dict[str, tuple[Row, ...]]:
    """Check-ins or events up to a day, by tank; a tank without any has no entry."""
    out: dict[str, list[Row]] = {}
    for row in rows:
        if row.date <= as_of:
            out.setdefault(row.tank, []).append(row)
    return {tank: tuple(rows) for tank, rows in out.items()}


def _empty_grid(rows: int, catalogue: Catalogue) -> dict[str, np.ndarray]:
    """Arrays by row of the grid; names as in :class:`Panel`."""
    return {
        "impulse": np.zeros((rows, len(catalogue.events))),
        "pending": np.zeros((rows, len(catalogue.events))),
        "husbandry": np.zeros((rows, len(catalogue.husbandry))),
        "checked": np.zeros(rows, dtype=bool),
        "water_known": np.zeros(rows, dtype=bool),
    }


def _fill_checked_and_events(
    rows: dict[str, np.ndarray],
    tank: Tank,
    checkins: Sequence[CheckIn],
    events: Sequence[Event],
    catalogue: Catalogue,
) -> None:
    last_look: dict[int, dt.date] = {}
    for c in checkins:
        last_look[(c.date - tank.started).days // 7] = c.date
    rows["checked"][list(last_look)] = True
    index = {name: i for i, name in enumerate(catalogue.events)}
    for event in events:
        week = (event.date - tank.started).days // 7
        # After the week's last look the event cannot have shaped what was seen.
        late = week in last_look and event.date > last_look[week]
        size = catalogue.events[event.kind].size(event.amount)
        rows["pending" if late else "impulse"][week, index[event.kind]] += size


def _week_ends(started: dt.date, weeks: int, as_of: dt.date) -> tuple[dt.date, ...]:
    return tuple(min(started + dt.timedelta(days=7 * t + 6), as_of) for t in range(weeks))


def _water(
    events: Sequence[Event], ends: Sequence[dt.date], known_from: dt.date | None
) -> tuple[Floats, Bools]:
    """Water changed in the four weeks to each week's end minus the usual, and whether known.

    The covariate is 0 while unknown.
    """
    changes = sorted((e.date, e.amount or 0.0) for e in events if e.kind == "water_change")
    days = [d for d, _ in changes]
    total = np.concatenate([[0.0], np.cumsum([a for _, a in changes])])
    out = np.zeros(len(ends))
    known = np.zeros(len(ends), dtype=bool)
    for t, end in enumerate(ends):
        known[t] = known_from is not None and known_from <= end
        if not known[t]:
            continue
        upto = bisect.bisect_right(days, end)
        since = bisect.bisect_right(days, end - dt.timedelta(days=28))
        percent = (total[upto] - total[since]) * 4 / min(4, t + 1)
        out[t] = min(percent / WATER_UNIT, WATER_CAP) - WATER_USUAL
    return out, known


def water_known_from(logbook: Logbook) -> dict[str, dt.date | None]:
    """Day from which each tank's water changes count as logged.

    Returns
    -------
    dict of str to (date or None)
        By tank: the day that the logbook states, else that of the first water change that
        its keeper logged for any tank; None for never.
    """
    if logbook.water_known_from is not None:
        return {name: logbook.water_known_from.get(name) for name in logbook.tanks}
    who = {t.name: t.keeper or f"tank:{t.name}" for t in logbook.tanks.values()}
    first: dict[str, dt.date] = {}
    for e in logbook.events:
        if e.kind == "water_change" and e.tank in who:
            first[who[e.tank]] = min(first.get(who[e.tank], e.date), e.date)
    return {name: first.get(keeper) for name, keeper in who.items()}


def last_day(logbook: Logbook) -> dt.date:
    """Return the last date of a log."""
    days = [c.date for c in logbook.checkins[-1:]] + [e.date for e in logbook.events[-1:]]
    return max(days + [t.started for t in logbook.tanks.values()], default=dt.date.min)


def build_panel(
    logbook: Logbook, catalogue: Catalogue | None = None, as_of: dt.date | None = None
) -> Panel:
    """Lay a logbook on the weekly grid.

    Parameters
    ----------
    logbook : Logbook
    catalogue : Catalogue, optional
        Default: the logbook's own.
    as_of : date, optional
        Everything later is ignored. Default: the last date in the log.

    Returns
    -------
    Panel
        Tanks started after ``as_of`` are left out; the grid of one that ended stops there.

    Raises
    ------
    ValueError
        When the catalogue lacks signs of the logbook's own, or a row lies before its
        tank was started (:func:`.read_logbook` refuses such rows).
    """
    catalogue = catalogue or logbook.catalogue
    if lacking := logbook.catalogue.signs.keys() - catalogue.signs.keys():
        raise ValueError(f"the catalogue lacks signs of the logbook: {', '.join(sorted(lacking))}")
    given = as_of is not None
    as_of = as_of or last_day(logbook)
    tanks = tuple(t for t in logbook.tanks.values() if t.started <= as_of)
    weeks = [(t.last_day(as_of) - t.started).days // 7 + 1 for t in tanks]
    first = np.concatenate([[0], np.cumsum(weeks)]).astype(np.int64)
    rocks, covariates = list(catalogue.starts), list(catalogue.husbandry)
    codes, grid = Codes(catalogue), _empty_grid(int(first[-1]), catalogue)
    checkins, events = rows_by_tank(logbook.checkins, as_of), rows_by_tank(logbook.events, as_of)
    known_from = water_known_from(logbook)
    for n, tank in enumerate(tanks):
        seen, happened = checkins.get(tank.name, ()), events.get(tank.name, ())
        # Rows are sorted by date.
        if any(rows and rows[0].date < tank.started for rows in (seen, happened)):
            raise ValueError(f"tank {tank.name!r} has rows before it was started")
        codes.add_tank(int(first[n]), tank.started, seen)
        rows = {name: array[first[n] : first[n + 1]] for name, array in grid.items()}
        _fill_checked_and_events(rows, tank, seen, happened, catalogue)
        rows["husbandry"][:, covariates.index("live_rock")] = _LIVENESS[tank.rock]
        ends = _week_ends(tank.started, weeks[n], tank.last_day(as_of))
        water, rows["water_known"][:] = _water(happened, ends, known_from[tank.name])
        rows["husbandry"][:, covariates.index("water_changed")] = water
    return Panel(
        logbook=logbook,
        catalogue=catalogue,
        as_of=as_of,
        as_of_given=given,
        tanks=tanks,
        first=first,
        rock=np.array([rocks.index(t.rock or "unknown") for t in tanks], dtype=np.int64),
        signs=codes.signs.done(),
        readings=codes.readings.done(),
        judgements=codes.judgements.done(),
        **grid,
    )
