"""Numbers as a log writes them: strict, never guessed."""

from __future__ import annotations

import math
import re

from maturity_model.logbook.problems import Fault

#: Longest text read as a number.
_MAX = 40
_POINT = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_COMMA = re.compile(r"[-+]?(?:[0-9]+(?:,[0-9]*)?|,[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
#: With a decimal comma, a point before exactly three digits may part thousands.
_THOUSANDS = re.compile(r"[-+]?[1-9][0-9]{0,2}\.[0-9]{3}")


def parse_number(text: str, decimal: str | None = None) -> float | Fault:
    """Read a plain, finite number.

    ``decimal`` is the mark that the logbook states, ``comma`` or ``point``. None: a point, and
    a comma is refused.
    """
    if len(text) <= _MAX:
        if decimal == "comma":
            if _THOUSANDS.fullmatch(text):
                return Fault(
                    "could be a thousand or a fraction in a logbook with decimal commas",
                    f"write {text.replace('.', ',')} or {text.replace('.', '')}",
                )
            if _COMMA.fullmatch(text):
                text = text.replace(",", ".")
        if _POINT.fullmatch(text):
            value = float(text)
            if math.isfinite(value):
                return value
            return Fault("is too large a number", "write the number that was read")
        if "," in text and _COMMA.fullmatch(text):
            if decimal == "point":
                mend = "write the decimal mark as a point, and no thousands mark"
                return Fault("has a comma", mend)
            return Fault(
                "has a comma, which may mark decimals or thousands",
                f"write {text.replace(',', '.')}, or make a file logbook.csv with the two lines "
                "setting,value and decimal,comma",
            )
    return Fault("is not a number", "write a plain number such as 0.25, without unit or spaces")


def last_digit(text: str) -> float:
    """Return the value of one unit in the last written digit: 0.01 for ``8.20``, 1 for ``25``."""
    digits, _, exponent = text.lower().replace(",", ".").partition("e")
    decimals = len(digits.partition(".")[2])
    return 10.0 ** (int(exponent or 0) - decimals)
