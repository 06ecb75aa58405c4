"""The page of all tanks: a row each, worst first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.logbook.types import OWN
from maturity_model.report import svg
from maturity_model.report.files import href
from maturity_model.report.plain_text import cut
from maturity_model.report.views.actions import urgent_words
from maturity_model.report.views.brief import Brief, briefs
from maturity_model.report.views.calendar import Calendar, Tick
from maturity_model.report.views.evidence import last_answers
from maturity_model.report.views.history import SETBACKS, event_marks, event_words, history
from maturity_model.report.views.problems import ALWAYS, ProblemLine, Safety, problem_lines
from maturity_model.report.views.provenance import Pair, foot_words, provenance_pairs
from maturity_model.report.views.tables import Table
from maturity_model.report.wording import capital, count_words, day, phase_labels, unused_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment

#: The calendar of the strips reaches back this far at most.
MAX_WEEKS = 156
#: With more tanks than this, those of many keepers stand under their names.
MANY = 12
_LANE = 12.0


@dataclass(frozen=True)
class Row:
    """A tank's row or card: where it leads, its line, its strip, the events under that."""

    link: str
    brief: Brief
    strip: svg.Figure
    events: svg.Figure | None


@dataclass(frozen=True)
class Group:
    """Rows under a heading; the keeper's name, or nothing."""

    keeper: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Urgent:
    """What must be seen to now: whose tank, where it is told in full, and what to do."""

    name: str
    link: str
    text: str


@dataclass(frozen=True)
class IndexView:
    """Everything on the page of all tanks."""

    title: str
    date: str
    summary: str
    unused: str
    phases: tuple[str, ...]
    ticks: tuple[Tick, ...]
    urgent: tuple[Urgent, ...]
    groups: tuple[Group, ...]
    signs: Table | None
    ended: tuple[tuple[str, str], ...]
    refused: tuple[tuple[str, tuple[ProblemLine, ...]], ...]
    problems: tuple[ProblemLine, ...]
    aside: tuple[tuple[str, str], ...]
    account: tuple[tuple[str, int, int, int, int], ...]
    nothing: str
    safety: tuple[Safety, ...]
    provenance: tuple[Pair, ...]
    foot: str


def index_view(assessment: Assessment, names: Mapping[str, str], command: str) -> IndexView:
    """What the page of all tanks shows; ``names`` are files, without extension, by tank name."""
    as_of = assessment.provenance.as_of
    # From the start of the oldest tank, so that a young tank looks young.
    oldest = min((t.tank.started for t in assessment.tanks), default=as_of)
    calendar = Calendar(max(oldest, as_of - dt.timedelta(weeks=MAX_WEEKS)), as_of)
    labels = phase_labels(assessment)
    rows: list[tuple[str, Row]] = []
    urgent: list[Urgent] = []
    ordered = briefs(assessment)
    for tank, brief in ordered:
        link = f"{href(names[tank.tank.name])}.html"
        rows.append((tank.tank.keeper, _row(tank, brief, assessment, link, calendar)))
        urgent += [
            Urgent(brief.name, link, urgent_words(caution, as_of))
            for caution in tank.cautions
            if caution.level == "urgent"
        ]
    return IndexView(
        title=f"Tanks on {day(as_of)}",
        date=day(as_of),
        summary=summary_words([brief for _, brief in ordered], len(assessment.refused_tanks)),
        unused=unused_words(assessment.account),
        phases=tuple(label.lower() for label in labels),
        ticks=calendar.ticks(),
        urgent=tuple(urgent),
        groups=_groups(rows),
        signs=last_answers(assessment, [t for t, _ in ordered]) if len(rows) > 1 else None,
        ended=tuple((cut(t.name, 120), day(t.ended)) for t in assessment.ended if t.ended),
        refused=tuple(
            (cut(name, 120), problem_lines([p for p in assessment.problems if p.tank == name]))
            for name in assessment.refused_tanks
        ),
        problems=problem_lines(assessment.problems, named=True),
        aside=tuple(
            (cut(e.name, 80), cut(e.why, 200))
            for e in assessment.account.entries
            if e.fate == "set aside" and e.why != OWN
        ),
        account=tuple(
            (cut(r.file, 80), r.read, r.used, r.refused, r.set_aside)
            for r in assessment.account.rows
        ),
        nothing=_nothing_words(assessment),
        safety=ALWAYS,
        provenance=provenance_pairs(assessment.provenance, command),
        foot=foot_words(assessment.provenance),
    )


def _groups(rows: list[tuple[str, Row]]) -> tuple[Group, ...]:
    """One list, worst first; that of a club by keeper, whose tank is worst first."""
    keepers = list(dict.fromkeys(keeper for keeper, _ in rows))
    if len(rows) <= MANY or len(keepers) < 2:
        return (Group("", tuple(row for _, row in rows)),) if rows else ()
    return tuple(
        Group(cut(name, 80) or "No keeper named", tuple(row for k, row in rows if k == name))
        for name in keepers
    )


def _nothing_words(assessment: Assessment) -> str:
    """What stands where there is no tank."""
    if assessment.ended and not assessment.refused_tanks:
        return "All tanks of this log have ended."
    return "No tank of this log can be assessed; the problems below say why."


def _row(
    tank: TankAssessment, brief: Brief, assessment: Assessment, link: str, calendar: Calendar
) -> Row:
    marks = event_marks(tank, calendar, SETBACKS)
    said = event_words(tank, assessment.catalogue, calendar, SETBACKS)
    return Row(
        link=link,
        brief=brief,
        strip=history(tank, calendar, "strip", _LANE),
        events=svg.Figure("ev", said, 1, 1, marks=marks) if marks else None,
    )


def summary_words(rows: Sequence[Brief], refused: int) -> str:
    """How many tanks need something: 'Four to see to, two to leave be'."""
    asked = [row for row in rows if row.thing.label]
    see = sum(row.calls for row in asked)
    said = [f"{count_words(see)} to see to"] if see else []
    if be := len(asked) - see:
        said.append(f"{count_words(be)} to leave be")
    if refused:
        said.append(f"{count_words(refused)} that could not be read")
    return capital(", ".join(said))
