"""What to do with a tank: the one thing, and at most three lines on its own page.

Rules and permissions decide (``assessment/decisions.py``); here they are put in order and given
this tank's own reason.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.assessment.permissions import FINER_KIT
from maturity_model.assessment.surprise import PODS
from maturity_model.catalogue import load_permissions
from maturity_model.report.plain_text import cut
from maturity_model.report.views.labels import label_of
from maturity_model.report.wording import (
    capital,
    date_words,
    listed,
    look_words,
    plain_dates,
    uncapital,
)

if TYPE_CHECKING:
    from maturity_model.assessment.cautions import Caution
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.report.views.answer import Look

#: Ranks of the one thing, worst first.
URGENT, MEASURE, SLIPPED, WATER, SECOND, LOOK, LEAVE = range(7)
#: Days since a water change after which its age is a reason.
_OLD_WATER = 14


@dataclass(frozen=True)
class Action:
    """One thing to do, for this tank's own reason; no label where nothing was asked."""

    rank: int
    icon: str
    label: str
    reason: str = ""


@dataclass(frozen=True)
class Line:
    """A line on what to do, may be done, or is best left."""

    tag: str
    icon: str
    lead: str
    rest: str = ""


def urgent_words(caution: Caution, as_of: dt.date) -> str:
    """What happened and what to do, so that nobody has to open a page for it."""
    if not caution.act:
        return f"{caution.title}."
    return f"{_happened(caution, as_of)}. {caution.act}"


def _happened(caution: Caution, as_of: dt.date) -> str:
    said = caution.said or caution.title
    return f"{said} on {date_words(caution.date, as_of)}" if caution.date else said


def things(tank: TankAssessment, assessment: Assessment, look: Look) -> Iterator[Action]:
    """What is to be done, by rank; at the end of it, leaving the tank alone."""
    as_of = assessment.provenance.as_of
    for caution in tank.cautions:
        if caution.level == "urgent":
            yield Action(URGENT, "warn", "Rescue first", uncapital(_happened(caution, as_of)))
    questions = tank.questions
    if tank.reach.never_looked:
        yield Action(LOOK, "eye", "Log a first look")
    elif tank.reach.silent:
        yield Action(MEASURE, "eye", "Look, and measure")
    elif questions is None or not questions.everything:
        yield Action(LOOK, "eye", "Look again") if look.stale else Action(LEAVE, "", "")
    else:
        yield from _measure(tank, assessment, questions)
        yield from _rules(tank, assessment, questions, look)


def _called(questions: Questions) -> dict[str, Decision]:
    """Rules that call for something."""
    return {d.action: d for d in questions.decisions if d.verdict == "yes"}


def _measure(
    tank: TankAssessment, assessment: Assessment, questions: Questions
) -> Iterator[Action]:
    """What an alarm, or ammonia, asks for."""
    called, as_of = _called(questions), assessment.provenance.as_of
    alarm = questions.surprises.alarm if questions.surprises else ""
    if alarm == "something is wrong":
        gone = _gone(tank, assessment)
        reason = f"{gone} gone" if gone else "the last look does not fit"
        yield Action(MEASURE, "eye", "Look at the animals", reason)
    if "change_water" in called and called["change_water"].remedy:
        # What helps comes before what tells.
        yield Action(MEASURE, "water", "Change water", _ammonia_reason(tank, as_of))
    if "measure_ammonia" in called:
        reason = _ammonia_reason(tank, as_of).removeprefix("ammonia ")
        yield Action(MEASURE, "drop", "Test ammonia", reason)
    if alarm == "check the kit":
        yield Action(MEASURE, "drop", "Measure again", f"{_far_off(tank, assessment)} is far off")


