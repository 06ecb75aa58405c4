"""What was logged in the last week, as it was written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.views.labels import unit_label
from maturity_model.report.wording import date_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue
    from maturity_model.logbook.types import CheckIn, Event

#: Longer lists are cut.
_MOST = 12


def new_entries(tank: TankAssessment, assessment: Assessment) -> tuple[str, ...]:
    """Signs that turned, then check-ins and events since the end of last week."""
    catalogue, first = assessment.catalogue, len(tank.weeks) < 2
    since = tank.tank.started if first else tank.dates[-2]
    fresh = [c for c in tank.checkins if first or c.date > since]
    events = [e for e in tank.events if first or e.date > since]
    lines = _turns(tank, fresh, catalogue)
    lines += [_checkin(c, tank, catalogue) for c in fresh[-_MOST:]]
    lines += [_event(e, tank, catalogue) for e in events[-_MOST:]]
    left = max(0, len(fresh) - _MOST) + max(0, len(events) - _MOST)
    return (*lines, *([f"And {left} earlier."] if left else []))


def _turns(tank: TankAssessment, fresh: list[CheckIn], catalogue: Catalogue) -> list[str]:
    """Signs seen for the first time, and signs that were there and are not now."""
    new = {id(c) for c in fresh}
    last: dict[str, bool] = {}
    ever: set[str] = set()
    for checkin in tank.checkins:
        if id(checkin) not in new:
            last |= checkin.signs
            ever |= {s for s, seen in checkin.signs.items() if seen}
    now: dict[str, bool] = {}
    for checkin in fresh:
        for sign, seen in checkin.signs.items():
            now[sign] = now.get(sign, False) or seen

    def names(signs: list[str]) -> str:
        known = catalogue.signs
        return cut(", ".join(known[s].label.lower() if s in known else s for s in signs), 400)

    first = [s for s, seen in now.items() if seen and s not in ever]
    gone = [s for s, seen in now.items() if not seen and last.get(s)]
    out = []
    if first and ever:
        out.append(f"Seen for the first time: {names(first)}.")
    if gone:
        out.append(f"Seen last time, not this time: {names(gone)}.")
    return out


def _checkin(checkin: CheckIn, tank: TankAssessment, catalogue: Catalogue) -> str:
    seen = sum(checkin.signs.values())
    parts = [f"{seen} of {len(checkin.signs)} signs seen"]
    for name, reading in checkin.readings.items():
        analyte = catalogue.analytes.get(name)
        label = analyte.label if analyte else cut(name, 60)
        parts.append(f"{label} {cut(reading.text, 30)} {unit_label(reading.unit)}".rstrip())
    by = f" by {cut(checkin.observer, 60)}" if checkin.observer else ""
    note = f" “{cut(checkin.note, 200)}”" if checkin.note else ""
    return f"Look of {date_words(checkin.date, tank.dates[-1])}{by}: {'; '.join(parts)}.{note}"


def _event(event: Event, tank: TankAssessment, catalogue: Catalogue) -> str:
    kind = catalogue.events.get(event.kind)
    label = kind.label if kind else cut(event.kind, 60)
    amount = ""
    if event.amount is not None:
        amount = f", {event.amount:g}{f' {kind.unit}' if kind and kind.unit else ''}"
    note = f" “{cut(event.note, 200)}”" if event.note else ""
    return f"{label}, {date_words(event.date, tank.dates[-1])}{amount}.{note}"
