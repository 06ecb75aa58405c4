"""Logbook to labelled arrays on a weekly grid.

Week 0 begins on the day a tank was started. Every observation becomes a *code*: an
index into a small table of distinct observations, so that the likelihood is a look-up.
Rows of the ragged grid (one per tank and week) lie behind one another; those of tank
``n`` are ``first[n]:first[n + 1]``.
"""

from __future__ import annotations

import bisect
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.catalogue import LOOKS, Catalogue
from maturity_model.logbook import CheckIn, Event, Logbook, Tank

if TYPE_CHECKING:
    import xarray as xr


#: Days in which the balance of past sightings halves.
BALANCE_HALF_LIFE = 14.0
#: Five levels of the balance: nothing lately, some, much; absent or seen.
BALANCE_LEVELS = (-1.0, -0.5, 0.0, 0.5, 1.0)
#: A previous reading or judgement older than this says nothing more (weeks).
PREVIOUS_WEEKS = 4
#: Percent of the volume changed in four weeks that counts as 1, its cap, and the usual.
WATER_UNIT, WATER_CAP, WATER_USUAL = 40.0, 1.5, 0.6

_SIGN = np.dtype([("sign", "i8"), ("look", "i8"), ("level", "f8"), ("seen", "?")])
_READING = np.dtype(
    [("analyte", "i8"), ("low", "f8"), ("high", "f8"), ("previous", "f8"), ("gap", "f8")]
)
_JUDGED = np.dtype([("phase", "i8"), ("previous", "i8")])
# Sums of 2**(-k/2): the balance of a sign seen every week for ever.
_FULL_BALANCE = 2.0**-0.5 / (1.0 - 2.0**-0.5)


@dataclass(frozen=True)
class Observations:
    """Observations of one kind, as codes.

    Attributes
    ----------
    codes : structured ndarray, shape (C,)
        The distinct observations.
    row : int ndarray, shape (O,)
        Row of the grid of each observation, ascending.
    code : int ndarray, shape (O,)
        Its index in ``codes``.
    """

    codes: np.ndarray
    row: Ints
    code: Ints

    def of_rows(self, first: int, last: int) -> tuple[Ints, Ints]:
        """Codes of rows first..last-1.

        Returns
        -------
        starts : int ndarray, shape (last - first + 1,)
        code : int ndarray
            ``code[starts[t]:starts[t + 1]]`` are those of row ``first + t``.
        """
        edges = np.searchsorted(self.row, np.arange(first, last + 1))
        return edges - edges[0], self.code[edges[0] : edges[-1]]

    def only(self, keep: Bools) -> Observations:
        """Those of some rows, ``keep`` by row of the grid, and no other code."""
        here = keep[self.row]
        used, code = np.unique(self.code[here], return_inverse=True)
        return Observations(self.codes[used], self.row[here], code.astype(np.int64))


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

    def week_ends(self, n: int) -> tuple[dt.date, ...]:
        """Last day of each week of tank n, at most the day of the panel."""
        start, weeks = self.tanks[n].started, int(self.first[n + 1] - self.first[n])
        return tuple(min(start + dt.timedelta(days=7 * t + 6), self.as_of) for t in range(weeks))

    def to_dataset(self) -> xr.Dataset:
        """The panel as a labelled dataset (needs xarray)."""
        return _to_dataset(self)


class _Codebook:
    """Collects observations of one kind."""

    def __init__(self, dtype: np.dtype):
        self.dtype = dtype
        self.index: dict[tuple[Any, ...], int] = {}
        self.rows: list[int] = []
        self.code: list[int] = []

    def add(self, row: int, key: tuple[Any, ...]) -> None:
        self.rows.append(row)
        self.code.append(self.index.setdefault(key, len(self.index)))

    def done(self) -> Observations:
        codes = np.array(list(self.index), dtype=self.dtype)
        row = np.array(self.rows, dtype=np.int64)
        order = np.argsort(row, kind="stable")
        return Observations(codes, row[order], np.array(self.code, dtype=np.int64)[order])