def _rules(
    tank: TankAssessment, assessment: Assessment, questions: Questions, look: Look
) -> Iterator[Action]:
    """What the other rules ask for, then a look, then nothing."""
    called, as_of = _called(questions), assessment.provenance.as_of
    if "stop_adding" in called:
        reason = _stop_reason(called["stop_adding"], tank, as_of)
        yield Action(SLIPPED, "stop", "Add no animals", reason)
    if "change_water" in called and not called["change_water"].remedy:
        yield Action(WATER, "water", "Change water", _water_reason(tank, as_of))
    if "second_opinion" in called:
        yield Action(SECOND, "eye", "Ask a second keeper to look")
    if look.stale:
        yield Action(LOOK, "eye", "Look again")
    rest = next((d for d in questions.decisions if d.action == "do_nothing"), None)
    if rest is not None and rest.lacks_evidence:
        yield Action(LOOK, *_supply(rest, tank, as_of))
    usual = rest is not None and rest.verdict != "yes"
    yield Action(LEAVE, "tick", "The usual round" if usual else "Leave it be")


def _stop_reason(stop: Decision, tank: TankAssessment, as_of: dt.date) -> str:
    """Why nothing is to be added: a caution that asks for it, or a slip."""
    if not stop.remedy:
        return "slipped lately"
    asking = next(c for c in tank.cautions if "stop_adding" in c.remedies)
    return uncapital(_happened(asking, as_of))


def _supply(decision: Decision, tank: TankAssessment, as_of: dt.date) -> tuple[str, str, str]:
    """What would supply the first thing that a permission lacks: picture, label, reason."""
    lacking = decision.missing[0]
    need = lacking.need
    if need in ("ammonia", "nitrite"):
        read = [(c.date, c.readings[need]) for c in tank.checkins if need in c.readings]
        days = load_permissions()["reading_days"]
        if not read or (as_of - read[-1][0]).days > days:
            return "drop", f"Test {need}", _last_read(read[-1][0] if read else None, as_of)
        reading = f"read {cut(read[-1][1].text, 12)} on {date_words(read[-1][0], as_of)}"
        if lacking.do == FINER_KIT:
            return "drop", f"Test {need} with a finer kit", reading
        return "clock", f"Wait for {need} to fall", reading
    if need == "both readings":
        return "drop", "Test ammonia and nitrite", ""
    if need == "look":
        return "eye", "Look again", ""
    if need == "refused row":
        return "warn", "Mend the log", "a row could not be read"
    if need == "alarm":
        return "eye", "Look again, and measure", "a recent look does not fit"
    reason = uncapital(plain_dates(lacking.why.split(",")[0], as_of))
    return "warn", lacking.do.split(",")[0].rstrip("."), cut(reason, 60)


def _last_read(date: dt.date | None, as_of: dt.date) -> str:
    return f"last read {date_words(date, as_of)}" if date else "never measured"


def _ammonia_reason(tank: TankAssessment, as_of: dt.date) -> str:
    for caution in tank.cautions:
        if caution.said.startswith("Ammonia ") and caution.date:
            return f"{uncapital(caution.said)} on {date_words(caution.date, as_of)}"
    read = [c.date for c in tank.checkins if "ammonia" in c.readings]
    return _last_read(read[-1] if read else None, as_of)


def _water_reason(tank: TankAssessment, as_of: dt.date) -> str:
    changes = [e.date for e in tank.events if e.kind == "water_change"]
    if not changes:
        return "none logged yet"
    days = (as_of - changes[-1]).days
    return f"last {look_words(days)}" if days > _OLD_WATER else ""


def _gone(tank: TankAssessment, assessment: Assessment) -> str:
    """Animals that were seen again and again and are not now."""
    said = tank.questions.surprises if tank.questions else None
    # Pods are held to be the worst omen.
    items = sorted(said.items if said else (), key=lambda s: s.what.name not in PODS)
    names = [uncapital(label_of(s.what.name, assessment)) for s in items if s.vanished]
    return listed(names[:2]) if names else ""


