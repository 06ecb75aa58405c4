"""A short summary for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.sections import unused_words
from maturity_model.report.tank_page import phase_labels
from maturity_model.report.wording import (
    IF_NOTHING,
    conditioning,
    no_risk_words,
    now_words,
    problem_counts,
    silence_words,
    slips,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue


def text_summary(assessment: Assessment) -> str:
    """The answer for every tank, a few lines each.

    Returns
    -------
    str
        Ends in a newline; free of control characters, whatever the log holds.
    """
    labels = phase_labels(assessment)
    given = conditioning(assessment.provenance)
    lines = [_plain(f"{given[0].upper()}{given[1:]}; slipping back {IF_NOTHING}", 400) + ":"]
    for tank in assessment.tanks:
        lines += _tank_lines(tank, labels, assessment.catalogue)
    if assessment.ended and not assessment.tanks and not assessment.refused_tanks:
        lines.append("All tanks of this log have ended.")
    for gone in assessment.ended:
        lines.append(f"{_plain(gone.name)}: ended on {gone.ended}.")
    for name in assessment.refused_tanks:
        lines.append(f"{_plain(name)}: not assessed; the log's problems say why.")
    if unused := unused_words(assessment.account):
        lines.append(f"{unused}.")
    if assessment.problems:
        counts = " and ".join(problem_counts(assessment.problems))
        lines.append(f"{counts}, listed in index.html.")
    return "\n".join(lines) + "\n"


def _tank_lines(tank: TankAssessment, labels: tuple[str, ...], catalogue: Catalogue) -> list[str]:
    silence = silence_words(tank.reach)
    said = [silence] if silence else []
    outlook: list[str] = []
    if not tank.reach.never_looked:
        said.append(", ".join(now_words(tank, labels)))
        outlook = [f"Slipping back within {h} weeks is {words}" for h, words in slips(tank)]
    why = no_risk_words(tank, labels[0])
    if outlook and why:
        outlook = [why]
    lines = [f"{_plain(tank.tank.name)}: {'. '.join(said)}.", *(f"  {x}." for x in outlook)]
    if tank.questions is not None:
        from maturity_model.report.outlook_sections import impossible_words
        from maturity_model.report.question_page import summary_line

        summary = summary_line(tank, tank.questions)
        lines += [f"  {_plain(summary, 300)}"] if summary else []
        lines += [f"  {_plain(said)}" for said in impossible_words(tank.questions, catalogue)]
    lines += [f"  URGENT: {_plain(c.title)}" for c in tank.cautions if c.level == "urgent"]
    return lines


def _plain(text: str, limit: int = 120) -> str:
    """Without what a terminal would obey, and cut."""
    shown = text if len(text) <= limit else text[: limit - 1] + "…"
    return "".join(c if c.isprintable() else "\ufffd" for c in shown)
