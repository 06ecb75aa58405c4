"""Time several things in turn, so that a busy machine is unfair to all of them alike."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple


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


def missing(name: str, error: Exception) -> str:
    """Line about a peer that is not there."""
    return f"MISSING: {name} was not measured: {type(error).__name__}: {error}"


def exponent(sizes: Sequence[float], seconds: Sequence[float]) -> float:
    """Power with which time grows: the slope of a line through the logarithms."""
    x, y = [math.log(s) for s in sizes], [math.log(t) for t in seconds]
    middle, level = statistics.mean(x), statistics.mean(y)
    return sum((a - middle) * (b - level) for a, b in zip(x, y, strict=True)) / sum(
        (a - middle) ** 2 for a in x
    )