def _far_off(tank: TankAssessment, assessment: Assessment) -> str:
    said = tank.questions.surprises if tank.questions else None
    names = [s.what.name for s in (said.items if said else ()) if s.far_off]
    return uncapital(label_of(names[0], assessment)) if names else "a reading"


def lines_of(tank: TankAssessment, assessment: Assessment, look: Look) -> tuple[Line, ...]:
    """What to do, may be done, must wait or stop, and is best left: at most three lines."""
    every = list(things(tank, assessment, look))
    # That nothing is to be added has a line of its own; a look needs none beside other work.
    todo = [x for x in every if x.label and x.rank < LEAVE and x.rank != SLIPPED]
    todo = todo[:1] + [x for x in todo[1:2] if x.rank < LOOK and every[0].rank != URGENT]
    out = [_do_line(tank, assessment, x) for x in todo]
    questions = tank.questions
    if questions is None or not questions.everything:
        return tuple(out)
    if tank.reach.silent:
        return (*out, Line("Wait", "clock", "Add no animals yet.", "First see how the tank does."))
    verdicts = {d.action: d for d in questions.decisions}
    stop = next((x for x in every if x.rank in (URGENT, SLIPPED)), None)
    if animals := _animals_line(verdicts, stop, assessment.provenance.as_of):
        if todo and todo[0].icon == "clock" and animals.tag == "Wait":
            # The animals wait for the same reading, and their line says so.
            out = out[1:]
        out.append(animals)
    if leave := _leave_line(verdicts):
        out.append(leave)
    return tuple(out[:3])


def _do_line(tank: TankAssessment, assessment: Assessment, thing: Action) -> Line:
    if thing.rank == URGENT:
        return Line("Do", "warn", "What the red line says.", "Then ask a second keeper to look.")
    rest = f"{capital(thing.reason)}." if thing.reason else ""
    looks = tank.questions.next_checks if tank.questions else ()
    if thing.icon == "eye" and looks and not rest:
        first = max(looks, key=lambda x: (x.unchecked, x.per_minute))
        rest = f"Start with {uncapital(label_of(first.name, assessment))}."
    elif thing.rank == WATER:
        rest = f"{rest} New seawater, as warm and as salty.".strip()
    return Line("Do", thing.icon, f"{thing.label}.", rest)


def _animals_line(
    verdicts: dict[str, Decision], stop: Action | None, as_of: dt.date
) -> Line | None:
    """Whether animals may be added, and what that lacks; ``stop`` is what forbids it."""
    if stop is not None:
        why = f"{capital(stop.reason)}. " if stop.rank == SLIPPED else ""
        return Line("Stop", "stop", "Add no animals.", f"{why}What lives in it comes first.")
    rule = verdicts.get("add_first_animals") or verdicts.get("add_next_animals")
    if rule is None:
        return None
    first = rule.action == "add_first_animals"
    what = "Add the first animals." if first else "Add animals."
    if rule.verdict == "yes":
        few = "A few hardy ones, and test ammonia that day."
        return Line("May", "plus", what, few if first else "One at a time; test ammonia after.")
    if rule.missing:
        lacking = rule.missing[0]
        why = plain_dates(f"{lacking.why.rstrip('.')}. {lacking.do}", as_of)
        return Line("Wait", "clock", "Add no animals yet.", why)
    why = "Ammonia may be too high." if rule.overruled else "It is too early for them."
    return Line("Wait", "clock", "Add no animals yet.", why)


def _leave_line(verdicts: dict[str, Decision]) -> Line | None:
    sand, rest = verdicts.get("leave_sand_alone"), verdicts.get("do_nothing")
    be = rest is not None and rest.verdict == "yes"
    if sand is not None and sand.verdict == "yes":
        usual = " Otherwise the usual round." if be else ""
        return Line("Leave", "tick", "The sand.", f"Stirring sets tanks back.{usual}")
    return Line("Leave", "tick", "All else.", "Keep to the usual round.") if be else None
