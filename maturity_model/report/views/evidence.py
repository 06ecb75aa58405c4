"""Signs and readings on the time axis of the page, each with its last answer."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.report import svg
from maturity_model.report.plain_text import cut
from maturity_model.report.views.calendar import Calendar
from maturity_model.report.views.history import crash_lines
from maturity_model.report.views.labels import unit_label
from maturity_model.report.views.tables import Table
from maturity_model.report.wording import date_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Analyte, Catalogue
    from maturity_model.logbook.types import Reading

#: Days and answers of a sign.
Answers = list[tuple[dt.date, bool]]
#: Days after which the last answer is no longer the present one.
_LATELY = 28
_SIGN_HEIGHT, _READING_HEIGHT, _WATER_HEIGHT = 18.0, 30.0, 16.0


@dataclass(frozen=True)
class Row:
    """One sign or analyte: its name, its unit, its picture, its last answer."""

    label: str
    unit: str
    figure: svg.Figure
    last: str


def sign_rows(tank: TankAssessment, catalogue: Catalogue, calendar: Calendar) -> tuple[Row, ...]:
    """Signs that can be in the tank and that somebody has looked for, or could have."""
    answers = _answers(tank)
    cuts = crash_lines(tank, calendar, _SIGN_HEIGHT)
    return tuple(
        _sign_row(sign.label, answers.get(sign.name, []), calendar, cuts)
        for sign in catalogue.signs.values()
        if tank.tank.can_have(sign.needs)
    )


def _answers(tank: TankAssessment) -> dict[str, Answers]:
    """Answers for each sign that was ever looked for."""
    out: dict[str, Answers] = {}
    for checkin in tank.checkins:
        for sign, seen in checkin.signs.items():
            out.setdefault(sign, []).append((checkin.date, seen))
    return out


def _lately(answers: Answers, as_of: dt.date) -> str:
    """The last answer, if it is still the present one."""
    if not answers or (as_of - answers[-1][0]).days >= _LATELY:
        return "?"
    return "yes" if answers[-1][1] else "no"


def last_answers(assessment: Assessment, tanks: Sequence[TankAssessment]) -> Table:
    """The last answer for each sign in each tank, side by side."""
    as_of = assessment.provenance.as_of
    columns = [(tank, _answers(tank)) for tank in tanks]
    return Table(
        "Last answers by sign and tank. ?: not looked for in four weeks; –: cannot be in that tank",
        ("Sign", *(cut(tank.tank.name, 40) for tank in tanks)),
        tuple(
            (
                cut(sign.label, 80),
                *(
                    _lately(answers.get(sign.name, []), as_of)
                    if tank.tank.can_have(sign.needs)
                    else "–"
                    for tank, answers in columns
                ),
            )
            for sign in assessment.catalogue.signs.values()
        ),
    )


def _sign_row(label: str, answers: Answers, calendar: Calendar, cuts: str) -> Row:
    seen = [d for d, there in answers if there and calendar.holds(d)]
    missed = [d for d, there in answers if not there and calendar.holds(d)]
    paths = [svg.Path("base", svg.line((0, 17), (calendar.width, 17)))]
    paths += [svg.Path("cut", cuts)] if cuts else []
    if missed:
        paths.append(svg.Path("no", "".join(f"M{svg.number(calendar.x(d))} 14h0" for d in missed)))
    if seen:
        strokes = (svg.line((calendar.x(d), 2), (calendar.x(d), 16)) for d in seen)
        paths.append(svg.Path("yes", "".join(strokes)))
    last, said = _lately(answers, calendar.last), f"{label}: never looked for"
    if answers:
        date, there = answers[-1]
        times = sum(found for _, found in answers)
        said = (
            f"{label}: seen {times} of {len(answers)} times looked for; last "
            f"{'seen' if there else 'not seen'}, {date_words(date, calendar.last)}"
        )
    return Row(label, "", svg.Figure("sg", said, calendar.width, _SIGN_HEIGHT, tuple(paths)), last)


def reading_rows(tank: TankAssessment, catalogue: Catalogue, calendar: Calendar) -> tuple[Row, ...]:
    """Water changes, then each analyte that the log holds readings of."""
    rows = [_water_row(tank, calendar)]
    cuts = crash_lines(tank, calendar, _READING_HEIGHT)
    for analyte in catalogue.analytes.values():
        found = [
            (c.date, c.readings[analyte.name]) for c in tank.checkins if analyte.name in c.readings
        ]
        if found:
            rows.append(_reading_row(analyte, found, calendar, cuts))
    return tuple(rows)


def _water_row(tank: TankAssessment, calendar: Calendar) -> Row:
    days = [e.date for e in tank.events if e.kind == "water_change"]
    paths = [svg.Path("base", svg.line((0, 15), (calendar.width, 15)))]
    strokes = [svg.line((calendar.x(d), 3), (calendar.x(d), 13)) for d in days if calendar.holds(d)]
    if strokes:
        paths.append(svg.Path("change", "".join(strokes)))
    last = date_words(days[-1], calendar.last) if days else "none"
    said = f"Water changes: {len(days)}, the last on {last}" if days else "No water change logged"
    figure = svg.Figure("wc", said, calendar.width, _WATER_HEIGHT, tuple(paths))
    return Row("Water changed", "", figure, last)


def _reading_row(
    analyte: Analyte, found: list[tuple[dt.date, Reading]], calendar: Calendar, cuts: str
) -> Row:
    shown = [(d, r) for d, r in found if calendar.holds(d)]
    paths = [svg.Path("base", svg.line((0, 29), (calendar.width, 29)))]
    paths += [svg.Path("cut", cuts)] if cuts else []
    if shown:
        place = _scale(analyte, [r for _, r in shown])
        strokes = (_span(calendar.x(d), r, place) for d, r in shown)
        paths.append(svg.Path("rb", "".join(strokes)))
    date, last = found[-1]
    unit = unit_label(last.unit)
    count = "1 reading" if len(found) == 1 else f"{len(found)} readings"
    said = (
        f"{analyte.label}: {count}; last {last.text} {unit} on {date_words(date, calendar.last)}"
    ).replace("  ", " ")
    figure = svg.Figure("rg", said, calendar.width, _READING_HEIGHT, tuple(paths))
    return Row(analyte.label, unit, figure, last.text[:12])


def _scale(analyte: Analyte, readings: list[Reading]) -> Callable[[float], float]:
    """Height of a value, in the picture's pixels: logarithmic where the model is."""

    def of(value: float) -> float:
        return math.log(max(value, 0.0) + analyte.offset) if analyte.informative else value

    ends = [of(x) for r in readings for x in (r.low, r.best, r.high) if math.isfinite(x)]
    low, high = min(ends), max(ends)

    def place(value: float) -> float:
        if high <= low:
            return _READING_HEIGHT / 2
        return 28 - 25 * (of(value) - low) / (high - low)

    return place


def _span(x: float, reading: Reading, place: Callable[[float], float]) -> str:
    """A stroke over what the kit could not tell apart, to the edge where it knows no end."""
    foot = _READING_HEIGHT if math.isinf(reading.low) else place(reading.low)
    top = 0.0 if math.isinf(reading.high) else place(reading.high)
    return svg.line((x, foot), (x, min(top, foot - 0.5)))
