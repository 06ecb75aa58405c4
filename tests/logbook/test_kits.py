"""From a reading as written to the interval that holds the true value."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Reading
from maturity_model.logbook.kits import Scale, assumed_method, between_steps
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.units import default_unit, find_unit, units_of

ANALYTES = load_catalogue().analytes


def scale(analyte: str, method: str = "", unit: str = "", steps: tuple[float, ...] = ()) -> Scale:
    entry = ANALYTES[analyte]
    found = find_unit(analyte, unit) if unit else default_unit(analyte)
    assert found is not None
    return Scale(entry, found, method or assumed_method(entry), steps, named=bool(method))


OWN = scale("nitrate", "colour_chart", "mg/L NO3-N", (0.0, 1.0, 2.5))
#: From mg/L of NO3-N to mg/L of NO3, by the molar masses.
N = 62.004 / 14.007


@pytest.mark.parametrize(
    ("kit", "text", "expected"),
    [
        # The generic ammonia chart is 0;0.25;0.5;1;2;4;8.
        (scale("ammonia"), "0", (0, 0.125, 0)),
        (scale("ammonia"), "0.25", (0.125, 0.375, 0.25)),
        (scale("ammonia"), "0.03", (0, 0.25, 0.03)),
        (scale("ammonia"), "3", (2, 4, 3)),
        (scale("ammonia"), "8", (6, math.inf, 8)),
        (scale("ammonia"), "12", (8, math.inf, 12)),
        (scale("ammonia"), "<0.25", (0, 0.25, 0.125)),
        (scale("ammonia"), "< 0.25", (0, 0.25, 0.125)),
        (scale("ammonia"), ">8", (8, math.inf, 8)),
        # A chart that does not begin at zero, where "less than" is not halved.
        (scale("ph", "colour_chart"), "7.0", (4, 7.4, 7.0)),
        (scale("ph", "colour_chart"), "7.4", (4, 7.6, 7.4)),
        (scale("ph"), "<7.4", (4, 7.4, 7.4)),
        # Own steps are in the kit's unit.
        (OWN, "1", (0.5 * N, 1.75 * N, N)),
        (OWN, "2.5", (1.75 * N, math.inf, 2.5 * N)),
        # The resolution of a named kit stands, though zeros are missing.
        (scale("ammonia", "photometer"), "0.1", (0.095, 0.105, 0.1)),
        (scale("ammonia", "photometer"), "0", (0, 0.005, 0)),
        # An assumed probe, or another unit, is not trusted beyond the written digits.
        (scale("temperature"), "25", (24.5, 25.5, 25)),
        (scale("temperature"), "25.0", (24.95, 25.05, 25)),
        (scale("ph"), "8.2", (8.15, 8.25, 8.2)),
        (scale("nitrate", "photometer", "mg/L NO3-N"), "0.7", (0.65 * N, 0.75 * N, 0.7 * N)),
    ],
)
def test_intervals(kit: Scale, text: str, expected: tuple[float, float, float]) -> None:
    found = kit.read(text)
    assert isinstance(found, Reading), found
    assert (found.low, found.high, found.best) == pytest.approx(expected)
    assert (found.unit, found.method, found.text) == (kit.unit.name, kit.method, text)


def test_a_salinity_that_can_only_be_a_specific_gravity() -> None:
    found = scale("salinity").read("1.026")
    assert isinstance(found, Reading)
    assert found.unit == "sg 25/25"
    # gsw: S 33 / 35 / 36 are 1.02486 / 1.02637 / 1.02713, so 1.026 lies near 34.5.
    assert found.best == pytest.approx(34.51, abs=0.02)
    assert found.low < found.best < found.high
    # Half of the last digit, 0.0005, is about 0.66 in salinity.
    assert found.high - found.low == pytest.approx(1.32, abs=0.05)
    assert scale("salinity").read("35").unit == "1"  # type: ignore[union-attr]
    named = scale("salinity", "probe", "PSU").read("1.026")
    assert isinstance(named, Fault)
    assert "specific gravity" in named.what


@pytest.mark.parametrize(
    ("analyte", "text", "why"),
    [
        ("temperature", "78", "above 45 °C"),
        ("ammonia", "-0.1", "below 0"),
        ("ammonia", "51", "above 50"),
        ("ammonia", "<0", "below 0"),
        ("ammonia", ">50", "above 50"),
        ("ph", "14", "above 11"),
        ("salinity", "1026", "above 60"),
        ("alkalinity", "140", "read as [dKH]"),
        ("ammonia", "<", "not a reading"),
        ("ammonia", "trace", "not a reading"),
        ("ammonia", "nan", "not a reading"),
        ("ammonia", "<<1", "not a reading"),
        ("ammonia", "<=1", "not a reading"),
        ("ammonia", "0,25", "comma"),
    ],
)
def test_refused(analyte: str, text: str, why: str) -> None:
    found = scale(analyte).read(text)
    assert isinstance(found, Fault)
    assert why in found.what
    assert found.mend


def test_chart_steps_leave_no_gap() -> None:
    for entry in ANALYTES.values():
        for chart in entry.charts.values():
            found = [between_steps(s, chart.steps, entry.range.low) for s in chart.steps]
            for (_, high), (low, _) in pairwise(found):
                assert high == low


@given(
    st.sampled_from([(a, u) for a in ANALYTES for u in units_of(a)]),
    st.decimals(0, 60, places=2),
    st.sampled_from(["photometer", "probe", "colour_chart", "strip"]),
)
@settings(max_examples=200, deadline=None)
def test_the_interval_holds_the_best_value(
    pair: tuple[str, str], value: object, method: str
) -> None:
    found = scale(pair[0], method, pair[1]).read(str(value))
    if isinstance(found, Reading):
        slack = 1e-9 * max(1.0, found.best)
        assert found.low - slack <= found.best <= found.high + slack
        assert ANALYTES[pair[0]].range.low <= found.low
