"""The page of one tank: the answer and what to do, the evidence, the rest one tap away."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.report import svg
from maturity_model.report.plain_text import cut
from maturity_model.report.views.actions import Line, lines_of, urgent_words
from maturity_model.report.views.answer import (
    Answer,
    Direction,
    Look,
    Slip,
    answer_of,
    direction_of,
    look_of,
    meter,
    slip_of,
    span_words,
)
from maturity_model.report.views.calendar import Calendar, Tick
from maturity_model.report.views.entries import new_entries
from maturity_model.report.views.evidence import Row, reading_rows, sign_rows
from maturity_model.report.views.folds import (
    If,
    NextLook,
    Waiting,
    Why,
    did_of,
    ifs_of,
    impossible_of,
    looks_of,
    waiting_of,
    why_of,
)
from maturity_model.report.views.history import (
    MARKS,
    event_marks,
    event_words,
    history,
)
from maturity_model.report.views.labels import event_label
from maturity_model.report.views.problems import (
    ALWAYS,
    ProblemLine,
    Safety,
    cautions_of,
    problem_lines,
)
from maturity_model.report.views.provenance import Pair, foot_words
from maturity_model.report.views.researchers import researcher_pairs, researcher_tables
from maturity_model.report.views.tables import Table
from maturity_model.report.wording import date_words, day, percent, phase_labels

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue

#: The time axis of a page reaches back this far, so that strokes do not merge on a phone.
MAX_WEEKS = 52
_LANE = 30.0
#: Problems that a tank's page lists; the page of all tanks lists every one.
MAX_PROBLEMS = 60


@dataclass(frozen=True)
class Lane:
    """A phase beside its lane: its index, its name, its chance now as a bar."""

    phase: int
    label: str
    here: bool
    now: svg.Figure | None


@dataclass(frozen=True)
class TankView:
    """Everything on a tank's page."""

    title: str
    name: str
    date: str
    urgent: tuple[str, ...]
    answer: Answer
    way: Direction
    slip: Slip
    look: Look
    lines: tuple[Line, ...]
    lanes: tuple[Lane, ...]
    ticks: tuple[Tick, ...]
    history: svg.Figure
    whole: svg.Figure | None
    events: svg.Figure | None
    event_key: tuple[tuple[svg.Figure, str], ...]
    signs: tuple[Row, ...]
    readings: tuple[Row, ...]
    why: Why | None
    ifs: tuple[If, ...]
    impossible: tuple[str, ...]
    at_start: bool
    waiting: Waiting | None
    did: tuple[str, ...]
    looks: tuple[NextLook, ...]
    entries: tuple[str, ...]
    problems: tuple[ProblemLine, ...]
    problems_left: int
    problems_of_log: int
    cautions: tuple[Safety, ...]
    safety: tuple[Safety, ...]
    pairs: tuple[Pair, ...]
    tables: tuple[Table, ...]
    notes: tuple[str, ...]
    foot: str


def tank_view(tank: TankAssessment, assessment: Assessment, command: str) -> TankView:
    """What the page of a tank shows."""
    as_of, catalogue = assessment.provenance.as_of, assessment.catalogue
    labels = phase_labels(assessment)
    since = max(tank.tank.started, as_of - dt.timedelta(weeks=MAX_WEEKS))
    calendar, life = Calendar(since, as_of), Calendar(tank.tank.started, as_of)
    look = look_of(tank, as_of)
    marks = event_marks(tank, calendar, MARKS)
    said = event_words(tank, catalogue, calendar, MARKS)
    questions, slipped = tank.questions, tank.slipped_before is not None
    own = [p for p in tank.problems if p.tank is not None]
    return TankView(
        title=f"{cut(tank.tank.name, 120)} on {day(as_of)}",
        name=cut(tank.tank.name, 120),
        date=day(as_of),
        urgent=tuple(urgent_words(c, as_of) for c in tank.cautions if c.level == "urgent"),
        answer=answer_of(tank, labels),
        way=direction_of(tank, as_of),
        slip=slip_of(tank),
        look=look,
        lines=lines_of(tank, assessment, look),
        lanes=_lanes(tank, labels),
        ticks=calendar.ticks(),
        history=history(tank, calendar, "big", _LANE),
        whole=history(tank, life, "strip", _LANE / 2) if life.first < calendar.first else None,
        events=svg.Figure("ev", said, 1, 1, marks=marks) if marks else None,
        event_key=_event_key(tank, catalogue, calendar),
        signs=sign_rows(tank, catalogue, calendar),
        readings=reading_rows(tank, catalogue, calendar),
        why=why_of(questions, assessment, labels) if questions else None,
        ifs=ifs_of(questions, assessment, slipped=slipped) if questions else (),
        impossible=impossible_of(questions, assessment) if questions else (),
        at_start=tank.at_start,
        waiting=waiting_of(questions, labels) if questions else None,
        did=did_of(tank, assessment),
        looks=looks_of(questions, assessment) if questions else (),
        entries=new_entries(tank, assessment),
        problems=problem_lines(own[:MAX_PROBLEMS]),
        problems_left=max(len(own) - MAX_PROBLEMS, 0),
        problems_of_log=len(tank.problems) - len(own),
        cautions=cautions_of(tank.cautions, as_of),
        safety=ALWAYS,
        pairs=researcher_pairs(tank, assessment, labels, command),
        tables=researcher_tables(tank, assessment, labels),
        notes=tuple(cut(note, 600) for note in tank.notes),
        foot=foot_words(assessment.provenance),
    )


def _lanes(tank: TankAssessment, labels: tuple[str, ...]) -> tuple[Lane, ...]:
    """Lanes from the last phase down, each with its chance now."""
    out = []
    for k in range(len(labels) - 1, -1, -1):
        p = float(tank.filtered[-1, k])
        low, high = float(tank.now_low[k]), float(tank.now_high[k])
        said = f"{labels[k]} now {percent(p)}, likely range {span_words(low, high)}"
        bar = None if tank.reach.never_looked else meter(said, p, low, high, f"p{k}")
        here = k == tank.present and not tank.reach.never_looked
        out.append(Lane(k, labels[k], here, bar))
    return tuple(out)


def _event_key(
    tank: TankAssessment, catalogue: Catalogue, calendar: Calendar
) -> tuple[tuple[svg.Figure, str], ...]:
    """What the marks under the history mean, crashes with their dates."""
    kinds = [e.kind for e in tank.events if e.kind in MARKS and calendar.holds(e.date)]
    out = []
    for kind in dict.fromkeys(kinds):
        words = event_label(kind, catalogue)
        if kind == "crash":
            crashes = [e.date for e in tank.events if e.kind == "crash" and calendar.holds(e.date)]
            words += f" {date_words(crashes[-1], calendar.last)}"
        out.append((svg.Figure("mark", "", 1, 1, marks=(svg.Mark(MARKS[kind], 0, 6),)), words))
    return tuple(out)
