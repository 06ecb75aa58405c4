"""What is known of one tank now, in words: its phase, its way, whether it slips, the last look."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.assessment.surprise import RECENT_WEEKS
from maturity_model.catalogue import load_course
from maturity_model.report import svg
from maturity_model.report.wording import (
    WAYS,
    Way,
    date_words,
    look_words,
    percent,
    phase_words,
    runner_up,
    whole_percent,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import TankAssessment


@dataclass(frozen=True)
class Answer:
    """The phase now, such as 'Probably colonising', '76 %'; no phase where there is no answer.

    ``runner_up`` names the phase with the next best chance, or nothing.
    """

    words: str
    percent: str
    phase: int | None
    runner_up: str = ""


@dataclass(frozen=True)
class Direction:
    """Which way the tank goes since the look before; ``kind`` is empty where none is known."""

    kind: Way | str = ""
    word: str = ""
    since: str = ""


@dataclass(frozen=True)
class Slip:
    """Whether the tank slips, in words, and its risk within weeks where that does not mislead."""

    words: str
    percent: str = ""
    weeks: int = 0
    meter: svg.Figure | None = None


@dataclass(frozen=True)
class Look:
    """The last look."""

    words: str
    stale: bool


def slipped_lately(tank: TankAssessment) -> float:
    """Expected slips of the last weeks, at most 1: as close to the decisions' as is known."""
    asked = tank.questions.surprises if tank.questions else None
    if asked is not None:
        return min(asked.recent.slipped, 1.0)
    return min(float(tank.slipped[-RECENT_WEEKS:].sum()), 1.0)


def answer_of(tank: TankAssessment, labels: tuple[str, ...]) -> Answer:
    """Word the phase now."""
    if tank.reach.never_looked:
        return Answer("No answer yet", "", None)
    k, now = tank.present, tank.filtered[-1]
    p = float(now[k])
    words = phase_words(labels[k], p)
    if tank.slipped_before and whole_percent(p) >= 50 and k + 1 < len(labels):
        words = f"Back to {labels[k].lower()}"
    return Answer(words, percent(p), k, runner_up(labels, now))


def direction_of(tank: TankAssessment, as_of: dt.date) -> Direction:
    """Word the way since the look before: nothing where there was none, or long ago."""
    course = None if tank.reach.silent else tank.course
    if course is None or course.before is None or course.later is None or course.earlier is None:
        return Direction()
    least = load_course()["moved"]
    kind: Way = "flat"
    if max(course.later, course.earlier) >= least:
        kind = "fwd" if course.later > course.earlier else "back"
    if tank.slipped_before:
        kind = "back"
    return Direction(kind, WAYS[kind], date_words(course.before, as_of))


def slip_of(tank: TankAssessment) -> Slip:
    """Word the risk of slipping back."""
    if tank.reach.never_looked:
        return Slip("")
    if tank.slipped_before:
        # The risk of slipping further would read "unlikely" on the worst day.
        return Slip("Just slipped")
    if tank.at_start:
        return Slip("Lowest phase")
    weeks, p = tank.horizons[-1], float(tank.regression[-1, -1])
    low, high = float(tank.regression_low[-1]), float(tank.regression_high[-1])
    label = f"Slip risk within {weeks} weeks {percent(p)}, likely range {span_words(low, high)}"
    perhaps = slipped_lately(tank) >= load_course()["may_have_slipped"]
    words = "Not known" if tank.reach.silent else "Perhaps" if perhaps else "No sign"
    return Slip(words, percent(p), weeks, meter(label, p, low, high))


def look_of(tank: TankAssessment, as_of: dt.date) -> Look:
    """Word when somebody looked last, and whether the answer has blurred since."""
    if tank.reach.last_look is None:
        return Look("no look yet", False)
    blurred = tank.course is not None and tank.course.blur >= load_course()["stale"]
    return Look(look_words((as_of - tank.reach.last_look).days), blurred or tank.reach.silent)


def span_words(low: float, high: float) -> str:
    """A range for those who cannot see its picture."""
    return f"{percent(low)} to {percent(high)}"


def meter(label: str, p: float, low: float, high: float, look: str = "") -> svg.Figure:
    """A bar from 0 to 100: solid to the low end, pale to the high end, a stroke at the best guess.

    ``look`` is its colour.
    """
    least = max(100 * (high - low), 0.4)
    return svg.Figure(
        f"meter {look}".strip(),
        label,
        100,
        14,
        (
            svg.Path("track", svg.box(0, 3, 100, 8)),
            svg.Path("sure", svg.box(0, 3, 100 * low, 8)),
            svg.Path("maybe", svg.box(100 * low, 3, least, 8)),
            svg.Path("best", svg.line((100 * p, 0), (100 * p, 14))),
        ),
    )
