"""Dates as a log writes them. Day and month are never guessed."""

from __future__ import annotations

import datetime as dt
import re
from functools import lru_cache
from typing import NamedTuple

from maturity_model.logbook.problems import Fault

#: What ``date_order`` in ``logbook.csv`` may be.
DATE_ORDERS = ("day-month-year", "month-day-year")
_MAX = 40
#: The forms; each is compiled only for a log that uses it.
_ISO = (
    r"(?i:([0-9]{4})-([0-9]{2})-([0-9]{2})"
    r"(?:[T ](?:[01][0-9]|2[0-4]):[0-5][0-9](?::[0-6][0-9](?:[.,][0-9]{1,9})?)?"
    r"\s?(?:Z|[-+][0-9]{2}(?::?[0-9]{2})?)?)?)"
)
_YEAR_FIRST = r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})"
_COMPACT = r"([0-9]{4})([0-9]{2})([0-9]{2})"
_YEAR_LAST = r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4})"
_TWO_DIGITS = r"[0-9]{1,2}([-/. ])(?:[0-9]{1,2}|[A-Za-z]{3,9})\1'?[0-9]{2}"
_DAY_NAME = r"(?i:([0-9]{1,2})(?:st|nd|rd|th)?[-/ ]([a-z]{3,9})\.?,?[-/ ]([0-9]{4}))"
_NAME_DAY = r"(?i:([a-z]{3,9})\.?[-/ ]([0-9]{1,2})(?:st|nd|rd|th)?(?:,\s?|[-/ ])([0-9]{4}))"
_NAMES = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
_MONTHS = {name[:n]: i for i, name in enumerate(_NAMES, 1) for n in (3, len(name))} | {"sept": 9}
#: Day 0 of most spreadsheets.
_DAY_ZERO = dt.date(1899, 12, 30)
_ISO_MEND = "write the date as year-month-day, for example 2026-03-25"


class Dated(NamedTuple):
    """A date and the form it was written in; ``form`` is empty for ISO 8601."""

    date: dt.date
    form: str


@lru_cache(2000)
def parse_date(text: str, order: str | None = None) -> Dated | Fault:
    """Read a date; a date-time keeps the calendar date as written, whatever its zone.

    ``order`` (one of :data:`DATE_ORDERS`) is the one that the logbook states for dates such as
    03/04/2026; None refuses them.
    """
    if len(text) > _MAX:
        return Fault("is not a date", _ISO_MEND)
    if m := re.fullmatch(_ISO, text):
        return _make(m[1], m[2], m[3], "")
    if m := re.fullmatch(_YEAR_FIRST, text):
        return _make(m[1], m[3], m[4], f"is read as year{m[2]}month{m[2]}day")
    if m := re.fullmatch(_COMPACT, text):
        return _make(m[1], m[2], m[3], "is read as yearmonthday")
    if m := re.fullmatch(_YEAR_LAST, text):
        return _year_last(m[1], m[3], m[4], order)
    if m := re.fullmatch(_DAY_NAME, text):
        return _named(m[3], m[2], m[1])
    if m := re.fullmatch(_NAME_DAY, text):
        return _named(m[3], m[1], m[2])
    if re.fullmatch(_TWO_DIGITS, text):
        return Fault("has a year of two digits", f"write the year with four; {_ISO_MEND}")
    if m := re.fullmatch(r"([3-7][0-9]{4})(?:[.,][0-9]+)?", text):
        # Not read: spreadsheets that count from 1904 give the same number to another day.
        meant = _DAY_ZERO + dt.timedelta(days=int(m[1]))
        mend = f"show the column as a date before saving, or write the date as {meant}"
        return Fault("is a spreadsheet's number for a day, not a date", mend)
    return Fault("is not a date", _ISO_MEND)


def _make(year: str, month: str, day: str, form: str) -> Dated | Fault:
    try:
        return Dated(dt.date(int(year), int(month), int(day)), form)
    except ValueError:
        return Fault("is a date that does not exist", _ISO_MEND)


def _named(year: str, name: str, day: str) -> Dated | Fault:
    month = _MONTHS.get(name.lower())
    if month is None:
        return Fault("names no month", _ISO_MEND)
    return _make(year, str(month), day, "is read by the name of the month")


def _year_last(first: str, second: str, year: str, order: str | None) -> Dated | Fault:
    """Read 25/03/2026: by the order that the logbook states, or the only one possible."""
    day_first = _make(year, second, first, "is read as day, month, year")
    month_first = _make(year, first, second, "is read as month, day, year")
    possible = [date for date in (day_first, month_first) if isinstance(date, Dated)]
    if order is not None:
        stated = day_first if order == DATE_ORDERS[0] else month_first
        if stated not in possible and possible:
            return Fault(f"does not follow the date_order {order} stated in logbook.csv", _ISO_MEND)
        return stated
    if isinstance(day_first, Fault) or isinstance(month_first, Fault):
        return possible[0] if possible else day_first
    if day_first.date == month_first.date:
        return Dated(day_first.date, "is read as day and month, which are the same number")
    return Fault(
        f"may be {day_first.date} or {month_first.date}",
        f"{_ISO_MEND}, or make a file logbook.csv with the two lines setting,value and "
        "date_order,day-month-year (or month-day-year)",
    )
