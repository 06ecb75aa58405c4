"""The sheet for the fridge door: a column a tank, boxes to tick, nothing filled in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.catalogue.guide import load_guide
from maturity_model.report.plain_text import cut
from maturity_model.report.views.form import first_names
from maturity_model.report.views.form_asks import scale_of
from maturity_model.report.views.labels import unit_label

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.logbook.types import Logbook

#: Columns of a sheet that a pen can still fill in.
TANKS_A_SHEET = 8


@dataclass(frozen=True)
class PaperRow:
    """A sign or a reading: ``cells`` are, for each tank, 'first', 'ask' or '' (cannot be).

    ``drawn`` is the name of its drawing in the field guide, or nothing.
    """

    drawn: str
    label: str
    about: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """One A4 page."""

    tanks: tuple[str, ...]
    signs: tuple[PaperRow, ...]
    readings: tuple[PaperRow, ...]


@dataclass(frozen=True)
class PaperView:
    """Sheets of a keeper, or of everybody."""

    title: str
    keeper: str
    sheets: tuple[Sheet, ...]
    events: tuple[str, ...]
    foot: str = "A vet and the law come first. Unplug before hands go in. Do not dig or lift rocks."


def paper_view(assessment: Assessment, logbook: Logbook, keeper: str | None) -> PaperView:
    """What the sheet shows; parameters as of :func:`.form.form_view`."""
    tanks = [t for t in assessment.tanks if keeper is None or t.tank.keeper == keeper]
    groups = [tanks[i : i + TANKS_A_SHEET] for i in range(0, len(tanks), TANKS_A_SHEET)]
    events = tuple(kind.label for kind in assessment.catalogue.events.values())
    return PaperView(
        title=f"Check-in on paper: {keeper}" if keeper else "Check-in on paper",
        keeper=keeper or "",
        sheets=tuple(_sheet(group, assessment, logbook) for group in groups),
        events=events,
    )


def _sheet(tanks: list[TankAssessment], assessment: Assessment, logbook: Logbook) -> Sheet:
    catalogue = assessment.catalogue
    first = [set(first_names(tank)) for tank in tanks]

    def row(name: str, label: str, about: str, needs: str) -> PaperRow:
        cells = (
            ("first" if name in most else "ask") if tank.tank.can_have(needs) else ""
            for tank, most in zip(tanks, first, strict=True)
        )
        drawn = name if name in load_guide() else ""
        return PaperRow(drawn, cut(label, 40), about, tuple(cells))

    keeper = tanks[0].tank.keeper
    units = {
        a.name: unit_label(scale_of(logbook, keeper, a).unit) for a in catalogue.analytes.values()
    }
    return Sheet(
        tuple(cut(tank.tank.name, 30) for tank in tanks),
        tuple(row(s.name, s.label, "", s.needs) for s in catalogue.signs.values()),
        tuple(row(a.name, a.label, units[a.name], "") for a in catalogue.analytes.values()),
    )
