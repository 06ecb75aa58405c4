"""Numbers that cannot be right, and numbers that are only unusual."""

from __future__ import annotations

import pytest
from logbook.read_logs import Read, errors, only, settled

from maturity_model.catalogue import load_catalogue, load_ranges
from maturity_model.logbook import Problem
from maturity_model.logbook.plausible import in_unit
from maturity_model.logbook.units import units_of

ANALYTES = load_catalogue().analytes


def unusual(problems: list[Problem]) -> list[Problem]:
    return [p for p in problems if "usual" in p.what]


def kit(analyte: str, unit: str) -> dict[str, str]:
    return {"kits": f"analyte,method,unit\n{analyte},probe,{unit}\n"}


@pytest.mark.parametrize(
    ("analyte", "text", "unit", "mend"),
    [
        ("salinity", "1.25", "", "write 1.025 if"),
        ("salinity", "1.25", "sg", "write 1.025 if"),
        ("salinity", "1025", "", "write 1.025 if"),
        ("salinity", "35", "sg", "35 looks like PSU (1): name the unit in kits.csv or write 1.026"),
        ("temperature", "78", "", "°F ([degF]): name the unit in kits.csv or write 25.6"),
        ("temperature", "298", "", "298 looks like K"),
        ("temperature", "25.5", "°F", "25.5 looks like °C (Cel)"),
        ("temperature", "255", "", "write 25.5 if"),
        ("alkalinity", "130", "", "130 looks like mg/L CaCO3"),
        ("ph", "82", "", "write 8.2 if"),
        ("ammonia", "500", "", "500 looks like ug/L NH4: name the unit in kits.csv or write 0.5"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_the_likely_slip(
    read_cells: Read, analyte: str, text: str, unit: str, mend: str
) -> None:
    book = read_cells(kit(analyte, unit) if unit else None, **{analyte: text})
    problem = only(errors(book))
    assert (problem.scope, problem.column, problem.value) == ("cell", analyte, text)
    assert mend in problem.mend
    assert not book.checkins[0].readings


@pytest.mark.parametrize(
    ("analyte", "text", "unit", "what", "mend"),
    [
        # 8 dKH are 2.85 meq/L: 8 / 2.804.
        ("alkalinity", "8", "meq/L", "1.8 to 5.4 meq/L", "8 looks like dKH ([dKH])"),
        ("alkalinity", "2.5", "", "5.047 to 15.14 dKH", "2.5 looks like meq/L"),
        ("salinity", "53", "", "30 to 38 PSU", "53 looks like mS/cm"),
        ("temperature", "18", "", "20 to 30 °C", "check the unit"),
        ("temperature", "90", "°F", "68 to 86 °F", "check the unit"),
        ("phosphate", "30", "", "0 to 5 mg/L PO4", "check the unit"),
        ("ph", "7.2", "", "7.4 to 8.8", "check the unit"),
    ],
)
def test_what_is_unusual_is_used_and_said(
    read_cells: Read, analyte: str, text: str, unit: str, what: str, mend: str
) -> None:
    book = read_cells(kit(analyte, unit) if unit else None, **{analyte: text})
    assert not errors(book)
    problem = only(unusual(settled(book)))
    assert f"usual {what} and is used as written" in problem.what
    assert mend in problem.mend
    assert book.checkins[0].readings[analyte].text == text


def test_what_is_usual_needs_no_remark(read_cells: Read) -> None:
    sizes = "tank,started,volume_l,sand_depth_mm\nReef,2026-01-01,208,0\n"
    book = read_cells({"tanks": sizes, **kit("temperature", "°F")}, temperature="78")
    assert not book.problems
    # (78 - 32) / 1.8
    assert book.checkins[0].readings["temperature"].best == pytest.approx(25.5556, abs=1e-4)


def test_unusual_readings_of_one_column_make_one_line(read: Read) -> None:
    rows = "".join(f"Reef,2026-02-0{d},1{d}\n" for d in range(1, 6))
    book = read(checkins=f"tank,date,temperature\n{rows}")
    problem = only(unusual(settled(book)))
    assert "(5 times, here first)" in problem.what


@pytest.mark.parametrize(
    ("column", "text", "severity", "mend", "value"),
    [
        # 10 US gallons of 3.7854 litres.
        ("volume_l", "10", "settled", "if it is in US gallons, write 37.9", 10),
        ("volume_l", "55 gal", "error", "write 208, the number of litres", None),
        ("volume_l", "200 litres", "error", "write 200, the number of litres", None),
        ("volume_l", "50000", "settled", "correct it", 50000),
        ("sand_depth_mm", "5", "settled", "if it is in cm, write 50", 5),
        ("sand_depth_mm", "2 inches", "error", "write 50.8, the number of mm", None),
    ],
)
def test_sizes_of_a_tank(
    read: Read, column: str, text: str, severity: str, mend: str, value: float | None
) -> None:
    book = read(tanks=f"tank,started,{column}\nReef,2026-01-01,{text}\n")
    problem = only(list(book.problems))
    assert (problem.severity, problem.column) == (severity, column)
    assert mend in problem.mend
    assert getattr(book.tanks["Reef"], column) == value


def test_every_quantity_has_a_range_that_every_unit_can_reach() -> None:
    assert set(load_ranges()) == {*ANALYTES, "volume_l", "sand_depth_mm"}
    for name, analyte in ANALYTES.items():
        for unit in units_of(name).values():
            for bound in (analyte.range.usual_low, analyte.range.usual_high):
                back = unit.convert(in_unit(bound, unit))
                assert back == pytest.approx(bound, rel=1e-3, abs=1e-6)
