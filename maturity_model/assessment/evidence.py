"""What a log says of ammonia and nitrite, as far as a permission rests on it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from maturity_model.assessment.ammonia import NBS_DOUBT, Span
from maturity_model.assessment.ammonia_now import ASSUMED, CHRONIC_MG_L, TankLog, water_now
from maturity_model.logbook import Reading

Limits = Mapping[str, float]
Poison = Literal["ammonia", "nitrite"]
POISONS: tuple[Poison, ...] = ("ammonia", "nitrite")

Need = Literal[
    "ammonia", "nitrite", "both readings", "look", "caution", "alarm", "refused row", "quiet",
    "after overfeeding", "fell at once", "judged", "proof of work", "last addition",
    "after addition",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Missing:
    """One piece of evidence that a permission lacks.

    Attributes
    ----------
    need : str
        What is missing, in one word or two: see :data:`Need`.
    why : str
        What the log says instead. Plain text that may quote the log: escape it.
    do : str
        What would supply it.
    """

    need: Need
    why: str
    do: str


def highest_unionised(log: TankLog, limits: Limits, total: float) -> float:
    """Un-ionised ammonia at most, mg/L as NH3, for a total in mg/L as NH4.

    pH, temperature and salinity are the upper ends of the latest readings of the last four
    weeks; what was not measured is taken from the cautious side (``assumed_ph`` and so on).
    So is the doubt about the NBS scale (:data:`.ammonia.NBS_DOUBT`).
    """
    water = water_now(log, {name: limits[f"assumed_{name}"] for name in ASSUMED})
    if water.scale == "nbs":
        water = water._replace(ph=water.ph._replace(high=water.ph.high + NBS_DOUBT))
    return water.unionised(Span(total, total, total)).high


def at_most(reading: Reading) -> float:
    """The most that a reading, as written, admits: ``<x`` is x, ``>x`` is without end."""
    if reading.text.startswith("<"):
        return reading.high
    return float("inf") if reading.text.startswith(">") else reading.best


def low_step(reading: Reading, limits: Limits) -> float:
    """Return the reading up to which the cycle counts as finished.

    The same for a finer kit: it must not be refused what a coarser one is permitted.
    """
    return max(reading.first_step, limits["first_step"])


def is_high(log: TankLog, limits: Limits, name: Poison, reading: Reading) -> bool:
    """Whether a reading is surely above the permitted, whatever the kit cannot tell."""
    if reading.low <= 0:
        return False
    if name == "ammonia":
        return highest_unionised(log, limits, reading.high) >= CHRONIC_MG_L
    return at_most(reading) > low_step(reading, limits)


def read_since(log: TankLog, date: dt.date, days: float, *analytes: str) -> bool:
    """Whether each of these analytes was last measured this many days after a day, or later."""
    found = [log.latest_reading(name) for name in analytes]
    return all(x is not None and (x[0] - date).days >= days for x in found)