def balance_level(balance: float) -> float:
    """Level of a balance of past sightings (+1 seen, -1 not, halving in two weeks).

    A single look within three weeks counts as half, about two weekly ones as full.
    """
    share = balance / _FULL_BALANCE
    # Two looks a week apart come to exactly 0.5 a week later, one look to at most 0.42:
    # a bound between them, so that rounding decides nothing.
    size = 0.0 if abs(share) < 0.12 else 0.5 if abs(share) < 0.45 else 1.0
    return size if share >= 0 else -size


class _Codes:
    """Turns one tank's check-ins into codes, remembering what came before."""

    def __init__(self, catalogue: Catalogue):
        self.signs = _Codebook(_SIGN)
        self.readings = _Codebook(_READING)
        self.judgements = _Codebook(_JUDGED)
        self.sign_index = {name: i for i, name in enumerate(catalogue.signs)}
        self.analyte_index = {name: i for i, name in enumerate(catalogue.informative)}
        self.phase_index = {name: i for i, name in enumerate(catalogue.phases)}
        self.look_index = {name: i for i, name in enumerate(LOOKS)}

    def tank(self, row: int, started: dt.date, checkins: Sequence[CheckIn]) -> None:
        balance: dict[str, tuple[float, dt.date]] = {}
        previous: dict[str, tuple[float, dt.date]] = {}
        judged: tuple[int, dt.date] | None = None
        for c in checkins:
            at = row + (c.date - started).days // 7
            look = self.look_index[c.look]
            for name, seen in c.signs.items():
                total, day = balance.get(name, (0.0, c.date))
                total *= 2.0 ** (-(c.date - day).days / BALANCE_HALF_LIFE)
                self.signs.add(at, (self.sign_index[name], look, balance_level(total), seen))
                balance[name] = (total + (1.0 if seen else -1.0), c.date)
            for name, reading in c.readings.items():
                if name not in self.analyte_index:
                    continue
                last, day = previous.get(name, (-1.0, dt.date.min))
                gap = max((c.date - day).days / 7.0, 1.0)
                if gap > PREVIOUS_WEEKS:
                    last, gap = -1.0, 0.0
                key = (self.analyte_index[name], reading.low, reading.high, last, gap)
                self.readings.add(at, key)
                previous[name] = (reading.best, c.date)
            if c.judged_phase is not None:
                phase = self.phase_index[c.judged_phase]
                recent = judged is not None and (c.date - judged[1]).days <= 7 * PREVIOUS_WEEKS
                self.judgements.add(at, (phase, judged[0] if judged and recent else -1))
                judged = (phase, c.date)


def _place_events(
    events: Sequence[Event],
    started: dt.date,
    last_look: dict[int, dt.date],
    catalogue: Catalogue,
    impulse: Floats,
    pending: Floats,
) -> None:
    index = {name: i for i, name in enumerate(catalogue.events)}
    for event in events:
        week = (event.date - started).days // 7
        size = catalogue.events[event.kind].size(event.amount)
        # After the week's last look the event cannot have shaped what was seen.
        late = week in last_look and event.date > last_look[week]
        (pending if late else impulse)[week, index[event.kind]] += size


