"""What is one tap away on a tank's page, in the words of a keeper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.catalogue import METHODS
from maturity_model.catalogue.guide import load_guide
from maturity_model.report import svg
from maturity_model.report.plain_text import cut
from maturity_model.report.views.answer import meter, span_words
from maturity_model.report.views.guide import EntryView, guide_entry
from maturity_model.report.views.labels import event_label, label_of
from maturity_model.report.wording import (
    blame_words,
    capital,
    date_words,
    percent,
    plural,
    pointer_dots,
    weeks_words,
)

if TYPE_CHECKING:
    from maturity_model.assessment.first_passage import FirstPassage
    from maturity_model.assessment.next_checks import NextCheck
    from maturity_model.assessment.plan import Plan
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.assessment.weight_of_evidence import GroupContribution

#: A weaker pointer is left out.
_TELLING = 0.1
_LOOKS = 5
_HOW = {"careful": "with a careful look", "torch": "by torch", "glance": "at a glance"}
_HOW |= {method: "by " + method.replace("_", " ") for method in METHODS}
_STRENGTH = {1: "a weak pointer", 2: "some pointer", 3: "a strong pointer"}


@dataclass(frozen=True)
class Pointer:
    """A sign or test that speaks for a phase: dots of three, and what it is."""

    dots: str
    strength: str
    text: str


@dataclass(frozen=True)
class Why:
    """What speaks for the phase, and for the next best."""

    phase: str
    rival: str
    towards: tuple[Pointer, ...]
    against: tuple[Pointer, ...]


@dataclass(frozen=True)
class If:
    """The slip risk if something happened."""

    label: str
    percent: str
    meter: svg.Figure


@dataclass(frozen=True)
class Waiting:
    """When the last phase is reached."""

    words: str
    dots: svg.Figure
    held_up: str


def why_of(questions: Questions, assessment: Assessment, labels: Sequence[str]) -> Why | None:
    """What the answer rests on."""
    found = questions.evidence
    if found is None:
        return None

    def pointers(groups: Sequence[GroupContribution]) -> tuple[Pointer, ...]:
        return tuple(_pointer(g, assessment) for g in groups if abs(g.bits) >= _TELLING)

    return Why(
        labels[found.present].lower(),
        labels[found.rival].lower(),
        pointers(found.towards),
        pointers(found.against),
    )


def _pointer(group: GroupContribution, assessment: Assessment) -> Pointer:
    dots = pointer_dots(group.bits)
    label = label_of(group.name, assessment)
    if group.kind == "sign":
        said = f"{label}, seen in {group.seen} of {plural(group.count, 'look')}"
    elif group.kind == "reading":
        said = f"{label}, {plural(group.count, 'reading')}"
    else:
        said = f"{label}, {plural(group.count, 'time')}"
    return Pointer("●" * dots + "○" * (3 - dots), _STRENGTH[dots], said)


def ifs_of(questions: Questions, assessment: Assessment, *, slipped: bool) -> tuple[If, ...]:
    """The slip risk as it stands and if something happened today, the lowest first.

    ``slipped``: the tank has just slipped, so that the risk as it stands would mislead.
    """
    last = len(questions.risks[0].horizons) - 1 if questions.risks else 0
    out = []
    for risk in sorted(questions.risks, key=lambda r: (r.plan is not None, r.risk[last].mean)):
        if slipped and risk.plan is None:
            continue
        p, low, high = risk.risk[last]
        label = "As it stands" if risk.plan is None else _if_words(risk.plan, assessment)
        said = f"{percent(p)}, likely range {span_words(low, high)}"
        out.append(If(cut(label, 200), percent(p), meter(said, p, low, high)))
    return tuple(out)


def _if_words(plan: Plan, assessment: Assessment) -> str:
    """A plan as a keeper would say it: an event by itself in a word or two."""
    step = plan.steps[0]
    kind = assessment.catalogue.events[step.kind]
    once = len(plan.steps) == 1 and not step.days and not step.none
    if once and step.amount in (None, kind.reference_amount):
        return capital(event_label(step.kind, assessment.catalogue))
    return capital(plan.label(assessment.catalogue))


def impossible_of(questions: Questions, assessment: Assessment) -> tuple[str, ...]:
    """What-ifs that were asked for and cannot be, each in a sentence."""
    return tuple(
        f"{capital(cut(plan.label(assessment.catalogue), 200))}: not reckoned, because this tank "
        "has no sand."
        for plan in questions.impossible
    )


def waiting_of(questions: Questions, labels: Sequence[str]) -> Waiting:
    """The time to the last phase, as things stand."""
    found = questions.first_passages[0]
    return Waiting(_waiting_words(found, labels[-1].lower()), _dots(found), _held_up(questions))


def _waiting_words(waiting: FirstPassage, last: str) -> str:
    if waiting.median == 0:
        return f"It is probably {last} already."
    if waiting.median is None:
        return f"More likely than not, it takes longer than two years to be {last}."
    late = "longer than two years"
    if waiting.high is not None:
        late = f"{weeks_words(waiting.high)} or more"
    return (
        f"Half the tanks with a log like this one are {last} within {weeks_words(waiting.median)}. "
        f"One in twenty takes {late}."
    )


def _dots(waiting: FirstPassage) -> svg.Figure:
    """Twenty dots over two years, each as likely as the next; the last column is later."""
    columns: dict[int, int] = {}
    marks = []
    for weeks in waiting.dots:
        at = 26 if weeks is None else -(-weeks // 4)
        height = columns.get(at, 0)
        columns[at] = height + 1
        marks.append(svg.Mark("dot", 2 + 96 * at / 26, 84 - 8.4 * min(height, 9)))
    later = sum(w is None for w in waiting.dots)
    now = sum(w == 0 for w in waiting.dots)
    said = (
        f"Twenty dots, each as likely as the next, over two years: {now} now, {later} later "
        "than two years."
    )
    paths = (svg.Path("base", svg.line((0, 89), (100, 89))),)
    return svg.Figure("dots20", said, 100, 90, paths, tuple(marks))


def _held_up(questions: Questions) -> str:
    found = questions.sojourn
    if found is None:
        return ""
    p = found.lagging.mean
    if p >= 0.66:
        return "It seems held up: most tanks are through this phase by now."
    return "It may be held up." if p >= 0.33 else "No sign that it is held up."


def did_of(tank: TankAssessment, assessment: Assessment) -> tuple[str, ...]:
    """What each event did, newest first; water changes only where they did something."""
    questions = tank.questions
    as_of = assessment.provenance.as_of
    out = []
    for effect in reversed(questions.event_effects if questions else ()):
        event = effect.event
        if not effect.followed or (event.kind == "water_change" and effect.due.mean < 0.05):
            continue
        label = capital(event_label(event.kind, assessment.catalogue))
        out.append(f"{label}, {date_words(event.date, as_of)}: {blame_words(effect.due.mean)}")
    return tuple(out)


def best_looks(looks: Sequence[NextCheck]) -> list[NextCheck]:
    """One way of looking for each sign or test, unchecked ones first, then by bits a minute."""
    best: dict[str, NextCheck] = {}
    for look in looks:
        if look.name not in best or look.per_minute > best[look.name].per_minute:
            best[look.name] = look
    return sorted(best.values(), key=lambda x: (not x.unchecked, -x.per_minute, x.name))


@dataclass(frozen=True)
class NextLook:
    """A sign or test to look at next; ``guide`` is its entry in the field guide, if any."""

    guide: EntryView | None
    label: str
    how: str


def looks_of(questions: Questions, assessment: Assessment) -> tuple[NextLook, ...]:
    """Where to look next: what tells most for a minute first, and how and where to look."""
    signs, as_of = assessment.catalogue.signs, assessment.provenance.as_of
    out = []
    for look in best_looks(questions.next_checks)[:_LOOKS]:
        how = _HOW.get(look.how, look.how.replace("_", " "))
        last = f"last {date_words(look.last, as_of)}" if look.last else "never yet"
        where = ""
        if look.name in signs:
            where = f" {signs[look.name].where}. {signs[look.name].how}."
        said = f", {how}, {look.minutes:g} min; {last}.{where}"
        guide = guide_entry(look.name) if look.name in load_guide() else None
        out.append(NextLook(guide, label_of(look.name, assessment), cut(said, 400)))
    return tuple(out)
