"""Dates are read or refused, never guessed."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maturity_model.logbook.dates import Dated, parse_date
from maturity_model.logbook.problems import Fault

DAY = dt.date(2026, 3, 25)


def read(text: str, order: str | None = None) -> Dated:
    found = parse_date(text, order)
    assert isinstance(found, Dated), found
    return found


@pytest.mark.parametrize(
    "text",
    ["2026-03-25", "2026-03-25T23:59:00Z", "2026-03-25T00:10+13:00", "2026-03-25 07:05",
     "2026-03-25t07:05:59.123-0500"],
)  # fmt: skip
def test_iso_keeps_the_calendar_date_as_written(text: str) -> None:
    assert read(text) == Dated(DAY, "")


@pytest.mark.parametrize(
    "text",
    [
        "25/03/2026", "25.3.2026", "25-03-2026", "03/25/2026", "2026/03/25", "2026-3-25",
        "20260325", "25 Mar 2026", "25-Mar-2026", "25 march 2026", "25th March 2026",
        "March 25, 2026", "Mar 25 2026", "Mar. 25th, 2026", "MARCH 25,2026",
    ],
)  # fmt: skip
def test_other_unambiguous_forms_are_read_and_named(text: str) -> None:
    found = read(text)
    assert found.date == DAY
    assert found.form


def test_day_and_month_are_never_guessed() -> None:
    found = parse_date("03/04/2026")
    assert isinstance(found, Fault)
    assert "2026-04-03" in found.what
    assert "2026-03-04" in found.what
    assert "date_order" in found.mend
    assert read("03/03/2026").date == dt.date(2026, 3, 3)
    assert read("03/04/2026", "day-month-year").date == dt.date(2026, 4, 3)
    assert read("03/04/2026", "month-day-year").date == dt.date(2026, 3, 4)
    assert read("25/03/2026", "day-month-year").date == DAY
    against = parse_date("25/03/2026", "month-day-year")
    assert isinstance(against, Fault)
    assert "date_order" in against.what


def test_september_has_two_short_forms() -> None:
    assert read("3 Sep 2026").date == read("3 Sept 2026").date == dt.date(2026, 9, 3)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("2026-02-29", "does not exist"),
        ("31/04/2026", "does not exist"),
        ("2026/25/03", "does not exist"),
        ("0000-01-01", "does not exist"),
        ("25/03/26", "two digits"),
        ("3 Mar 26", "two digits"),
        ("1/2/26", "two digits"),
        ("3 Foo 2026", "no month"),
        ("yesterday", "not a date"),
        ("46000", "not a date"),
        ("2026-03", "not a date"),
        ("٢٠٢٦-٠٣-٢٥", "not a date"),
        ("2026-03-25T99:00", "not a date"),
        ("9" * 5000, "not a date"),
        ("", "not a date"),
    ],
)
def test_refused(text: str, why: str) -> None:
    found = parse_date(text)
    assert isinstance(found, Fault)
    assert why in found.what
    assert found.mend


@given(st.dates(), st.sampled_from(["%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%d %B %Y", "%b %d, %Y"]))
@settings(max_examples=100, deadline=None)
def test_every_date_comes_back(date: dt.date, form: str) -> None:
    assert read(date.strftime(form.replace("%Y", f"{date.year:04}"))).date == date
