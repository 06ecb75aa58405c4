"""Each tank in a line, worst first: for the page of all tanks and for a terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.views.actions import LEAVE, Action, things
from maturity_model.report.views.answer import (
    Answer,
    Direction,
    Look,
    Slip,
    answer_of,
    direction_of,
    look_of,
    slip_of,
)
from maturity_model.report.wording import phase_labels

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment


@dataclass(frozen=True)
class Brief:
    """A tank in a line."""

    name: str
    answer: Answer
    way: Direction
    slip: Slip
    look: Look
    thing: Action

    @property
    def calls(self) -> bool:
        """Whether something needs doing."""
        return bool(self.thing.label) and self.thing.rank < LEAVE


def briefs(assessment: Assessment) -> list[tuple[TankAssessment, Brief]]:
    """Tanks with their lines, the most urgent first, then by the risk of slipping back.

    A tank that has just slipped comes before others of its rank: it has little left to slip.
    """
    out = [(tank, _brief(tank, assessment)) for tank in assessment.tanks]
    out.sort(
        key=lambda pair: (
            pair[1].thing.rank,
            not pair[0].slipped_before,
            -float(pair[0].regression[-1, -1]),
        )
    )
    return out


def _brief(tank: TankAssessment, assessment: Assessment) -> Brief:
    as_of = assessment.provenance.as_of
    look = look_of(tank, as_of)
    return Brief(
        name=cut(tank.tank.name, 120),
        answer=answer_of(tank, phase_labels(assessment)),
        way=direction_of(tank, as_of),
        slip=slip_of(tank),
        look=look,
        thing=next(things(tank, assessment, look)),
    )
