"""Un-ionised ammonia in a tank now, from the readings of its log.

The chemistry is in :mod:`.ammonia`; here it is applied to what the keeper logged lately.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from maturity_model.assessment.ammonia import PHScale, Span, unionised_span
from maturity_model.catalogue import Catalogue
from maturity_model.logbook.types import CheckIn, Event, Reading, Tank

#: Criteria for un-ionised ammonia in salt water, mg/L as NH3.
CHRONIC_MG_L = 0.035
ACUTE_MG_L = 0.233
#: Values where the log has no recent reading; the text says that they are assumed.
ASSUMED = {"ph": 8.2, "temperature": 25.0, "salinity": 35.0}
#: Days for which readings and events are recent.
RECENT_DAYS = 14
#: Days for which a reading of pH, temperature or salinity stays valid.
STANDING_DAYS = 28
UNITS = {"ph": "", "temperature": " °C", "salinity": ""}
_LABELS = {"ph": "pH", "temperature": "temperature", "salinity": "salinity"}


class Unionised(NamedTuple):
    """Un-ionised ammonia of one reading, mg/L as NH3.

    Attributes
    ----------
    low, best, high : float
        Bounds from the kits' steps, and the value at each reading's best number;
        ``high`` may be ``inf``.
    basis : str
        The pH, temperature and salinity that went in, and which of them were assumed.
    date : date
        Of the ammonia reading.
    """

    low: float
    best: float
    high: float
    basis: str
    date: dt.date


@dataclass(frozen=True, slots=True)
class TankLog:
    """The log of one tank up to a day, rows by date."""

    tank: Tank
    checkins: tuple[CheckIn, ...]
    events: tuple[Event, ...]
    as_of: dt.date
    catalogue: Catalogue

    @classmethod
    def of(
        cls,
        tank: Tank,
        checkins: Iterable[CheckIn],
        events: Iterable[Event],
        as_of: dt.date,
        catalogue: Catalogue,
    ) -> TankLog:
        """Select the tank's rows up to a day; rows of one day keep their order."""

        def mine(row: CheckIn | Event) -> bool:
            return row.tank == tank.name and row.date <= as_of

        return cls(
            tank,
            tuple(sorted(filter(mine, checkins), key=lambda c: c.date)),
            tuple(sorted(filter(mine, events), key=lambda e: e.date)),
            as_of,
            catalogue,
        )

    def days_since(self, date: dt.date) -> int:
        """Days from a date to the day of the log."""
        return (self.as_of - date).days

    def last_event(self, *kinds: str) -> Event | None:
        """Return the latest event of these kinds, however old."""
        return next((e for e in reversed(self.events) if e.kind in kinds), None)

    def latest_reading(
        self, analyte: str, days: float = float("inf")
    ) -> tuple[dt.date, Reading] | None:
        """Date and value of the latest reading of an analyte, if no older than ``days``."""
        for checkin in reversed(self.checkins):
            if self.days_since(checkin.date) > days:
                return None
            if analyte in checkin.readings:
                return checkin.date, checkin.readings[analyte]
        return None

    def recent_event(self, *kinds: str) -> Event | None:
        """Return the latest event of these kinds, if recent."""
        event = self.last_event(*kinds)
        return event if event and self.days_since(event.date) <= RECENT_DAYS else None


class Water(NamedTuple):
    """What the share of un-ionised ammonia depends on; ``dates`` are those of what was logged."""

    ph: Span
    temperature: Span
    salinity: Span
    scale: PHScale
    dates: Mapping[str, dt.date]

    def unionised(self, total_nh4_mg_l: Span) -> Span:
        """Un-ionised ammonia in this water, mg/L as NH3."""
        return unionised_span(total_nh4_mg_l, self.ph, self.temperature, self.salinity, self.scale)


def water_now(log: TankLog, assumed: Mapping[str, float]) -> Water:
    """The latest readings of the last four weeks; what was not measured is ``assumed``."""
    spans, dates = {name: Span(*[value] * 3) for name, value in assumed.items()}, {}
    scale: PHScale = "nbs"
    for name in assumed:
        latest = log.latest_reading(name, STANDING_DAYS)
        if latest is None:
            continue
        dates[name], value = latest
        if name == "ph" and "total" in value.unit.casefold():
            scale = "total"
        spans[name] = Span(value.low, value.best, value.high)
    return Water(**spans, scale=scale, dates=dates)


def unionised_now(log: TankLog) -> Unionised | None:
    """Un-ionised ammonia from the latest ammonia reading of the last 14 days.

    Returns
    -------
    Unionised or None
        None without an ammonia reading in that time. pH, temperature and salinity are
        the latest of the last 28 days, else :data:`ASSUMED`; their kits' steps widen the
        bounds too.
    """
    reading = log.latest_reading("ammonia", RECENT_DAYS)
    if reading is None:
        return None
    date, total = reading
    water = water_now(log, ASSUMED)
    basis = [
        f"{_LABELS[name]} {getattr(water, name).best:.3g}{UNITS[name]} "
        f"({water.dates.get(name, 'assumed, not logged lately')})"
        for name in ASSUMED
    ]
    nbs = "NBS scale (assumed, as hobby probes and kits are set)"
    basis[-1] += f"; pH on the {nbs if water.scale == 'nbs' else 'total scale'}"
    span = water.unionised(Span(total.low, total.best, total.high))
    return Unionised(*span, basis=", ".join(basis), date=date)
