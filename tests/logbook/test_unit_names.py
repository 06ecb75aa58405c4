"""Finding the unit that a log names."""

from __future__ import annotations

from itertools import pairwise

import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook.units import default_unit, find_unit, units_of

ANALYTES = load_catalogue().analytes


@pytest.mark.parametrize(
    ("analyte", "text", "name"),
    [
        ("nitrate", "mg/L NO3", "mg/L NO3"),
        ("nitrate", "mg/l no3", "mg/L NO3"),
        ("nitrate", "ppm NO3-N", "mg/L NO3-N"),
        ("nitrate", "mg/L NO₃⁻", "mg/L NO3"),
        ("nitrate", "mg/L NO3 as N", "mg/L NO3-N"),
        ("nitrate", "  mg/L   NO3 ", "mg/L NO3"),
        ("ammonia", "mg/L NH4+", "mg/L NH4"),
        ("ammonia", "ppb NH3-N", "ug/L NH3-N"),
        ("phosphate", "µg/L P", "ug/L P"),
        ("phosphate", "μg/L PO4", "ug/L PO4"),
        ("alkalinity", "dKH", "[dKH]"),
        ("alkalinity", "meq/l", "meq/L"),
        ("alkalinity", "ppm CaCO3", "mg/L CaCO3"),
        ("salinity", "PSU", "1"),
        ("salinity", "ppt", "1"),
        ("salinity", "SG 20/20", "sg 20/20"),
        ("salinity", "mS/cm at 25 °C", "mS/cm"),
        ("temperature", "°F", "[degF]"),
        ("ph", "pH", "[pH]"),
        ("ph", "[pH] total", "[pH] total"),
    ],
)
def test_spellings(analyte: str, text: str, name: str) -> None:
    found = find_unit(analyte, text)
    assert found is not None
    assert (found.name, found.assumed) == (name, "")


@pytest.mark.parametrize(
    ("analyte", "text", "name"),
    [("nitrate", "mg/L", "mg/L NO3"), ("ammonia", "ppm", "mg/L NH4"),
     ("phosphate", "ppb", "ug/L PO4"), ("alkalinity", "ppm", "mg/L CaCO3"),
     ("salinity", "sg", "sg 25/25"),
     ("nitrate", "mg/L NO2", None), ("nitrate", "g/L", None), ("ph", "dKH", None),
     ("alkalinity", "kg", None), ("salinity", "mg/L", None), ("temperature", "", None),
     ("foo", "mg/L", None), ("nitrate", "MEQ/L", None)],
)  # fmt: skip
def test_what_is_left_open_is_said_and_another_unit_is_none(
    analyte: str, text: str, name: str | None
) -> None:
    found = find_unit(analyte, text)
    assert (found and found.name) == name
    assert not found or found.assumed


def test_the_default_is_the_canonical_unit_but_for_alkalinity() -> None:
    for name, entry in ANALYTES.items():
        unit = default_unit(name)
        assert unit.name == ("[dKH]" if name == "alkalinity" else entry.unit)
        assert units_of(name)[entry.unit].convert(3.25) == 3.25


def test_every_conversion_increases() -> None:
    for name, entry in ANALYTES.items():
        for unit in units_of(name).values():
            found = [unit.convert(x / 10) for x in range(1, 700)]
            assert all(a < b for a, b in pairwise(found)), (entry, unit)
