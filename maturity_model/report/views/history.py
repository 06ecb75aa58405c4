"""A tank's life as ribbons: height is the phase, thickness the chance."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from maturity_model.report import svg
from maturity_model.report.views.calendar import Calendar
from maturity_model.report.views.labels import event_label
from maturity_model.report.wording import date_words, month_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Catalogue

#: A thinner ribbon is not drawn.
_LEAST = 0.02
#: How much of its lane a ribbon fills where the phase is certain.
_FULL = 0.92
#: Days without a look after which the strip fades.
_PALE_DAYS = 7
#: Mark of each kind of event that can set a tank back.
SETBACKS = {
    "overfeeding": "fed",
    "sand_disturbed": "sand",
    "deep_clean": "sand",
    "medication": "sand",
    "crash": "crash",
}
#: Marks on a tank's own page.
MARKS = SETBACKS | {"livestock_added": "add"}


def history(tank: TankAssessment, calendar: Calendar, look: str, lane: float) -> svg.Figure:
    """Draw the smoothed phases of a tank on a calendar, the last on top, ``lane`` pixels each."""
    phases = len(tank.phases)
    height, width = lane * phases, calendar.width
    start = max(calendar.x(tank.tank.started) - 0.5 / 7, 0.0)
    paths = [
        svg.Path("g", svg.line((start if k < phases else 0.0, lane * k), (width, lane * k)))
        for k in range(phases + 1)
    ]
    if tank.reach.never_looked:
        return svg.Figure(look, f"No history of {tank.tank.name} yet.", width, height, tuple(paths))
    if ties := _ties(tank, calendar, lane):
        paths.append(svg.Path("tie", ties))
    ribbons = ((k, _ribbon(tank, calendar, k, lane)) for k in range(phases))
    paths += [svg.Path(f"p{k}", ribbon) for k, ribbon in ribbons if ribbon]
    last = tank.reach.last_look
    if last is not None and (calendar.last - last).days > _PALE_DAYS:
        since = max(calendar.x(last) + 0.5 / 7, 0.0)
        paths.append(svg.Path("veil", svg.box(since, 0, width - since, height)))
    if cuts := crash_lines(tank, calendar, height):
        paths.append(svg.Path("cut", cuts))
    return svg.Figure(look, history_words(tank, calendar), width, height, tuple(paths))


def crash_lines(tank: TankAssessment, calendar: Calendar, height: float) -> str:
    """Path data of an upright line at each crash."""
    days = (e.date for e in tank.events if e.kind == "crash" and calendar.holds(e.date))
    return "".join(svg.line((calendar.x(d), 0), (calendar.x(d), height)) for d in days)


def event_marks(
    tank: TankAssessment, calendar: Calendar, kinds: dict[str, str]
) -> tuple[svg.Mark, ...]:
    """Marks under the history, one for each event of these kinds."""
    return tuple(
        svg.Mark(kinds[e.kind], calendar.percent(e.date), 6)
        for e in tank.events
        if e.kind in kinds and calendar.holds(e.date)
    )


def _weeks(tank: TankAssessment, calendar: Calendar) -> Iterator[tuple[int, float]]:
    """Week numbers that lie on the calendar, each with the middle of its week."""
    for t in range(len(tank.weeks)):
        start = tank.tank.started + dt.timedelta(weeks=t)
        if tank.dates[t] >= calendar.first:
            yield t, max(calendar.x(start) + 3 / 7, 0.0)


def _ribbon(tank: TankAssessment, calendar: Calendar, k: int, lane: float) -> str:
    """Path data of a phase's ribbon: one area for each time in which it had a chance."""
    middle = lane * (len(tank.phases) - 1 - k) + lane / 2
    width = calendar.width
    weeks = list(_weeks(tank, calendar))
    points = _steps(tank, calendar, [(x, float(tank.smoothed[t, k])) for t, x in weeks])
    # The first week reaches back to the start, the last one ends today.
    points.insert(0, (max(weeks[0][1] - 0.5, 0.0), points[0][1]))
    points[-1] = (min(points[-1][0], width), points[-1][1])
    points.append((width, points[-1][1]))
    out: list[str] = []
    run: list[svg.Point] = []
    for at, (x, p) in enumerate(points):
        if p >= _LEAST:
            if not run and at:
                run.append((points[at - 1][0], 0.0))
            run.append((x, p))
            continue
        if run:
            out.append(_area([*run, (x, 0.0)], middle, lane))
        run = []
    if run:
        out.append(_area(run, middle, lane))
    return "".join(out)


def _steps(tank: TankAssessment, calendar: Calendar, points: list[svg.Point]) -> list[svg.Point]:
    """Points of a ribbon, with an upright step at a crash in place of a slope about it."""
    crashes = [calendar.x(e.date) for e in tank.events if e.kind == "crash"]
    out: list[svg.Point] = []
    for at, (x, p) in enumerate(points):
        # A point stands for its week, half a week on either side.
        inside = [c for c in crashes if x - 0.5 < c <= x + 0.5]
        if inside and at:
            out.append((inside[0] - 0.01, points[at - 1][1]))
            x = max(x, inside[0] + 0.01)
            out.append((inside[0] + 0.01, p))
        out.append((x, p))
    return out


def _area(run: list[svg.Point], middle: float, lane: float) -> str:
    half = _FULL * lane / 2
    upper = [(x, middle - half * p) for x, p in run]
    lower = [(x, middle + half * p) for x, p in reversed(run)]
    return svg.area([*upper, *lower])


def _ties(tank: TankAssessment, calendar: Calendar, lane: float) -> str:
    """Path data of thin upright lines where the likeliest phase changes."""
    best = np.argmax(tank.smoothed, axis=1)
    top = len(tank.phases) - 1
    out, before = [], None
    for t, x in _weeks(tank, calendar):
        if before is not None and best[t] != best[before]:
            ends = (lane * (top - best[before]) + lane / 2, lane * (top - best[t]) + lane / 2)
            at = max(x - 0.5, 0.0)
            out.append(svg.line((at, ends[0]), (at, ends[1])))
        before = t
    return "".join(out)


def history_words(tank: TankAssessment, calendar: Calendar) -> str:
    """The history in a sentence."""
    best = np.argmax(tank.smoothed, axis=1)
    said, before = [], -1
    for t, _ in _weeks(tank, calendar):
        if best[t] != before:
            month = month_words(tank.tank.started + dt.timedelta(weeks=t))
            said.append(f"{tank.phases[best[t]]} from {month}")
        before = best[t]
    crashes = [
        date_words(e.date, calendar.last)
        for e in tank.events
        if e.kind == "crash" and calendar.holds(e.date)
    ]
    crash = f"; a crash on {', '.join(crashes)}" if crashes else ""
    return f"History of {tank.tank.name}: {', then '.join(said)}{crash}."


def event_words(
    tank: TankAssessment, catalogue: Catalogue, calendar: Calendar, kinds: dict[str, str]
) -> str:
    """The events under the history, in a sentence."""
    said = [
        f"{event_label(e.kind, catalogue)} {date_words(e.date, calendar.last)}"
        for e in tank.events
        if e.kind in kinds and calendar.holds(e.date)
    ]
    return f"Events: {'; '.join(said)}." if said else ""
