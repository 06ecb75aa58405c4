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
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from maturity_model.assessment.ammonia import NBS_DOUBT, Span, unionised_span
from maturity_model.assessment.ammonia_now import (
    CHRONIC_MG_L,
    STANDING_DAYS,
    TankLog,
)
from maturity_model.assessment.cautions import PRACTICE, RANGED, UNREAD_DAYS, Caution
from maturity_model.catalogue import load_permissions
from maturity_model.logbook import Problem, Reading

Limits = Mapping[str, float]
Permission = Literal["first animals", "next animals", "leave be"]
PERMISSIONS: tuple[Permission, ...] = ("first animals", "next animals", "leave be")
#: Events after which no permission is given for some weeks.
UNSETTLING = ("crash", "deep_clean", "medication", "sand_disturbed")
#: Events after which even a settled tank must be measured before it is left alone.
_MEASURE_AFTER = ("crash", "livestock_added", "medication")
_POISONS = ("ammonia", "nitrite")
FINER_KIT = "A finer kit can tell."
NOTHING_FED = "Zero may only mean that nothing has been fed to the filter yet."

Need = Literal[
    "ammonia", "nitrite", "both readings", "look", "caution", "alarm", "refused row", "quiet",
    "after overfeeding", "proof of work", "last addition", "after addition",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Missing:
    """One piece of evidence that a permission lacks.

    Attributes
    ----------
    need : str
        What is missing, in one word or two: see :data:`Need`.
    why : str
        What the log says instead. Plain text that may quote the log: escape it.
    do : str
        What would supply it.
    """

    need: Need
    why: str
    do: str


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
        Whether the last check-in was a surprise (:class:`.surprise.Surprises`).
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
    """List what the log lacks for a permission; empty where nothing is missing.

    Parameters
    ----------
    permission : {'first animals', 'next animals', 'leave be'}

    Returns
    -------
    tuple of Missing
        What matters most comes first.
    """
    log, limits = record.log, load_permissions()
    missing = [*_out_of_order(record), *_refused(record, limits, permission), *_look(log, limits)]
    if permission == "leave be":
        if _must_be_measured(log, limits):
            missing += _readings(log, limits)
        return tuple(missing)
    missing += [*_readings(log, limits), *_quiet(log, limits), *_overfed(log, limits)]
    if permission == "first animals":
        missing += _proof_of_work(log, limits)
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
            out.append(Missing("caution", why, "Bring it back slowly, then ask again."))
    if record.alarm:
        why = "The last check-in does not fit what came before it"
        out.append(Missing("alarm", why, "Look again and measure before anything else."))
    return out


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
            if not livestock and not (reading and not _read_since(log, date, 1, *_POISONS)):
                continue
        why = f"A part of the log could not be read: {problem.place}"
        return [Missing("refused row", why, "Mend it, then ask again.")]
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
    last = next((c.date for c in reversed(log.checkins) if c.signs), None)
    if last is not None and log.days_since(last) <= limits["look_days"]:
        return []
    why = "Nobody has looked yet" if last is None else f"The last look was on {last}"
    return [Missing("look", why, "Look at the tank and log what you see, then ask again.")]


def _readings(log: TankLog, limits: Limits) -> list[Missing]:
    ammonia = log.latest_reading("ammonia", limits["reading_days"])
    nitrite = log.latest_reading("nitrite", limits["reading_days"])
    if ammonia is None and nitrite is None:
        why = "Neither ammonia nor nitrite was measured in the last week"
        return [Missing("both readings", why, "Measure ammonia and nitrite, then ask again.")]
    out = []
    for name, found in (("ammonia", ammonia), ("nitrite", nitrite)):
        if found is None:
            why = f"{name.capitalize()} was not measured in the last week"
            out.append(Missing(name, why, f"Measure {name}, then ask again."))  # type: ignore[arg-type]
    if ammonia is not None:
        out += _ammonia(log, limits, *ammonia)
    if nitrite is not None and _at_most(nitrite[1]) > _low_step(nitrite[1], limits):
        date, reading = nitrite
        if reading.low <= 0:
            out.append(_too_coarse("nitrite", date, reading))
        else:
            why = f"Nitrite read {reading.text} on {date}: the cycle is not finished"
            out.append(Missing("nitrite", why, "Wait until it reads lowest, and measure again."))
    return out


def _too_coarse(name: Literal["ammonia", "nitrite"], date: dt.date, reading: Reading) -> Missing:
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


def highest_unionised(log: TankLog, limits: Limits, total: float) -> float:
    """Un-ionised ammonia at most, mg/L as NH3, for a total in mg/L as NH4.

    pH, temperature and salinity are the upper ends of the latest readings of the last four
    weeks; what was not measured is taken from the cautious side (``assumed_ph`` and so on).
    So is the doubt about the NBS scale (:data:`.ammonia.NBS_DOUBT`).
    """
    water, scale = {}, "nbs"
    for name in ("ph", "temperature", "salinity"):
        found = log.latest_reading(name, STANDING_DAYS)
        if found is None:
            water[name] = Span(*(limits[f"assumed_{name}"],) * 3)
            continue
        reading = found[1]
        water[name] = Span(reading.low, reading.best, reading.high)
        if name == "ph" and "total" in reading.unit.casefold():
            scale = "total"
    if scale == "nbs":
        water["ph"] = water["ph"]._replace(high=water["ph"].high + NBS_DOUBT)
    span = unionised_span(
        Span(total, total, total),
        water["ph"],
        water["temperature"],
        water["salinity"],
        scale,  # type: ignore[arg-type]
    )
    return span.high


def _at_most(reading: Reading) -> float:
    """The most that a reading, as written, admits: ``<x`` is x, ``>x`` is without end."""
    if reading.text.startswith("<"):
        return reading.high
    return float("inf") if reading.text.startswith(">") else reading.best


def _low_step(reading: Reading, limits: Limits) -> float:
    """Return the reading up to which the cycle counts as finished.

    The same for a finer kit: it must not be refused what a coarser one is permitted.
    """
    return max(reading.first_step, limits["first_step"])


def _quiet(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event(*UNSETTLING)
    if event is None or log.days_since(event.date) >= limits["quiet_days"]:
        return []
    label = log.catalogue.events[event.kind].label
    until = event.date + dt.timedelta(days=limits["quiet_days"])
    return [Missing("quiet", f"{label} on {event.date}", f"Wait until {until}.")]


def _overfed(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event("overfeeding")
    if event is None or _read_since(log, event.date, limits["after_overfeeding_days"], "ammonia"):
        return []
    days = limits["after_overfeeding_days"]
    why = f"Overfed on {event.date}, and ammonia not measured {days:g} days or more after it"
    return [Missing("after overfeeding", why, "Measure ammonia, then ask again.")]


def _read_since(log: TankLog, date: dt.date, days: float, *analytes: str) -> bool:
    found = [log.latest_reading(name) for name in analytes]
    return all(x is not None and (x[0] - date).days >= days for x in found)


def _proof_of_work(log: TankLog, limits: Limits) -> list[Missing]:
    """Whether the filter was seen at work since the last crash: something was there, and went."""
    crash = log.last_event("crash")
    since = crash.date if crash else log.tank.started
    for name in ("ammonia", "nitrite"):
        newest = log.latest_reading(name)
        if newest is None or _at_most(newest[1]) > _low_step(newest[1], limits):
            continue
        for checkin in log.checkins:
            reading = checkin.readings.get(name)
            high = reading is not None and reading.low > _low_step(reading, limits)
            lies_between = since <= checkin.date < newest[0]
            if high and lies_between and _nitrate_since(log, checkin.date):
                return []
    fed = next((e for e in log.events if e.kind == "overfeeding" and e.date >= since), None)
    if fed is not None and _gone_since(log, fed.date, limits) and _nitrate_since(log, fed.date):
        return []
    return [
        Missing(
            "proof of work",
            NOTHING_FED,
            "Feed the filter, log it, and follow ammonia and nitrite up and down again.",
        )
    ]


def _gone_since(log: TankLog, date: dt.date, limits: Limits) -> bool:
    if not _read_since(log, date, limits["after_overfeeding_days"], *_POISONS):
        return False
    newest = (log.latest_reading("ammonia"), log.latest_reading("nitrite"))
    return all(x and _at_most(x[1]) <= _low_step(x[1], limits) for x in newest)


def _nitrate_since(log: TankLog, date: dt.date) -> bool:
    return any(
        c.date >= date and "nitrate" in c.readings and c.readings["nitrate"].low > 0
        for c in log.checkins
    )


def _last_addition(log: TankLog, limits: Limits) -> list[Missing]:
    event = log.last_event("livestock_added")
    if event is None:
        return []
    out = []
    if log.days_since(event.date) < limits["after_addition_days"]:
        until = event.date + dt.timedelta(days=limits["after_addition_days"])
        out.append(
            Missing(
                "last addition", f"The last addition was on {event.date}", f"Wait until {until}."
            )
        )
    days = limits["reading_after_addition_days"]
    if not _read_since(log, event.date, days, "ammonia", "nitrite"):
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
        or (nitrite and _at_most(nitrite[1]) > _low_step(nitrite[1], limits))
    )


def relevant_problems(problems: Iterable[Problem], tank: str) -> tuple[Problem, ...]:
    """Problems of a log that concern this tank, or that may concern any."""
    return tuple(p for p in problems if p.tank is None or p.tank == tank)
