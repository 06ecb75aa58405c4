"""The questions' part of a tank's page and of its card on the page of all tanks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.report.html import esc
from maturity_model.report.outlook_sections import if_section, lag_section, mature_section
from maturity_model.report.question_sections import (
    alarm_banner,
    did_section,
    do_section,
    look_section,
    now_line,
    surprises_section,
    why_section,
)
from maturity_model.report.question_words import action_line, alarm_title
from maturity_model.report.wording import day, weeks_words, worded

if TYPE_CHECKING:
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.types import Assessment, TankAssessment


class Parts(NamedTuple):
    """HTML for the places of a tank's page.

    Attributes
    ----------
    banner : str
        For the top of the page: an alarm, or nothing.
    line : str
        For the box with the phase: what to do now.
    first, second : str
        Sections after that box, and after what changed.
    """

    banner: str
    line: str
    first: str
    second: str


def question_parts(
    tank: TankAssessment, assessment: Assessment, questions: Questions, labels: Sequence[str]
) -> Parts:
    """Everything on a tank's page that rests on its questions."""
    outlook = [
        if_section(tank, assessment, questions),
        mature_section(questions, labels, assessment),
    ]
    if not questions.everything or questions.sojourn is None:
        return Parts("", "", "", f'<div class="asked">{"".join(outlook)}</div>')
    first = [
        do_section(tank, assessment, questions.decisions),
        surprises_section(tank, assessment, questions),
    ]
    if questions.surprises and questions.surprises.alarm:
        first.reverse()
    second = [
        why_section(assessment, questions, labels),
        *outlook,
        lag_section(assessment, questions.sojourn, labels),
        did_section(tank, assessment, questions),
    ]
    # What follows is folded away for a tank that nobody has looked at; where to look is not.
    (first if tank.reach.never_looked else second).append(look_section(tank, assessment, questions))
    return Parts(
        alarm_banner(tank, assessment),
        now_line(tank, questions),
        "".join(first),
        f'<div class="asked">{"".join(second)}</div>',
    )


def card_alarm(tank: TankAssessment, questions: Questions) -> str:
    """The alarm for a tank's card, or nothing."""
    said = questions.surprises
    if said is None or not said.alarm:
        return ""
    date = day(said.items[0].what.date, seen_from=tank.dates[-1])
    kind = "urgent" if said.alarm == "something is wrong" else "caution"
    return f'<p class="{kind} alarm"><b>{alarm_title(tank)}</b> (check-in of {date}).</p>'


def card_action(questions: Questions) -> str:
    """What to do, for a tank's card."""
    if not questions.everything:
        return ""
    return f'<p class="small">What now: {esc(action_line(questions.decisions))}</p>'


def card_outlook(questions: Questions, labels: Sequence[str]) -> str:
    """Whether it lags, and how long it takes, for a tank's card."""
    waiting = questions.first_passages[0]
    last = esc(labels[-1])
    if waiting.median == 0:
        time = f"{last} now: {worded(*waiting.already).frequency}"
    else:
        time = f"{last}: half of such tanks within {weeks_words(waiting.median)}"
        if waiting.median is None:
            time = f"{last}: more likely than not {weeks_words(None)}"
    if questions.sojourn is not None:
        lag = worded(*questions.sojourn.lagging)
        time += f". Lagging: {lag.word}, {lag.number}, {lag.frequency}"
    return f'<p class="small">{time}.</p>'


def summary_line(tank: TankAssessment, questions: Questions) -> str:
    """Alarm and what to do first, in a line of plain text, or nothing."""
    if not questions.everything:
        return ""
    title = alarm_title(tank).upper()
    alarm = f"{title}. " if title else ""
    return f"{alarm}What now: {action_line(questions.decisions)}"
