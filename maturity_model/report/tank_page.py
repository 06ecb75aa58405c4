"""The page of one tank: the answer first, then what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from maturity_model.report.history_figure import history_figure, swatch
from maturity_model.report.html import esc, page, section, unordered
from maturity_model.report.reading_figure import reading_figures, unit_words
from maturity_model.report.sections import (
    cautions_section,
    general_cautions,
    problems_section,
    provenance_section,
    sure_section,
)
from maturity_model.report.sign_figure import sign_figure
from maturity_model.report.wording import (
    BY_AGE,
    capital,
    conditioning,
    day,
    interval,
    no_risk_words,
    now_words,
    percent,
    plural,
    short_interval,
    short_percent,
    silence_words,
    slips,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue
    from maturity_model.logbook.types import CheckIn, Event

_ROCKS = {"dry": "dry rock", "mixed": "mixed rock", "live": "live rock"}
#: Longer lists of new entries are cut.
_MAX_NEW = 12


def tank_page(tank: TankAssessment, assessment: Assessment, command: str) -> str:
    """Build the page of one tank."""
    catalogue = assessment.catalogue
    labels = phase_labels(assessment)
    as_of = assessment.provenance.as_of
    grid, css = sign_figure(tank, catalogue)
    urgent = "".join(
        f'<p class="urgent"><b>Urgent:</b> {esc(c.title)}. <a href="#cautions">What to do</a></p>'
        for c in tank.cautions
        if c.level == "urgent"
    )
    silence = silence_words(tank.reach)
    header = (
        '<nav aria-label="Report"><a href="./index.html">All tanks</a></nav>'
        f"<h1><bdi>{esc(tank.tank.name, 120)}</bdi></h1>"
        f"{f'<p><b>{silence}.</b></p>' if silence else ''}"
        f"<p>{day(as_of)}, week {int(tank.weeks[-1])}</p>{urgent}"
    )
    questions = tank.questions
    banner = line = first = second = ""
    if questions is not None:
        # Loaded only where they are needed.
        from maturity_model.report.question_page import question_parts
        from maturity_model.report.style import QUESTIONS_CSS

        banner, line, first, second = question_parts(tank, assessment, questions, labels)
        css += QUESTIONS_CSS
    course = (
        section("change", "Since last week", _change(tank, catalogue, labels))
        + second
        + section("history", "Phase history", history_figure(tank, catalogue, labels), _slips(tank))
    )
    answer = _now(tank, assessment, labels, line) + first + course
    if tank.reach.never_looked:
        folded = _now(tank, assessment, labels, "") + course
        answer = f"{line}{first}<details><summary>{BY_AGE}</summary>{folded}</details>\n"
    main = (
        section("reach", "What the log reaches", f"<p>{reach_line(tank)}</p>")
        + answer
        + section("signs", "Signs", grid)
        + section("readings", "Readings", reading_figures(tank, catalogue))
        + problems_section(tank.problems)
        + cautions_section(tank.cautions)
        + sure_section(tank, assessment, labels)
        + provenance_section(assessment.provenance, command)
    )
    title = f"{tank.tank.name[:120]}: phase on {day(as_of)}"
    return page(title, header + banner, main, general_cautions(), css)


def phase_labels(assessment: Assessment) -> tuple[str, ...]:
    """Labels of the phases, in order."""
    known = assessment.catalogue.phases
    return tuple(known[p].label if p in known else capital(p) for p in assessment.phases)


def reach_line(tank: TankAssessment) -> str:
    """What the log reaches and how much was checked, in a line or two."""
    reach = tank.reach
    rock = _ROCKS.get(tank.tank.rock or "", "rock not logged")
    again = " again" if tank.tank.earlier_start else ""
    start = f"Started{again} on {day(tank.tank.started)} ({rock})"
    if reach.last_checkin is None:
        return f"{start}. No check-in: what follows rests on age, rock and logged events alone."
    last = day(reach.last_checkin, seen_from=tank.dates[-1])
    return (
        f"{start}. A check-in in {reach.weeks_with_checkin} of {plural(reach.weeks, 'week')}, the "
        f"last on {last}. "
        f"{capital(percent(reach.share_signs_checked))} of the signs answered, "
        f"{plural(reach.readings, 'reading')}."
    )


def _now(tank: TankAssessment, assessment: Assessment, labels: Sequence[str], line: str) -> str:
    k = tank.present
    low, high = float(tank.now_low[k]), float(tank.now_high[k])
    head, frequency = now_words(tank, labels)
    risk = '<p class="risk">Slipping back (no events, husbandry as now):</p>' + unordered(
        (f"<b>within {h} weeks</b> {words}" for h, words in slips(tank)), "slip"
    )
    if why := no_risk_words(tank, labels[0]):
        risk = f'<p class="risk">{esc(why)}.</p>'
    return section(
        "now",
        "Phase now",
        f'<p class="answer"><strong>{esc(head)}</strong>, {esc(frequency)}.</p>',
        risk,
        line,
        _bars(tank, labels),
        f'<p class="given">{capital(esc(conditioning(assessment.provenance)))}. Nine in ten of its '
        f"draws: {interval(low, high)}.</p>",
    )


def _bars(tank: TankAssessment, labels: Sequence[str]) -> str:
    now, k = tank.filtered[-1], tank.present
    before = tank.filtered[-2] if len(tank.weeks) > 1 else None
    # The end of the week before, which may be less than seven days ago.
    then = "" if before is None else day(tank.dates[-2], seen_from=tank.dates[-1])
    rows = []
    for i, label in enumerate(labels):
        p = float(now[i])
        ends = short_interval(float(tank.now_low[i]), float(tank.now_high[i]))
        last = "" if before is None else f"{short_percent(float(before[i]))} %"
        rows.append(
            f'<tr{" class=now" if i == k else ""}><th scope="row">{swatch(i)} {esc(label)}</th>'
            '<td class="bar"><svg width="100%" height="12" aria-hidden="true">'
            f'<rect class="f{i % 4}" width="{100 * p:.1f}%" height="12"/>'
            f'<line class="frame" y2="12"/></svg></td><td>{short_percent(p)} %</td>'
            f'<td class="range">{ends}</td><td>{last}</td></tr>'
        )
    return (
        '<table class="bars"><caption class="away">Probability of each phase now, its range, '
        f'and on {then or "no day before"}</caption><thead><tr><th scope="col">Phase</th>'
        '<th scope="col" class="bar"><span class="away">Picture</span></th><th scope="col">now</th>'
        '<th scope="col" class="range">range</th>'
        f'<th scope="col" class="then">{then}</th></tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def change_line(tank: TankAssessment, labels: Sequence[str]) -> str:
    """How the phase's probabilities moved since the end of last week."""
    if len(tank.weeks) < 2:
        return "This is the first week."
    now, before = tank.filtered[-1], tank.filtered[-2]
    gain = now - before
    up, down = int(np.argmax(gain)), int(np.argmin(gain))
    k = tank.present
    points = _points(float(now[k]), float(before[k]))
    direction = "up" if points > 0 else "down"
    moved = abs(points)
    said = f"{labels[k]} " + (
        f"{direction} {plural(moved, 'point')}, from {percent(float(before[k]))} to "
        f"{percent(float(now[k]))}"
        if moved
        else f"unchanged at {percent(float(now[k]))}"
    )
    if round(100 * float(gain[up])) >= 1:
        course = "forward" if up > down else "back"
        said += f"; weight moved {course}, from {labels[down].lower()} to {labels[up].lower()}"
    was = int(np.argmax(before))
    if was != k:
        then = day(tank.dates[-2], seen_from=tank.dates[-1])
        said += f". On {then} {labels[was].lower()} came first"
    return said + "."


