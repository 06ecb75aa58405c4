"""A short summary for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.tank_page import phase_labels
from maturity_model.report.wording import (
    IF_NOTHING,
    conditioning,
    lowest_words,
    phase_words,
    problem_counts,
    slip_words,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment


def text_summary(assessment: Assessment) -> str:
    """The answer for every tank, three lines each.

    Parameters
    ----------
    assessment : Assessment

    Returns
    -------
    str
        Ends in a newline; free of control characters, whatever the log holds.
    """
    labels = phase_labels(assessment)
    given = conditioning(assessment.provenance)
    lines = [_plain(f"{given[0].upper()}{given[1:]}; slipping back {IF_NOTHING}", 400) + ":"]
    for tank in assessment.tanks:
        lines += _tank_lines(tank, labels)
    for name in assessment.refused_tanks:
        lines.append(f"{_plain(name)}: not assessed; the log's problems say why.")
    if assessment.problems:
        counts = " and ".join(problem_counts(assessment.problems))
        lines.append(f"{counts}, listed in index.html.")
    return "\n".join(lines) + "\n"


def _tank_lines(tank: TankAssessment, labels: tuple[str, ...]) -> list[str]:
    k = tank.present
    head, frequency = phase_words(
        labels[k], float(tank.filtered[-1, k]), float(tank.now_low[k]), float(tank.now_high[k])
    )
    lines = [f"{_plain(tank.tank.name)}: {head}, {frequency}."]
    for i, horizon in enumerate(tank.horizons):
        slip = slip_words(
            float(tank.regression[-1, i]),
            float(tank.regression_low[i]),
            float(tank.regression_high[i]),
        )
        lines.append(f"  Slipping back within {horizon} weeks is {slip}{lowest_words(tank)}.")
    if tank.questions is not None:
        from maturity_model.report.question_page import summary_line

        said = summary_line(tank.questions)
        lines += [f"  {_plain(said, 300)}"] if said else []
    lines += [f"  URGENT: {_plain(c.title)}" for c in tank.cautions if c.level == "urgent"]
    return lines


def _plain(text: str, limit: int = 120) -> str:
    """Without what a terminal would obey, and cut."""
    shown = text if len(text) <= limit else text[: limit - 1] + "…"
    return "".join(c if c.isprintable() else "\ufffd" for c in shown)
