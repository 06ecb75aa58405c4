"""Time several things in turn, so that a busy machine is unfair to all of them alike."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from maturity_model.lab.page import markdown_table


class Timing(NamedTuple):
    """Times of one thing, in seconds."""

    name: str
    seconds: list[float]

    @property
    def median(self) -> float:
        return statistics.median(self.seconds)

    @property
    def best(self) -> float:
        return min(self.seconds)


def in_turn(
    things: dict[str, Callable[[], object]],
    rounds: int,
    clock: Callable[[], float] = time.perf_counter,
    row: int = 1,
    rest: float = 0.0,
) -> list[Timing]:
    """Run each once unmeasured (compilation, caches), then all in turn, ``rounds`` times.

    In its turn a thing runs ``row`` times, of which the median counts: a sampler calls
    again and again, with its own data in the processor's cache and not another's. Before
    each turn is a pause of ``rest`` seconds.
    """
    for run in things.values():
        run()
    timings = [Timing(name, []) for name in things]
    for _ in range(rounds):
        for timing, run in zip(timings, things.values(), strict=True):
            time.sleep(rest)
            turn = []
            for _ in range(row):
                begin = clock()
                run()
                turn.append(clock() - begin)
            timing.seconds.append(statistics.median(turn))
    return timings


def ratios(timings: list[Timing], to: str) -> dict[str, float]:
    """Median over rounds of each time divided by that of ``to`` in the same round."""
    (base,) = (t for t in timings if t.name == to)
    return {
        t.name: statistics.median(a / b for a, b in zip(t.seconds, base.seconds, strict=True))
        for t in timings
    }


def table(
    timings: list[Timing], unit: str, scale: float, bases: dict[str, str], digits: int = 0
) -> str:
    """Median and best time of each, in a unit, and the ratio to each base under its heading."""
    rows = pd.DataFrame({"": [t.name for t in timings]})
    for heading, times in (
        (f"median {unit}", [t.median for t in timings]),
        (f"best {unit}", [t.best for t in timings]),
    ):
        rows[heading] = [scale * x for x in times]
    for heading, base in bases.items():
        rows[heading] = list(ratios(timings, base).values())
    form = f"{{:,.{digits}f}}"
    formats = {f"median {unit}": form, f"best {unit}": form}
    return markdown_table(rows, formats | dict.fromkeys(bases, "{:.2f}"))


def verdict(met: bool) -> str:
    """Whether a target is met, in a word."""
    return "met" if met else "NOT MET"


def missing(name: str, error: Exception) -> str:
    """Line about a peer that is not there."""
    return f"MISSING: {name} was not measured: {type(error).__name__}: {error}"


def exponent(sizes: Sequence[float], seconds: Sequence[float]) -> float:
    """Power with which time grows: the slope of a line through the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])
