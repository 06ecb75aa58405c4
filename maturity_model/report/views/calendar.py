"""A time axis that all pictures of a page share."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import NamedTuple

from maturity_model.report.wording import MONTHS

#: At most this many labels on an axis, the word at its end not counted.
_MOST = 3
#: A label further right would run into the word at the end.
_LAST_PLACE = 72.0


class Tick(NamedTuple):
    """A label on the axis; ``place`` in percent of its length."""

    label: str
    place: float


@dataclass(frozen=True)
class Calendar:
    """Days from ``first`` to ``last``, both included; x runs in weeks from the first."""

    first: dt.date
    last: dt.date

    @property
    def width(self) -> float:
        """Length in weeks."""
        return ((self.last - self.first).days + 1) / 7

    def x(self, date: dt.date) -> float:
        """Middle of a day, in weeks."""
        return ((date - self.first).days + 0.5) / 7

    def percent(self, date: dt.date) -> float:
        """The same, in percent of the length."""
        return min(max(100 * self.x(date) / self.width, 0.0), 100.0)

    def holds(self, date: dt.date) -> bool:
        """Whether a day lies on the axis."""
        return self.first <= date <= self.last

    def ticks(self) -> tuple[Tick, ...]:
        """First days of months, as far apart as leaves room for their labels."""
        months = 12 * (self.last.year - self.first.year) + self.last.month - self.first.month
        step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if months <= s * _MOST), 120)
        start = 12 * self.first.year + self.first.month - 1
        out = []
        for month in range(start, start + months + 1):
            year, at = divmod(month, 12)
            if month % step or (step > 12 and year % (step // 12)):
                continue
            day = dt.date(year, at + 1, 1)
            place = 100 * (day - self.first).days / 7 / self.width
            if 0 <= place <= _LAST_PLACE:
                out.append(Tick(MONTHS[at][:3] if at else str(year), place))
        return tuple(out)
