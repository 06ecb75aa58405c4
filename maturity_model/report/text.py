"""A short summary for a terminal: a line a tank, worst first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.views.actions import lines_of, urgent_words
from maturity_model.report.views.brief import Brief, briefs
from maturity_model.report.views.folds import impossible_of
from maturity_model.report.views.provenance import population_sentence
from maturity_model.report.wording import problem_counts, unused_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment

_ARROWS = {"fwd": "↗", "flat": "→", "back": "↘", "": " "}
_NAME = 40


def text_summary(assessment: Assessment, *, verbose: bool = False, only_news: bool = False) -> str:
    """The answer for every tank: name, phase and percent, arrow, the one thing to do.

    Parameters
    ----------
    verbose : bool
        Also say the rest of what a tank's page opens with.
    only_news : bool
        Only tanks that need something, and nothing else; empty where none does.

    Returns
    -------
    str
        Lines that each end in a newline; free of control characters, whatever the log holds.
    """
    rows = briefs(assessment)
    if only_news:
        rows = [(tank, brief) for tank, brief in rows if brief.calls]
    widths = [
        min(max(map(len, column)), _NAME)
        for column in zip(*((brief.name, _answer(brief)) for _, brief in rows), strict=True)
    ]
    lines = []
    for tank, brief in rows:
        lines.append(_line(brief, *widths))
        if tank.questions is not None and not only_news:
            asked = impossible_of(tank.questions, assessment)
            lines += [f"  {_plain(said)}" for said in asked]
        if verbose:
            lines += [f"  {_plain(text, 400)}" for text in _more(tank, brief, assessment)]
    return "".join(f"{line}\n" for line in lines + ([] if only_news else _rest(assessment)))


def _answer(brief: Brief) -> str:
    return f"{brief.answer.words} {brief.answer.percent}".rstrip()


def _line(brief: Brief, name_width: int, answer_width: int) -> str:
    reason = f", {brief.thing.reason}" if brief.thing.reason else ""
    thing = f"{brief.thing.label}{reason}"
    name = _plain(brief.name, _NAME)
    answer = f"{_answer(brief):{answer_width}}"
    return f"{name:{name_width}}  {_ARROWS[brief.way.kind]} {answer}  {_plain(thing)}".rstrip()


def _more(tank: TankAssessment, brief: Brief, assessment: Assessment) -> list[str]:
    """The rest of what the tank's page opens with."""
    as_of = assessment.provenance.as_of
    out = [f"URGENT: {urgent_words(c, as_of)}" for c in tank.cautions if c.level == "urgent"]
    if brief.answer.runner_up:
        out.append(brief.answer.runner_up)
    if brief.slip.words:
        risk = f": {brief.slip.percent} risk, {brief.slip.weeks} weeks"
        out.append(f"Slipping? {brief.slip.words}{risk if brief.slip.percent else ''}")
    out.append(f"Last look: {brief.look.words}{', stale' if brief.look.stale else ''}")
    lines = lines_of(tank, assessment, brief.look)
    return out + [f"{line.tag}: {line.lead} {line.rest}".rstrip() for line in lines]


def _rest(assessment: Assessment) -> list[str]:
    """A fit not to be trusted, tanks without an answer, and what of the log was not used."""
    out = []
    if assessment.provenance.population_warning:
        out.append(_plain(population_sentence(assessment.provenance), 1200))
    if assessment.ended and not assessment.tanks and not assessment.refused_tanks:
        out.append("All tanks of this log have ended.")
    out += [f"{_plain(gone.name)}: ended on {gone.ended}." for gone in assessment.ended]
    out += [
        f"{_plain(name)}: not assessed; the log's problems say why."
        for name in assessment.refused_tanks
    ]
    if unused := unused_words(assessment.account):
        out.append(f"{unused}.")
    if assessment.problems:
        counts = " and ".join(problem_counts(assessment.problems))
        out.append(f"{counts}, listed in index.html.")
    return out


def _plain(text: str, limit: int = 120) -> str:
    """Without what a terminal would obey, and cut."""
    shown = text if len(text) <= limit else text[: limit - 1] + "…"
    return "".join(c if c.isprintable() else "\ufffd" for c in shown)
