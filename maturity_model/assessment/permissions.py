"""What must be known of a tank before its page may permit anything.

A probability alone never permits: it can be high from age, rock and events, with nobody having
looked. So each permission also needs evidence from the log, listed here, and whatever is
missing is the thing to do first. The limits are rows of ``catalogue/data/permissions.csv``.

Unknown is not safe: without a reading, a look or a readable row the answer is "not yet".
Taking away a good reading or a recent look, letting the readings grow old, raising one that
the gate rests on, or making a row unreadable can only add to what is missing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from maturity_model.assessment.ammonia_now import CHRONIC_MG_L, STANDING_DAYS, TankLog
from maturity_model.assessment.cautions import PRACTICE, RANGED, UNREAD_DAYS, Caution
from maturity_model.assessment.evidence import (
    POISONS,
    Limits,
    Missing,
    Poison,
    at_most,
    highest_unionised,
    is_high,
    low_step,
    read_since,
)
from maturity_model.assessment.proof_of_work import proof_of_work
from maturity_model.catalogue import load_permissions
from maturity_model.logbook import Problem, Reading

Permission = Literal["first animals", "next animals", "leave be"]
PERMISSIONS: tuple[Permission, ...] = ("first animals", "next animals", "leave be")
#: Events after which no permission is given for some weeks.
UNSETTLING = ("crash", "deep_clean", "medication", "sand_disturbed")
#: Events after which even a settled tank must be measured before it is left alone.
_MEASURE_AFTER = ("crash", "livestock_added", "medication")
FINER_KIT = "A finer kit can tell."


@dataclass(frozen=True, slots=True)
class Record:
    """What speaks for and against a permission.

    Attributes
    ----------
    log : TankLog
        The tank's rows up to a day.
    cautions : tuple of Caution
        Those that apply on that day.
    alarm : bool
        Whether a check-in of the last two weeks was a surprise (:class:`.surprise.Surprises`).
    problems : tuple of Problem
        Those of the log that concern this tank, or no tank in particular.
    silent : bool
        Nobody has looked for weeks.
    """

    log: TankLog
    cautions: tuple[Caution, ...] = ()
    alarm: bool = False
    problems: tuple[Problem, ...] = ()
    silent: bool = False


def missing_evidence(record: Record, permission: Permission) -> tuple[Missing, ...]:
    """List what the log lacks for a permission, what matters most first."""
    log, limits = record.log, load_permissions()
    missing = [*_out_of_order(record), *_refused(record, limits, permission), *_look(log, limits)]
    if permission != "leave be" or _must_be_measured(log, limits):
        missing += _readings(log, limits)
    missing += [*_fell_at_once(log, limits), *_alarm(record)]
    if permission == "leave be":
        return tuple(missing)
    missing += [*_quiet(log, limits), *_overfed(log, limits), *_judged(log)]
    if permission == "first animals":
        missing += proof_of_work(log, limits)
    else:
        missing += _last_addition(log, limits)
    return tuple(missing)


def _out_of_order(record: Record) -> list[Missing]:
    log = record.log
    urgent = [c for c in record.cautions if c.level == "urgent"]
    out = [Missing("caution", c.title, "See to this first.") for c in urgent]
    for name in RANGED:
        found, analyte = log.latest_reading(name, STANDING_DAYS), log.catalogue.analytes[name]
        usual = analyte.range
        if found is not None and not usual.is_usual(found[1].best):
            why = (
                f"{analyte.label} read {found[1].best:.3g} on {found[0]}, outside "
                f"{usual.usual_low:g} to {usual.usual_high:g}"
            )
            out.append(Missing("caution", why, "Bring it back slowly, and measure again."))
    return out


def _alarm(record: Record) -> list[Missing]:
    if not record.alarm:
        return []
    why = "A check-in of the last two weeks does not fit what came before it"
    do = "Look again and measure before anything else; two weeks without a surprise settle it."
    return [Missing("alarm", why, do)]


def _refused(record: Record, limits: Limits, permission: Permission) -> list[Missing]:
    """Rows that could not be read, as far as they may hold what speaks against it."""
    log = record.log
    days = UNREAD_DAYS if permission == "leave be" else STANDING_DAYS
    for problem, date in _unread(log, record.problems):
        if date is not None and log.days_since(date) > days:
            # An event of any age may have been livestock, so that these would not be the first
            # animals; and a check-in the last reading of all, and a bad one.
            livestock = permission == "first animals" and problem.table == "events"
            reading = permission == "leave be" and problem.table == "checkins"
            settled = read_since(log, date, limits["after_high_days"], *POISONS)
            if not livestock and not (reading and not settled):
                continue
        why = f"A part of the log could not be read: {problem.place}"
        return [Missing("refused row", why, "Mend it in the log.")]
    return []


def _unread(log: TankLog, problems: Iterable[Problem]) -> Iterator[tuple[Problem, dt.date | None]]:
    """What could not be read and may speak against a permission, with its day if known."""
    for problem in problems:
        if not problem.may_hide_something:
            continue
        # A date that is itself at fault (before the start, after today) says nothing.
        date = None if problem.column == "date" else problem.date
        # Others are of another tank, or later than the day that is asked about.
        if date is None or log.tank.started <= date <= log.as_of:
            yield problem, date


def refused_row_caution(log: TankLog, problems: Iterable[Problem]) -> tuple[Caution, ...]:
    """Return the caution that stands in the place of a recent row that could not be read."""
    for problem, date in _unread(log, problems):
        if date is None or log.days_since(date) <= STANDING_DAYS:
            text = (
                f"{problem.place}: {problem.what}; {problem.mend}. It may hold a crash or a high "
                "reading, so no permission is given until it is mended."
            )
            return (Caution("care", "A part of the log could not be read", text, PRACTICE),)
    return ()


def _look(log: TankLog, limits: Limits) -> list[Missing]:
    """Whether signs were looked for lately; measuring ends a silence but is no look."""
    last = next((c.date for c in reversed(log.checkins) if c.signs), None)
    if last is not None and log.days_since(last) <= limits["look_days"]:
        return []
    why = f"Signs were last looked for on {last}"
    if last is None:
        why = "Nobody has looked for signs yet" if log.checkins else "Nobody has looked yet"
    return [Missing("look", why, "Look at the tank, and log what you see.")]


def _readings(log: TankLog, limits: Limits) -> list[Missing]:
    ammonia, nitrite = (log.latest_reading(name, limits["reading_days"]) for name in POISONS)
    if ammonia is None and nitrite is None:
        why = "Neither ammonia nor nitrite was measured in the last week"
        return [Missing("both readings", why, "Measure ammonia and nitrite, then ask again.")]
    out = []
    for name, found in zip(POISONS, (ammonia, nitrite), strict=True):
        if found is None:
            why = f"{name.capitalize()} was not measured in the last week"
            out.append(Missing(name, why, f"Measure {name}, and log it."))
    if ammonia is not None:
        out += _ammonia(log, limits, *ammonia)
    if nitrite is not None and at_most(nitrite[1]) > low_step(nitrite[1], limits):
        date, reading = nitrite
        if reading.low <= 0:
            out.append(_too_coarse("nitrite", date, reading))
        else:
            why = f"Nitrite read {reading.text} on {date}: the cycle is not finished"
            out.append(Missing("nitrite", why, "Wait until it reads lowest, and measure again."))
    return out


def _too_coarse(name: Poison, date: dt.date, reading: Reading) -> Missing:
    why = f"{name.capitalize()} read {reading.text} on {date}, and this kit cannot show less"
    return Missing(name, why, FINER_KIT)


def _ammonia(log: TankLog, limits: Limits, date: dt.date, reading: Reading) -> list[Missing]:
    if highest_unionised(log, limits, reading.high) < CHRONIC_MG_L:
        return []
    if reading.low <= 0:
        return [_too_coarse("ammonia", date, reading)]
    do = "Wait until it reads lower, and measure again."
    # What reads as zero reaches half-way to the chart's first step.
    if highest_unionised(log, limits, reading.first_step / 2) >= CHRONIC_MG_L:
        do += f" This kit cannot show it low enough. {FINER_KIT}"
    why = f"Ammonia read {reading.text} on {date}, which may harm animals"
    return [Missing("ammonia", why, do)]


def _fell_at_once(log: TankLog, limits: Limits) -> list[Missing]:
    """High readings with no low one long enough after: eight mg/L do not go overnight."""
    out, days = [], limits["after_high_days"]
    for name in POISONS:
        high = [c for c in log.checkins if name in c.readings]
        newest = high[-1].date if high else None
        high = [c for c in high if is_high(log, limits, name, c.readings[name])]
        # A newest reading that is high speaks for itself.
        if not high or high[-1].date == newest:
            continue
        date, reading = high[-1].date, high[-1].readings[name]
        if not read_since(log, date, days, name):
            why = f"{name.capitalize()} read {reading.text} on {date}, and low too soon after it"
            do = f"Measure {name} again, {days:g} days or more after that reading."
            out.append(Missing("fell at once", why, f"{do} If it fell overnight, check the kit."))
    return out


def _judged(log: TankLog) -> list[Missing]:
    """Whether the keeper, when last asked, took the tank to be in the first phase."""
    last = next((c for c in reversed(log.checkins) if c.judged_phase), None)
    phase = next(iter(log.catalogue.phases.values()))
    if last is None or last.judged_phase != phase.name or log.days_since(last.date) > STANDING_DAYS:
        return []
    why = f"You judged the tank to be in {phase.label.lower()} on {last.date}"
    return [Missing("judged", why, "If you see it otherwise now, log the phase that you judge.")]


def _quiet(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event(*UNSETTLING)
    if event is None or log.days_since(event.date) >= limits["quiet_days"]:
        return []
    label = log.catalogue.events[event.kind].label
    until = event.date + dt.timedelta(days=limits["quiet_days"])
    return [Missing("quiet", f"{label} on {event.date}", f"Wait until {until}.")]


def _overfed(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event("overfeeding")
    if event is None or read_since(log, event.date, limits["after_overfeeding_days"], "ammonia"):
        return []
    days = limits["after_overfeeding_days"]
    why = f"Overfed on {event.date}, and ammonia not measured {days:g} days or more after it"
    return [Missing("after overfeeding", why, "Measure ammonia, and log it.")]


def _last_addition(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event("livestock_added")
    if event is None:
        return []
    out = []
    if log.days_since(event.date) < limits["after_addition_days"]:
        until = event.date + dt.timedelta(days=limits["after_addition_days"])
        why = f"The last addition was on {event.date}"
        out.append(Missing("last addition", why, f"Wait until {until}."))
    days = limits["reading_after_addition_days"]
    if not read_since(log, event.date, days, "ammonia", "nitrite"):
        why = f"Not measured since the addition of {event.date} settled"
        do = f"Measure ammonia and nitrite {days:g} days or more after it."
        out.append(Missing("after addition", why, do))
    return out


def _must_be_measured(log: TankLog, limits: Limits) -> bool:
    if log.days_since(log.tank.started) < 7 * limits["settled_weeks"]:
        return True
    event = log.last_event(*_MEASURE_AFTER)
    if event is not None and log.days_since(event.date) < limits["unsettled_days"]:
        return True
    # The last that is known of it was bad, however long ago.
    ammonia, nitrite = log.latest_reading("ammonia"), log.latest_reading("nitrite")
    return bool(
        (ammonia and highest_unionised(log, limits, ammonia[1].high) > CHRONIC_MG_L)
        or (nitrite and at_most(nitrite[1]) > low_step(nitrite[1], limits))
    )


def relevant_problems(problems: Iterable[Problem], tank: str) -> tuple[Problem, ...]:
    """Problems of a log that concern this tank, or that may concern any."""
    return tuple(p for p in problems if p.tank is None or p.tank == tank)
