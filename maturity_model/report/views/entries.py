"""What was logged in the last week, as it was written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.views.labels import event_label
from maturity_model.report.wording import capital, date_words, plural

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
    lines += [_checkin(c, tank) for c in fresh[-_MOST:]]
    lines += [_event(e, tank, catalogue) for e in events[-_MOST:]]
    left = max(0, len(fresh) - _MOST) + max(0, len(events) - _MOST)
    return (*lines, *([f"And {left} earlier."] if left else []))


def _turns(tank: TankAssessment, fresh: list[CheckIn], catalogue: Catalogue) -> list[str]:
    """Signs seen for the first time, and signs that were there and are not now."""
    before: dict[str, list[bool]] = {}
    now: dict[str, bool] = {}
    for checkin in tank.checkins:
        for sign, seen in checkin.signs.items():
            if checkin in fresh:
                now[sign] = now.get(sign, False) or seen
            else:
                before.setdefault(sign, []).append(seen)
    first = [s for s, seen in now.items() if seen and not any(before.get(s, ()))]
    gone = [s for s, seen in now.items() if not seen and s in before and before[s][-1]]

    def names(signs: list[str]) -> str:
        known = catalogue.signs
        return cut(", ".join(known[s].label.lower() if s in known else s for s in signs), 400)

    out = [f"Seen for the first time: {names(first)}."] if first and before else []
    return out + ([f"Seen last time, not this time: {names(gone)}."] if gone else [])


def _checkin(checkin: CheckIn, tank: TankAssessment) -> str:
    by = f" by {cut(checkin.observer, 60)}" if checkin.observer else ""
    seen = f"{sum(checkin.signs.values())} of {plural(len(checkin.signs), 'sign')} seen"
    note = f" “{cut(checkin.note, 200)}”" if checkin.note else ""
    read = plural(len(checkin.readings), "reading")
    return f"Look of {date_words(checkin.date, tank.dates[-1])}{by}: {seen}, {read}.{note}"


def _event(event: Event, tank: TankAssessment, catalogue: Catalogue) -> str:
    label = capital(event_label(event.kind, catalogue))
    amount = ""
    if event.amount is not None:
        kind = catalogue.events.get(event.kind)
        amount = f", {event.amount:g}{f' {kind.unit}' if kind and kind.unit else ''}"
    note = f" “{cut(event.note, 200)}”" if event.note else ""
    return f"{label}, {date_words(event.date, tank.dates[-1])}{amount}.{note}"
