"""Reminders of the next looks, as a calendar file (RFC 5545)."""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import TYPE_CHECKING

from maturity_model.report.plain_text import clean, cut
from maturity_model.report.views.actions import urgent_words
from maturity_model.report.views.folds import best_looks
from maturity_model.report.views.form import MOST
from maturity_model.report.views.labels import label_of

if TYPE_CHECKING:
    from icalendar import Event

    from maturity_model.assessment.types import Assessment, TankAssessment

#: Days from one look to the next.
_WEEK = 7
#: When a calendar reminds of a look, from the beginning of its day: when lights go out.
_REMIND = dt.timedelta(hours=19)


def reminders(assessment: Assessment, keeper: str | None, now: dt.datetime) -> bytes:
    """One weekly event for each tank, beginning with the next look.

    Parameters
    ----------
    assessment : Assessment
        With the questions answered: what to look at is what tells most on its day.
    keeper : str or None
        Only this keeper's tanks; None for all.
    now : datetime
        When the file is made, with its time zone.

    Returns
    -------
    bytes
        UTF-8. An event keeps its identifier from file to file, so a later import replaces it.
    """
    from icalendar import Calendar

    calendar = Calendar()
    calendar.add("prodid", "-//maturity-model//looks//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for tank in assessment.tanks:
        if keeper is None or tank.tank.keeper == keeper:
            calendar.add_component(_look(tank, assessment, now))
    return bytes(calendar.to_ical())


def next_look(tank: TankAssessment, as_of: dt.date) -> dt.date:
    """A week after the last look, today where that is past or something is urgent."""
    last = tank.reach.last_look
    urgent = any(c.level == "urgent" for c in tank.cautions)
    return as_of if last is None or urgent else max(last + dt.timedelta(days=_WEEK), as_of)


def _look(tank: TankAssessment, assessment: Assessment, now: dt.datetime) -> Event:
    from icalendar import Alarm, Event

    as_of, name = assessment.provenance.as_of, clean(cut(tank.tank.name, 80))
    looks = best_looks(tank.questions.next_checks)[:MOST] if tank.questions else []
    lines = [urgent_words(c, as_of) for c in tank.cautions if c.level == "urgent"]
    lines += [f"{label_of(x.name, assessment)}, {x.minutes:g} min" for x in looks]
    event, day = Event(), next_look(tank, as_of)
    mark = hashlib.sha256(f"{tank.tank.keeper}\0{tank.tank.name}".encode()).hexdigest()
    event.add("uid", f"{mark[:32]}@maturity-model.invalid")
    event.add("dtstamp", now.astimezone(dt.UTC))
    event.add("sequence", as_of.toordinal())
    event.add("summary", f"Look at {name}")
    event.add("description", "\n".join(map(clean, lines)))
    event.add("dtstart", day)
    event.add("dtend", day + dt.timedelta(days=1))
    event.add("rrule", {"freq": "weekly"})
    event.add("transp", "TRANSPARENT")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", f"Look at {name}")
    alarm.add("trigger", _REMIND)
    event.add_component(alarm)
    return event