def _points(now: float, before: float) -> int:
    """Change in percentage points, in step with the two numbers as they are shown."""
    if min(now, before) >= 0.01 and max(now, before) <= 0.99:
        return int(100 * now + 0.5) - int(100 * before + 0.5)
    return round(100 * (now - before))


def _change(tank: TankAssessment, catalogue: Catalogue, labels: Sequence[str]) -> str:
    first_week = len(tank.weeks) < 2
    since = tank.tank.started if first_week else tank.dates[-2]
    fresh = [c for c in tank.checkins if first_week or c.date > since]
    events = [e for e in tank.events if first_week or e.date > since]
    items = [esc(change_line(tank, labels))]
    items += _turns(tank, fresh, catalogue)
    items += [_checkin_words(c, catalogue) for c in fresh[-_MAX_NEW:]]
    items += [_event_words(e, catalogue) for e in events[-_MAX_NEW:]]
    if not fresh and not events:
        items.append("Nothing new was logged.")
    left = max(0, len(fresh) - _MAX_NEW) + max(0, len(events) - _MAX_NEW)
    if left:
        items.append(f"And {plural(left, 'earlier entry', 'earlier entries')}.")
    return f'<p class="small soft">Log entries after {day(since)}.</p>' + unordered(items)


def _turns(tank: TankAssessment, fresh: Sequence[CheckIn], catalogue: Catalogue) -> list[str]:
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

    def names(signs: Sequence[str]) -> str:
        known = catalogue.signs
        return esc(", ".join(known[s].label.lower() if s in known else s for s in signs))

    first = [s for s, seen in now.items() if seen and s not in ever]
    gone = [s for s, seen in now.items() if not seen and last.get(s)]
    out = []
    if first and ever:
        out.append(f"<b>Seen for the first time:</b> {names(first)}.")
    if gone:
        out.append(f"<b>Seen last time, not this time:</b> {names(gone)}.")
    return out


def _checkin_words(checkin: CheckIn, catalogue: Catalogue) -> str:
    seen = sum(checkin.signs.values())
    missed = len(checkin.signs) - seen
    parts = [f"{plural(seen, 'sign')} seen, {missed} looked for and not seen"]
    for name, reading in checkin.readings.items():
        analyte = catalogue.analytes.get(name)
        label = analyte.label if analyte else name
        parts.append(f"{esc(label)} {esc(reading.text, 30)} {unit_words(reading.unit)}".rstrip())
    by = f" by {esc(checkin.observer, 60)}" if checkin.observer else ""
    note = f" “{esc(checkin.note, 200)}”" if checkin.note else ""
    return f"Check-in {day(checkin.date)}{by}: {'; '.join(parts)}.{note}"


def _event_words(event: Event, catalogue: Catalogue) -> str:
    kind = catalogue.events.get(event.kind)
    label = kind.label if kind else event.kind
    amount = ""
    if event.amount is not None:
        unit = f" {kind.unit}" if kind and kind.unit else ""
        amount = f", {event.amount:g}{unit}"
    note = f" “{esc(event.note, 200)}”" if event.note else ""
    return f"{esc(label)} {day(event.date)}{esc(amount)}.{note}"


def _slips(tank: TankAssessment) -> str:
    """The weeks in which, looking back, the tank may have slipped."""
    slipped = [
        (int(w), float(p)) for w, p in zip(tank.weeks, tank.slipped, strict=True) if p >= 0.33
    ]
    if not slipped:
        return ""
    said = ", ".join(f"week {w} ({percent(p)})" for w, p in slipped[-12:])
    return f'<p class="small">Looking back, it may have slipped in: {said}.</p>'
