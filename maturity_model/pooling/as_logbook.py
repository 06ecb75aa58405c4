"""Tables of a pool as a logbook: the same panel, without a name or a date."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from pathlib import Path
from typing import Any

from maturity_model.catalogue import Catalogue
from maturity_model.logbook import CheckIn, Event, Kit, Logbook, Reading, Tank
from maturity_model.pooling.problems import PoolError

#: A pool holds no dates: its logs are laid so that all end on this day.
LAST_DAY = dt.date(2000, 1, 1)
#: Columns as lists, by table and name.
Content = dict[str, dict[str, list[Any]]]


def as_logbook(
    path: Path,
    catalogue: Catalogue,
    sign_names: tuple[str, ...],
    content: Content,
    sha256: str,
    ends: dt.date = LAST_DAY,
) -> Logbook:
    """Lay checked tables of a pool, or some tanks' rows of them, as a logbook.

    ``catalogue`` has the pool's own signs, ``sign_names`` are columns of the check-ins, and
    every tank's log is laid to end on the day ``ends``. Without kits, the logbook has none.
    """
    tanks, known = _tanks(content, ends)
    return Logbook(
        path=path,
        catalogue=catalogue,
        tanks={t.name: t for t in tanks},
        checkins=_checkins(content, sign_names, tanks, ends),
        events=_events(content, tanks, ends),
        kits=_kits(content["kits"]) if "kits" in content else (),
        problems=(),
        rows=(),
        refused_tanks=(),
        sha256=sha256,
        water_known_from=known,
    )


def _rows(table: dict[str, list[Any]], *names: str) -> Any:
    return zip(*(table[name] for name in names), strict=True)


def _tanks(content: Content, ends: dt.date) -> tuple[list[Tank], dict[str, dt.date | None]]:
    table = content["tanks"]
    tanks, known = [], {}
    columns = ("tank", "keeper", "club", "rock", "last_day", "water_known_week")
    for name, keeper, club, rock, last, week in _rows(table, *columns):
        started = ends - dt.timedelta(days=last)
        tanks.append(Tank(name, started, keeper, club, None, rock))
        known[name] = None if week is None else started + dt.timedelta(days=7 * week)
    return tanks, known


def _dates(
    table: dict[str, list[Any]], tanks: list[Tank], ends: dt.date, what: str
) -> list[dt.date]:
    started = {t.name: t.started for t in tanks}
    out = []
    for tank, day in _rows(table, "tank", "day"):
        if tank not in started:
            raise PoolError(f"{what} name a tank that is not in the pool")
        date = started[tank] + dt.timedelta(days=day)
        if date > ends:
            raise PoolError(f"{what} lie after the last day of their tank")
        out.append(date)
    return out


def _checkins(
    content: Content, names: tuple[str, ...], tanks: list[Tank], ends: dt.date
) -> tuple[CheckIn, ...]:
    table = content["checkins"]
    dates = _dates(table, tanks, ends, "check-ins")
    readings = _readings(content)
    answers = [table[name] for name in names]
    numbered = []
    columns = ("tank", "look_number", "observer", "look", "judged_phase")
    for i, (tank, number, observer, look, judged) in enumerate(_rows(table, *columns)):
        signs = {name: a[i] for name, a in zip(names, answers, strict=True) if a[i] is not None}
        read = readings.pop((tank, number), {})
        checkin = CheckIn(tank, dates[i], observer or "", look, judged, "", signs, read)
        numbered.append((dates[i], number, checkin))
    if readings:
        raise PoolError("readings belong to check-ins that are not in the pool")
    return tuple(checkin for _, _, checkin in sorted(numbered, key=lambda n: n[:2]))


def _readings(content: Content) -> dict[tuple[str, int], dict[str, Reading]]:
    table = content["readings"]
    out: dict[tuple[str, int], dict[str, Reading]] = defaultdict(dict)
    known: dict[tuple[Any, ...], Reading] = {}
    columns = ("qualifier", "value", "low", "high", "best", "unit", "method")
    where = ("tank", "look_number", "analyte")
    for tank, number, analyte, *rest in _rows(table, *where, *columns):
        key = tuple(rest)
        if key not in known:
            qualifier, value, low, high, best, unit, method = rest
            high = math.inf if high is None else high
            if not low <= high:
                raise PoolError("a reading's interval is empty")
            text = f"{qualifier or ''}{value:.12g}"
            known[key] = Reading(text, low, high, best, unit[:40], method)
        out[tank, number][analyte] = known[key]
    return out


def _events(content: Content, tanks: list[Tank], ends: dt.date) -> tuple[Event, ...]:
    table = content["events"]
    dates = _dates(table, tanks, ends, "events")
    numbered = [
        (date, number, Event(tank, date, kind, amount))
        for date, (tank, number, kind, amount) in zip(
            dates, _rows(table, "tank", "event_number", "event", "amount"), strict=True
        )
    ]
    return tuple(event for _, _, event in sorted(numbered, key=lambda n: n[:2]))


def _kits(table: dict[str, list[Any]]) -> tuple[Kit, ...]:
    out = []
    columns = ("keeper", "analyte", "method", "unit", "steps")
    for keeper, analyte, method, unit, steps in _rows(table, *columns):
        try:
            chart = tuple(float(s) for s in steps.split(";")) if steps else ()
        except ValueError:
            raise PoolError("column steps of kits holds something that is no number") from None
        out.append(Kit(keeper, analyte, method, unit, chart))
    return tuple(out)
