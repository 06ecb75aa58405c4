"""What signs, analytes and units are called on a page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment

#: UCUM codes that a keeper would not know.
_UNITS = {"1": "", "[pH]": "", "Cel": "°C", "[dKH]": "dKH"}


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
