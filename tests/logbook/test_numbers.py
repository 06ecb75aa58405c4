"""Numbers are plain, or refused."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maturity_model.logbook.numbers import last_digit, parse_number
from maturity_model.logbook.problems import Fault


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [("0.25", None, 0.25), ("25", None, 25), (".5", None, 0.5), ("5.", None, 5),
     ("-1.5", None, -1.5), ("1e-3", None, 0.001), ("0,25", "comma", 0.25),
     ("0.25", "comma", 0.25), ("0.125", "comma", 0.125)],
)  # fmt: skip
def test_plain(text: str, decimal: str | None, value: float) -> None:
    assert parse_number(text, decimal) == value


@pytest.mark.parametrize(
    ("text", "decimal"),
    [("0,25", "point"), ("1.000", "comma"),
     *((text, None) for text in (
         "0,25", "1,000", "1,000.5", "nan", "inf", "-inf", "1e999", "0x10", "1_000", "١", "1 000",
         "", "5 ppm", "--1", "1.2.3", "9" * 41))],
)  # fmt: skip
def test_refused(text: str, decimal: str | None) -> None:
    found = parse_number(text, decimal)
    assert isinstance(found, Fault)
    assert found.what
    assert found.mend


@pytest.mark.parametrize(
    ("text", "worth"), [("8.20", 0.01), ("25", 1), ("0,5", 0.1), ("1e-3", 0.001), ("1.5e2", 10)]
)
def test_last_digit(text: str, worth: float) -> None:
    assert last_digit(text) == pytest.approx(worth, rel=1e-12)


@given(st.floats(allow_nan=False, allow_infinity=False))
@settings(max_examples=100, deadline=None)
def test_every_float_comes_back(value: float) -> None:
    assert parse_number(repr(value)) == value
