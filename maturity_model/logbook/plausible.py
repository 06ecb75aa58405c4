"""Whether a number can be right, and what it looks like where it is not.

What cannot be (``low`` to ``high`` in ``catalogue/data/ranges.csv``) is refused, because it
would be taken for water. What is only unusual is used as written, with one line that says so:
a keeper may well have such a tank, and a refused reading would hide it. No value is changed.
"""

from __future__ import annotations

import re
from dataclasses import astuple
from functools import lru_cache
from typing import Any

from maturity_model.catalogue import Analyte, load_ranges
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.units import Unit, as_specific_gravity, said_unit, units_of

#: How a remark on an unusual number ends.
USED = "and is used as written"
#: Litres or millimetres in other units: US gallon of 231 cubic inches, international inch.
_SIZES = {
    "volume_l": {"US gallons": 3.785411784, "litres": 1.0},
    "sand_depth_mm": {"cm": 10.0, "inches": 25.4, "mm": 1.0},
}
_SIZE_WORDS = {
    "gal": "US gallons", "gallon": "US gallons", "gallons": "US gallons", "us gal": "US gallons",
    "l": "litres", "litre": "litres", "litres": "litres", "liter": "litres", "liters": "litres",
    "cm": "cm", "in": "inches", "inch": "inches", "inches": "inches", "mm": "mm",
}  # fmt: skip
_SIZE = re.compile(r"([0-9.,]+) ?([a-z]+(?: [a-z]+)?)\.?")


def doubt_reading(analyte: Analyte, written: float, unit: Unit) -> Fault | None:
    """Return what is odd about a number as written, or None for a usual one.

    The mend names the likeliest slip, for an unusual reading as for one that cannot be.
    """
    value, bounds = unit.convert(written), analyte.range
    if bounds.is_usual(value):
        return None
    tail = f" {analyte.display_unit}" if analyte.display_unit else ""
    as_read = "" if value == written else f" (read as {unit.name}, it is {value:.4g}{tail})"
    if value > bounds.high:
        what = f"is above {bounds.high:g}{tail}{as_read}"
    elif value < bounds.low:
        what = f"is below {bounds.low:g}{tail}{as_read}"
    else:
        # The same words for every unusual reading of a unit, so that they make one line.
        low, high = in_unit(bounds.usual_low, unit), in_unit(bounds.usual_high, unit)
        usual = f"{low:.4g} to {high:.4g} {said_unit(unit)}".rstrip()
        what = f"is outside the usual {usual} {USED}"
    mend = _likely(analyte, written, unit)
    return Fault(what, mend or "check the unit in kits.csv, and correct the reading if it is wrong")


@lru_cache(1000)
def in_unit(canonical: float, unit: Unit) -> float:
    """Convert from the canonical unit, by bisection: every unit rises with it."""
    low, high = 0.0, 1.0
    while unit.convert(high) < canonical:
        high *= 2
    for _ in range(35):
        middle = (low + high) / 2
        low, high = (middle, high) if unit.convert(middle) < canonical else (low, middle)
    return round(high, 6)


def ranges_by_unit(analyte: Analyte) -> dict[str, dict[str, Any]]:
    """Return the range in every unit of an analyte, by the unit's name, as a form needs it.

    ``said`` is the unit as a keeper says it, ``bounds`` are those of :class:`.Range`.
    """
    return {
        unit.name: {
            "said": said_unit(unit),
            "bounds": [in_unit(x, unit) for x in astuple(analyte.range)],
        }
        for unit in units_of(analyte.name).values()
    }


def _likely(analyte: Analyte, written: float, unit: Unit) -> str:
    """The slip that would make a reading usual: another unit, or the decimal mark."""
    bounds = analyte.range
    possible = bounds.low <= unit.convert(written) <= bounds.high
    if possible and analyte.informative:
        return ""  # A high nutrient is more often high than written in another unit.
    for other in units_of(analyte.name).values():
        value = other.convert(written)
        if other.name != unit.name and bounds.is_usual(value):
            instead = in_unit(value, unit)
            digits = 4 if as_specific_gravity(instead) else 3
            code = "" if said_unit(other) == other.name else f" ({other.name})"
            return (
                f"{written:g} looks like {said_unit(other)}{code}: name the unit in kits.csv or "
                f"write {instead:.{digits}g}"
            )
    if possible:
        return ""  # Unusual alone is no sign of a lost decimal mark.
    slips = [written / 10, written / 100, written / 1000]
    if analyte.name == "salinity" and 1 < written < 2:
        slips = [1 + (written - 1) / 10]  # 1.25 for 1.025
    for slip in slips:
        gravity = as_specific_gravity(slip) if analyte.name == "salinity" else None
        if bounds.is_usual((gravity or unit).convert(slip)):
            return f"write {slip:g} if the decimal mark slipped; else correct it"
    return ""


def doubt_size(column: str, value: float) -> Fault | None:
    """Return what is odd about a volume or a depth of sand that can be; 0 is a bare bottom."""
    bounds = load_ranges()[column]
    if bounds.is_usual(value) or value == 0:
        return None
    what = f"is outside the usual {bounds.usual_low:g} to {bounds.usual_high:,g}"
    for unit, factor in _SIZES[column].items():
        if factor != 1 and bounds.is_usual(value * factor):
            mend = f"if it is in {unit}, write {value * factor:.3g}; else nothing to do"
            return Fault(f"{what} {USED}", mend)
    return Fault(f"{what} {USED}", "correct it if it is wrong")


def refuse_size(column: str, text: str) -> Fault | None:
    """Return how to write a size that has a unit behind it; None where it has none."""
    match = _SIZE.fullmatch(text.lower())
    factor = _SIZES[column].get(_SIZE_WORDS.get(match[2], "")) if match else None
    if match is None or factor is None or isinstance(value := parse_number(match[1]), Fault):
        return None
    unit = "litres" if column == "volume_l" else "mm"
    return Fault("has a unit", f"write {value * factor:.3g}, the number of {unit}")
