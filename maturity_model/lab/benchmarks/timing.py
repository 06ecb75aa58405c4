"""Time several things in turn, so that a busy machine is unfair to all of them alike."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from maturity_model.lab.page import markdown_table


def in_turn(
    things: Mapping[str, Callable[[], object]],
    rounds: int,
    clock: Callable[[], float] = time.process_time,
    calls: int = 1,
) -> pd.DataFrame:
    """Run each once unmeasured (compilation, caches), then all in turn, ``rounds`` times.

    Seconds by round and thing, by default of the processor and all threads, which is free of the
    turns that other processes take. Of several ``calls`` in each turn the median counts: a sampler
    too calls again and again, with its own data in the processor's cache.
    """
    for run in things.values():
        run()
    seconds: dict[str, list[float]] = {name: [] for name in things}
    for _ in range(rounds):
        for name, run in things.items():
            turn = []
            for _ in range(calls):
                begin = clock()
                run()
                turn.append(clock() - begin)
            seconds[name].append(float(np.median(turn)))
    return pd.DataFrame(seconds)


def ratios(seconds: pd.DataFrame, to: str) -> pd.Series:
    """Median over rounds of each time divided by that of ``to`` in the same round."""
    return seconds.div(seconds[to], axis=0).median()


def timing_table(seconds: pd.DataFrame, to: str, unit: str, scale: float, digits: int) -> str:
    """Medians, best times and :func:`ratios`, as a Markdown table; ``scale`` units are a second."""
    times = f"times {to}"
    frame = pd.DataFrame(
        {
            "timed": seconds.columns,
            f"median {unit}": seconds.median() * scale,
            f"best {unit}": seconds.min() * scale,
            times: ratios(seconds, to),
        }
    )
    form = f"{{:,.{digits}f}}"
    return markdown_table(frame, {f"median {unit}": form, f"best {unit}": form, times: "{:.2f}"})


def verdict(words: str, met: bool) -> str:
    """Item about a target: what was demanded and what was found, and whether that is enough."""
    return f"- Target, {words}, {'met' if met else 'NOT MET'}."


def exponent(sizes: Sequence[float], seconds: Sequence[float]) -> float:
    """Power with which time grows: the slope of a line through the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])
