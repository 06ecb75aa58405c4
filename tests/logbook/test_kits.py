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


def interval(found: Reading | Fault) -> tuple[float, float, float]:
    assert isinstance(found, Reading), found
    return found.low, found.high, found.best


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0", (0, 0.125, 0)),
        ("0.25", (0.125, 0.375, 0.25)),
        ("0.03", (0, 0.25, 0.03)),
        ("3", (2, 4, 3)),
        ("8", (6, math.inf, 8)),
        ("12", (8, math.inf, 12)),
        ("<0.25", (0, 0.25, 0.125)),
        ("< 0.25", (0, 0.25, 0.125)),
        (">8", (8, math.inf, 8)),
    ],
)
def test_colour_chart(text: str, expected: tuple[float, float, float]) -> None:
    # The generic ammonia chart is 0;0.25;0.5;1;2;4;8.
    assert interval(scale("ammonia").read(text)) == pytest.approx(expected)


def test_own_steps_are_in_the_kits_unit() -> None:
    own = scale("nitrate", "colour_chart", "mg/L NO3-N", (0.0, 1.0, 2.5))
    factor = 62.004 / 14.007
    assert interval(own.read("1")) == pytest.approx((0.5 * factor, 1.75 * factor, factor))
    assert interval(own.read("2.5")) == pytest.approx((1.75 * factor, math.inf, 2.5 * factor))
    found = own.read("1")
    assert isinstance(found, Reading)
    assert (found.unit, found.method, found.text) == ("mg/L NO3-N", "colour_chart", "1")


def test_a_chart_that_does_not_begin_at_zero() -> None:
    assert interval(scale("ph", "colour_chart").read("7.0")) == pytest.approx((4, 7.4, 7.0))
    assert interval(scale("ph", "colour_chart").read("7.4")) == pytest.approx((4, 7.6, 7.4))


def test_resolution_of_a_named_kit_stands_though_zeros_are_missing() -> None:
    meter = scale("ammonia", "photometer")
    assert interval(meter.read("0.1")) == pytest.approx((0.095, 0.105, 0.1))
    assert interval(meter.read("0")) == pytest.approx((0, 0.005, 0))


def test_an_assumed_probe_is_not_trusted_beyond_the_written_digits() -> None:
    assert interval(scale("temperature").read("25")) == pytest.approx((24.5, 25.5, 25))
    assert interval(scale("temperature").read("25.0")) == pytest.approx((24.95, 25.05, 25))
    assert interval(scale("ph").read("8.2")) == pytest.approx((8.15, 8.25, 8.2))


def test_another_unit_is_not_trusted_beyond_the_written_digits() -> None:
    meter = scale("nitrate", "photometer", "mg/L NO3-N")
    factor = 62.004 / 14.007
    assert interval(meter.read("0.7")) == pytest.approx(
        (0.65 * factor, 0.75 * factor, 0.7 * factor)
    )


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


def test_less_than_is_not_halved_where_zero_is_not_none() -> None:
    assert interval(scale("ph").read("<7.4")) == pytest.approx((4, 7.4, 7.4))


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


@given(
    st.floats(0, 300),
    st.lists(st.floats(0, 200), min_size=2, max_size=9, unique=True).map(
        lambda s: tuple(sorted(s))
    ),
)
@settings(max_examples=200, deadline=None)
def test_a_chart_interval_holds_what_was_read(value: float, steps: tuple[float, ...]) -> None:
    low, high = between_steps(value, steps, 0.0)
    slack = 1e-9 * max(1.0, value)
    assert low <= value + slack
    assert value <= high + slack
    assert low < high or steps[0] == 0


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
