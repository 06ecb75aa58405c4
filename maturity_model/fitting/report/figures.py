"""Figures of the researcher's report as data: lines, dots and words, and the table behind them.

Places are percentages across and pixels down, so that the same figure serves the page, at any
width and in light and dark, and a file. ``templates/charts.html`` draws them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from maturity_model.report.plain_text import cut
from maturity_model.report.views.tables import Table

#: Height of the plot of a check, in pixels.
_CHECK_HEIGHT = 96.0
#: Columns of an interval, and what they are called in its table.
_SHOWN = {
    "q05": "5 %",
    "q50": "Median",
    "q95": "95 %",
    "prior_q05": "Prior 5 %",
    "prior_q50": "Prior median",
    "prior_q95": "Prior 95 %",
    "observed": "In the log",
}


class Line(NamedTuple):
    """A stroke; ``look`` is its class."""

    look: str
    x1: str
    x2: str
    y1: float
    y2: float


class Dot(NamedTuple):
    """A dot or a ring; ``look`` is its class."""

    look: str
    x: str
    y: float


class Words(NamedTuple):
    """Plain text; ``look`` is its class."""

    look: str
    x: str
    y: float
    text: str


@dataclass(frozen=True)
class Figure:
    """What a figure shows.

    Attributes
    ----------
    name : str
        Of its file, without extension: a plain word, different for every figure of a page.
    title, unit : str
    height : float
        Pixels.
    margin : int
        Room for words on the left, in pixels.
    shapes : tuple of Line, Dot and Words
    table : Table
    """

    name: str
    title: str
    unit: str
    height: float
    margin: int
    shapes: tuple[Line | Dot | Words, ...]
    table: Table


def number(x: float) -> str:
    """Three digits, or a dash where it is not finite."""
    if not math.isfinite(x):
        return "–"
    return f"{x:.0f}" if abs(x) >= 100 else f"{x:.3g}"


def ticks(low: float, high: float, log: bool) -> list[float]:
    """A few round numbers from ``low`` to ``high``."""
    if log:
        decades = [m * 10.0**e for e in range(-6, 7) for m in (1, 2, 5)]
        inside = [x for x in decades if low <= x * (1 + 1e-9) and x <= high * (1 + 1e-9)]
        return inside if len(inside) <= 8 else inside[:: math.ceil(len(inside) / 8)]
    span = high - low
    size = 10.0 ** math.floor(math.log10(span / 4))
    step = next(m * size for m in (1, 2, 2.5, 5, 10) if span / (m * size) <= 6)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _range(values: pd.DataFrame, log: bool, floor: float) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if log:
        return max(low, floor) * 0.95, max(high, floor) * 1.05
    low = 0.0 if 0 <= low < 0.35 * high else low
    # A constant still needs a width.
    return low, high if high > low else low + 1.0


def _scale(low: float, high: float, log: bool) -> Callable[[float], str]:
    def at(x: float) -> str:
        if log:
            share = math.log(max(x, low) / low) / math.log(high / low)
        else:
            share = (x - low) / (high - low)
        return f"{100 * min(max(share, 0.0), 1.0):.2f}%"

    return at


def _interval(row: Any, y: float, at: Callable[[float], str]) -> list[Line | Dot | Words]:
    shapes: list[Line | Dot | Words] = []
    if math.isfinite(getattr(row, "prior_q05", math.nan)):
        shapes.append(Line("prior", at(row.prior_q05), at(row.prior_q95), y + 5, y + 5))
    shapes.append(Line("r90", at(row.q05), at(row.q95), y, y))
    if hasattr(row, "q25"):
        shapes.append(Line("r50", at(row.q25), at(row.q75), y, y))
    shapes.append(Dot("median", at(row.q50), y))
    if hasattr(row, "observed"):
        shapes.append(Dot("observed", at(row.observed), y))
    return shapes


def interval_figure(
    name: str,
    title: str,
    unit: str,
    rows: pd.DataFrame,
    named: dict[str, str],
    *,
    log: bool = False,
    floor: float = 1e-6,
) -> Figure | None:
    """Intervals: posterior in bold, prior in grey below, observed as a ring; None without rows.

    ``rows`` holds the quantiles ``q05, q50, q95``, and ``q25, q75``, ``prior_q05`` to ``prior_q95``
    and ``observed`` where they are known. ``named`` are the columns that name a row, by their
    heading in the table; rows with the same first name follow one another under it. A logarithmic
    scale (``log``) ends at ``floor``.
    """
    if rows.empty:
        return None
    shown = [c for c in _SHOWN if c in rows and rows[c].notna().any()]
    drawn = [c for c in rows if c in shown or c in ("q25", "q75")]
    low, high = _range(rows[drawn], log, floor)
    at = _scale(low, high, log)
    groups, *labels = named.values()
    shapes: list[Line | Dot | Words] = []
    y, group = 0.0, None
    for row in rows.itertuples():
        label = getattr(row, labels[0]) if labels else ""
        if getattr(row, groups) != group:
            group = getattr(row, groups)
            y += 24
            shapes.append(Words("group", "-92", y, cut(group, 60)))
            # A line without a label is drawn close to the name of its group.
            y += 2 if label else -7
        y += 15
        shapes.append(Words("label", "-8", y + 4, cut(label, 16)))
        shapes += _interval(row, y, at)
    height = y + 12
    axis: list[Line | Dot | Words] = []
    for tick in ticks(low, high, log):
        axis.append(Line("grid", at(tick), at(tick), 0, height))
        axis.append(Words("tick", at(tick), height + 14, number(tick)))
    if log and low < 1 < high:
        axis.append(Line("one", at(1), at(1), 0, height))
    shapes.append(Words("unit", "0", height + 28, unit))
    cells = pd.concat([rows[[*named.values()]], rows[shown].map(number)], axis=1)
    head = (*named, *(_SHOWN[c] for c in shown))
    table = Table(f"{title} ({unit})", head, tuple(cells.itertuples(index=False, name=None)))
    return Figure(name, title, unit, height + 32, 130, (*axis, *shapes), table)


def check_figure(name: str, title: str, unit: str, checks: pd.DataFrame) -> Figure:
    """Predictive checks of one sign or analyte by age, of which there is at least one.

    Drawn logs are bars from 5 % to 95 %, the log itself is rings.
    """
    top = 1.0 if unit == "share seen" else float(checks[["q95", "observed"]].max(axis=None)) or 1.0
    last = float(checks["week"].max()) + 4
    levels = [0.0, 0.5, 1.0] if top == 1.0 else ticks(0.0, top, log=False)[::2]

    def across(week: float) -> str:
        return f"{100 * week / last:.2f}%"

    def down(value: float) -> float:
        return round(_CHECK_HEIGHT * (1 - min(value / top, 1.0)), 1)

    shapes: list[Line | Dot | Words] = []
    for level in levels:
        y = down(level)
        shapes += [Line("grid", "0", "100%", y, y), Words("label", "-5", y + 4, number(level))]
    for c in checks.itertuples():
        x = across(c.week)
        shapes.append(Line("r90", x, x, down(c.q05), down(c.q95)))
        shapes += [Dot("median", x, down(c.q50)), Dot("observed", x, down(c.observed))]
    for week in ticks(0.0, last, log=False):
        shapes.append(Words("tick", across(week), _CHECK_HEIGHT + 14, f"{week:.0f}"))
    shapes.append(Words("unit", "0", _CHECK_HEIGHT + 27, f"age in weeks; {unit}"))
    shown = ["observed", "q05", "q50", "q95"]
    weeks = checks["week"].map(lambda week: f"{week - 4:.0f} to {week + 3:.0f}")
    cells = pd.concat([weeks, checks["answers"].map(str), checks[shown].map(number)], axis=1)
    head = ("Weeks", "Answers", *(_SHOWN[c] for c in shown))
    rows = tuple(cells.itertuples(index=False, name=None))
    table = Table(f"{title} by age ({unit})", head, rows)
    return Figure(name, title, unit, _CHECK_HEIGHT + 30, 60, tuple(shapes), table)
