"""From a reading as written to the interval in which the true value lies."""

from __future__ import annotations

import math
from bisect import bisect_right

from maturity_model.catalogue import Analyte
from maturity_model.logbook.numbers import last_digit, parse_number
from maturity_model.logbook.plausible import doubt_reading
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.types import Reading
from maturity_model.logbook.units import Unit, as_specific_gravity

#: Two numbers that differ by less are the same step.
_SAME = 1e-9


def assumed_method(analyte: Analyte) -> str:
    """Return the method that is assumed for a reading without a kit."""
    # The nutrients are informative, and mostly read by colour.
    return "colour_chart" if analyte.informative else "probe"


class Scale:
    """How one keeper reads one analyte.

    Parameters
    ----------
    analyte : Analyte
    unit : Unit
    method : str
    steps : tuple of float
        The colour chart in ``unit``; empty for the method's generic chart.
    named : bool
        Whether the kit stands in ``kits.csv``.
    decimal : str or None
        The logbook's decimal mark.

    Attributes
    ----------
    steps : tuple of float
        Canonical unit, increasing; empty where there is no chart.
    resolution : float
        Canonical unit; 0 where it is not known.
    first_step : float
        First step of the chart above 0, canonical unit; 0 where there is no chart.
    """

    def __init__(
        self,
        analyte: Analyte,
        unit: Unit,
        method: str,
        steps: tuple[float, ...] = (),
        *,
        named: bool = False,
        decimal: str | None = None,
    ):
        self.analyte, self.unit, self.method = analyte, unit, method
        self.named, self.decimal = named, decimal
        chart = analyte.charts.get(method)
        self.resolution = chart.resolution if chart and not steps else 0.0
        self.steps = tuple(map(unit.convert, steps)) or (chart.steps if chart else ())
        self.first_step = next((s for s in self.steps if s > 0), 0.0)
        self._parsed: dict[str, Reading | Fault] = {}
        self._doubts: dict[str, Fault] = {}

    def doubt(self, text: str) -> Fault | None:
        """Return why a result that was read is unusual, if it is."""
        return self._doubts.get(text)

    def read(self, text: str) -> Reading | Fault:
        """Read one result: a number, ``<x`` or ``>x``."""
        reading = self._parsed.get(text)
        if reading is None:
            reading = self._parsed[text] = self._read(text)
        return reading

    def _read(self, text: str) -> Reading | Fault:
        sign = text[0] if text[0] in "<>" else ""
        digits = text[len(sign) :].strip()
        written = parse_number(digits, self.decimal)
        if isinstance(written, Fault):
            if written.what == "is not a number":
                mend = "write a number, <x or >x (for example 0.25 or <0.25), or leave it blank"
                return Fault("is not a reading", mend)
            return written
        unit = self.unit
        if not self.named and self.analyte.name == "salinity":
            unit = as_specific_gravity(written) or unit
        if unit.name in ("1", "g/kg") and as_specific_gravity(written):
            return Fault(
                f"can only be a specific gravity, while kits.csv says {unit.name}",
                "correct the reading, or write sg 25/25 as the unit in kits.csv",
            )
        value, bounds = unit.convert(written), self.analyte.range
        doubt = doubt_reading(self.analyte, written, unit)
        if doubt and not bounds.low <= value <= bounds.high:
            return doubt
        if (sign == ">" and value == bounds.high) or (sign == "<" and value == bounds.low):
            side = "above" if sign == ">" else "below"
            return Fault(f"is {side} {value:g}, where nothing can be", "correct it")
        if doubt:
            self._doubts[text] = doubt
        low, high, best = self._interval(value, written, digits, unit, sign)
        return Reading(text, low, high, best, unit.name, self.method, self.first_step)

    def _interval(
        self, value: float, written: float, digits: str, unit: Unit, sign: str
    ) -> tuple[float, float, float]:
        least = self.analyte.range.low
        if sign == "<":
            # Half of a bound makes no sense where zero is not "none" (pH, °C).
            return least, value, value / 2 if self.analyte.informative else value
        if sign == ">":
            return value, math.inf, value
        if self.steps:
            return *between_steps(value, self.steps, least), value
        low, high = value - self.resolution / 2, value + self.resolution / 2
        if not (self.named and self.resolution and unit.name == self.analyte.unit):
            # The usual resolution holds for a kit of kits.csv in its usual unit; any other
            # is not trusted beyond the written digits.
            half = last_digit(digits) / 2
            low = min(low, unit.convert(written - half))
            high = max(high, unit.convert(written + half))
        return max(low, least), high, value


def between_steps(value: float, steps: tuple[float, ...], least: float) -> tuple[float, float]:
    """Return the interval of true values that are read as ``value`` on a colour chart.

    Parameters
    ----------
    value : float
    steps : tuple of float
        Increasing, same unit.
    least : float
        The least that can be true.

    Returns
    -------
    low, high : float
        On a step: up to half-way to its neighbours (the nearest colour was chosen), and
        without end above the last step. Between two steps: from one to the other.
    """
    place = bisect_right(steps, value + _SAME * max(1.0, abs(value)))
    at = place - 1
    if at >= 0 and abs(steps[at] - value) <= _SAME * max(1.0, abs(value)):
        low = least if at == 0 else (steps[at - 1] + steps[at]) / 2
        high = math.inf if at == len(steps) - 1 else (steps[at] + steps[at + 1]) / 2
        return low, high
    low = least if at < 0 else steps[at]
    high = math.inf if place == len(steps) else steps[place]
    return low, high
