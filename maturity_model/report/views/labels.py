"""What signs, analytes and units are called on a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.wording import uncapital

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment
    from maturity_model.catalogue import Catalogue

#: UCUM codes that a keeper would not know.
_UNITS = {"1": "", "[pH]": "", "Cel": "°C", "[dKH]": "dKH"}


#: Events in the words of a keeper; another one has its label from the catalogue.
_EVENTS = {
    "overfeeding": "overfed",
    "sand_disturbed": "sand stirred",
    "deep_clean": "deep clean",
    "medication": "medication",
    "crash": "crash",
    "livestock_added": "animals added",
    "water_change": "water changed",
}


def event_label(kind: str, catalogue: Catalogue) -> str:
    """What happened, for the middle of a sentence."""
    if kind in _EVENTS:
        return _EVENTS[kind]
    known = catalogue.events.get(kind)
    return uncapital(known.label) if known else cut(kind, 60)


def unit_label(unit: str) -> str:
    """A unit as a keeper writes it."""
    return cut(_UNITS.get(unit, unit), 30)


def label_of(name: str, assessment: Assessment) -> str:
    """A sign, an analyte or the judged phase, as the log calls it."""
    catalogue = assessment.catalogue
    for table in (catalogue.signs, catalogue.analytes):
        if name in table:
            return cut(table[name].label, 80)
    return "Your own judgement" if name == "judged_phase" else cut(name, 80)