def _water(
    events: Sequence[Event], ends: Sequence[dt.date], known_from: dt.date | None
) -> tuple[Floats, Bools]:
    # Water changed in the four weeks to each week's end, less the usual; 0 while unknown.
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
    """From which day each tank's water changes count as logged.

    Returns
    -------
    dict of str to (date or None)
        By tank: the day of the first water change that its keeper logged for any tank, or
        the logbook's own word on it; None for never.
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
        Tanks started after ``as_of`` are left out.

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
    tanks = [t for t in logbook.tanks.values() if t.started <= as_of]
    checkins: dict[str, list[CheckIn]] = {t.name: [] for t in tanks}
    events: dict[str, list[Event]] = {t.name: [] for t in tanks}
    known_from = water_known_from(logbook)
    for c in logbook.checkins:
        if c.date <= as_of and c.tank in checkins:
            checkins[c.tank].append(c)
    for e in logbook.events:
        if e.date <= as_of and e.tank in events:
            events[e.tank].append(e)

    first = np.concatenate(
        [[0], np.cumsum([(as_of - t.started).days // 7 + 1 for t in tanks])]
    ).astype(np.int64)
    rows = int(first[-1])
    impulse = np.zeros((rows, len(catalogue.events)))
    pending = np.zeros_like(impulse)
    husbandry = np.zeros((rows, len(catalogue.husbandry)))
    checked = np.zeros(rows, dtype=bool)
    water_known = np.zeros(rows, dtype=bool)
    codes = _Codes(catalogue)
    kinds = list(catalogue.starts)
    rock = np.array([kinds.index(t.rock or "unknown") for t in tanks], dtype=np.int64)
    names = list(catalogue.husbandry)
    liveness = {"dry": 0.0, "mixed": 0.5, "live": 1.0, None: 0.5}
    for n, tank in enumerate(tanks):
        here = slice(first[n], first[n + 1])
        # Rows are sorted by date.
        earliest = [r[0].date for r in (checkins[tank.name], events[tank.name]) if r]
        if min(earliest, default=as_of) < tank.started:
            raise ValueError(f"tank {tank.name!r} has rows before it was started")
        codes.tank(int(first[n]), tank.started, checkins[tank.name])
        last_look: dict[int, dt.date] = {}
        for c in checkins[tank.name]:
            week = (c.date - tank.started).days // 7
            last_look[week] = c.date
            checked[first[n] + week] = True
        _place_events(
            events[tank.name], tank.started, last_look, catalogue, impulse[here], pending[here]
        )
        weeks = int(first[n + 1] - first[n])
        ends = [min(tank.started + dt.timedelta(days=7 * t + 6), as_of) for t in range(weeks)]
        water, known = _water(events[tank.name], ends, known_from[tank.name])
        husbandry[here, names.index("live_rock")] = liveness[tank.rock]
        husbandry[here, names.index("water_changed")] = water
        water_known[here] = known
    return Panel(
        logbook=logbook,
        catalogue=catalogue,
        as_of=as_of,
        as_of_given=given,
        tanks=tuple(tanks),
        first=first,
        rock=rock,
        signs=codes.signs.done(),
        readings=codes.readings.done(),
        judgements=codes.judgements.done(),
        impulse=impulse,
        pending=pending,
        husbandry=husbandry,
        checked=checked,
        water_known=water_known,
    )


def _to_dataset(panel: Panel) -> xr.Dataset:
    import xarray as xr

    cat = panel.catalogue
    rows = np.arange(len(panel.checked))
    tank = np.repeat(np.arange(len(panel.tanks)), np.diff(panel.first))
    data: dict[str, Any] = {
        "impulse": (("row", "event"), panel.impulse, {"long_name": "event size"}),
        "pending": (("row", "event"), panel.pending, {"long_name": "event size, next week"}),
        "husbandry": (("row", "covariate"), panel.husbandry),
        "checked": ("row", panel.checked),
        "water_known": ("row", panel.water_known),
        "rock": ("tank", np.array(list(cat.starts))[panel.rock]),
    }
    for kind in ("signs", "readings", "judgements"):
        obs: Observations = getattr(panel, kind)
        data[f"{kind}_row"] = (f"{kind}_observation", obs.row)
        for field in obs.codes.dtype.names or ():
            data[f"{kind}_{field}"] = (f"{kind}_observation", obs.codes[field][obs.code])
    coords = {
        "tank": [t.name for t in panel.tanks],
        "event": list(cat.events),
        "covariate": list(cat.husbandry),
        # What the codes' numbers stand for.
        "sign": list(cat.signs),
        "analyte": list(cat.informative),
        "look": list(LOOKS),
        "phase": list(cat.phases),
        "row_tank": ("row", tank),
        "row_week": ("row", rows - panel.first[tank], {"long_name": "weeks since the start"}),
    }
    return xr.Dataset(data, coords, {"as_of": panel.as_of.isoformat()})
