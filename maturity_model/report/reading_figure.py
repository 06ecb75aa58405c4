"""Readings: one small picture for each analyte, each reading drawn as an interval."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from maturity_model.report.history_figure import week_ticks
from maturity_model.report.html import as_table, esc
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    import datetime as dt

    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Analyte, Catalogue
    from maturity_model.logbook.types import Reading

_HEIGHT = 92
#: At most this many weeks are drawn, and readings listed, the latest ones.
MAX_WEEKS = 78
MAX_ROWS = 60
_DECADES = tuple(m * 10.0**e for e in range(-3, 4) for m in (1, 2, 5))
_UNITS = {"1": "", "[pH]": "", "Cel": "°C", "[dKH]": "dKH"}
_METHODS = {
    "colour_chart": "colour chart",
    "strip": "strip",
    "photometer": "photometer",
    "probe": "probe",
}


def number(value: float) -> str:
    """A number as short as it can be without losing what a kit tells."""
    return f"{value:.4g}"


def unit_words(unit: str) -> str:
    """A unit for the page: UCUM codes that a keeper would not know are spelt out."""
    return esc(_UNITS.get(unit, unit), 30)


def _column_unit(analyte: Analyte) -> str:
    """Canonical unit, with the substance where it matters."""
    known_unit = analyte.display_unit and analyte.unit.startswith(analyte.display_unit)
    return unit_words(analyte.unit) if known_unit else esc(analyte.display_unit, 30)


def known(reading: Reading) -> str:
    """The interval of a reading in words, canonical unit."""
    if math.isinf(reading.high):
        return f"{number(reading.low)} or more"
    if math.isinf(reading.low):
        return f"{number(reading.high)} or less"
    if reading.low == reading.high:
        return number(reading.low)
    return f"{number(reading.low)}–{number(reading.high)}"


def _domain(analyte: Analyte, readings: list[Reading]) -> tuple[float, float]:
    ends = [r.low for r in readings if math.isfinite(r.low)]
    ends += [r.high for r in readings if math.isfinite(r.high)]
    ends += [r.best for r in readings]
    low, high = min(ends), max(ends)
    if analyte.informative:
        return min(low, 0.0), max(high * 1.1, 4 * analyte.offset)
    pad = max(0.08 * (high - low), 0.01 * abs(high), 1e-6)
    return low - pad, high + pad


def _ticks(analyte: Analyte, low: float, high: float, place: Callable[[float], float]) -> str:
    if analyte.informative:
        values = [0.0, *(v for v in _DECADES if low <= v <= high)]
    else:
        step = next((v for v in _DECADES if (high - low) / v <= 3.5), high - low)
        values = [step * n for n in range(math.ceil(low / step), math.floor(high / step) + 1)]
    out, last = [], math.inf
    for value in values:
        y = place(value)
        if last - y < 19:
            continue
        last = y
        out.append(
            f'<line class="rule" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text class="e" x="-5" y="{y + 4:.1f}">{number(value)}</text>'
        )
    return "".join(out)


def _panel(
    tank: TankAssessment, analyte: Analyte, rows: list[tuple[dt.date, Reading]], first: int
) -> str:
    count = int(tank.weeks[-1]) - first + 1
    shown = [(d, r) for d, r in rows if (d - tank.tank.started).days >= 7 * first]
    if not shown:
        return f'<p class="soft">Nothing in the last {plural(count, "week")}.</p>'
    low, high = _domain(analyte, [r for _, r in shown])
    if analyte.informative:
        base, whole = math.log(low + analyte.offset), math.log(high + analyte.offset)
    else:
        base, whole = low, high

    def place(value: float) -> float:
        at = math.log(max(value, 0.0) + analyte.offset) if analyte.informative else value
        return _HEIGHT - 4 - (_HEIGHT - 12) * (at - base) / (whole - base)

    spans, arrows = [], []
    for date, reading in shown:
        x = ((date - tank.tank.started).days + 0.5) / 7 - first
        up, down = math.isinf(reading.high), math.isinf(reading.low)
        top = 0.0 if up else place(reading.high)
        foot = float(_HEIGHT) if down else place(reading.low)
        # A reading finer than the picture still needs a mark.
        if foot - top < 3:
            top, foot = (top + foot) / 2 - 1.5, (top + foot) / 2 + 1.5
        spans.append(f"M{x:.2f} {foot:.1f}V{top:.1f}")
        for is_open, path in (
            (up, "M-5 4H5L0-4Z"),
            (down, f"M-5 {_HEIGHT - 4}H5L0 {_HEIGHT + 4}Z"),
        ):
            if is_open:
                arrows.append(
                    f'<svg x="{100 * x / count:.1f}%"><path class="arrow" d="{path}"/></svg>'
                )
    axis = "".join(
        f'<line class="rule" x1="{x}" x2="{x}" y1="{_HEIGHT}" y2="{_HEIGHT + 4}"/>'
        f'<text class="m" x="{x}" y="{_HEIGHT + 15}">{week}</text>'
        for week in week_ticks(first, count, 4)
        for x in [f"{100 * (week - first) / count:.1f}%"]
    )
    ident = f"r-{analyte.name}"
    last = shown[-1][1]
    return (
        f'<div class="panel"><svg role="img" aria-labelledby="{ident}-t {ident}-d" width="100%" '
        f'height="{_HEIGHT + 18}"><title id="{ident}-t">{esc(analyte.label)} readings by week'
        f'</title><desc id="{ident}-d">{plural(len(shown), "reading")}; the last is known to be '
        f"{known(last)} {_column_unit(analyte)}.</desc>"
        f"{_ticks(analyte, low, high, place)}"
        f'<line class="frame" x2="100%" y1="{_HEIGHT}" y2="{_HEIGHT}"/>{axis}'
        f'<svg width="100%" height="{_HEIGHT}" viewBox="0 0 {count} {_HEIGHT}" '
        f'preserveAspectRatio="none"><path class="span" d="{"".join(spans)}"/></svg>'
        f"{''.join(arrows)}</svg></div>"
    )


def reading_figures(tank: TankAssessment, catalogue: Catalogue) -> str:
    """One figure, with its table, for each analyte that the log holds readings of."""
    weeks = len(tank.weeks)
    first = int(tank.weeks[0]) + max(0, weeks - MAX_WEEKS)
    out = []
    for analyte in catalogue.analytes.values():
        rows = [
            (c.date, c.readings[analyte.name]) for c in tank.checkins if analyte.name in c.readings
        ]
        if not rows:
            continue
        unit = _column_unit(analyte)
        kept = rows[-MAX_ROWS:]
        cut = f", the last {MAX_ROWS}" if len(rows) > MAX_ROWS else ""
        out.append(
            f"<div><figure><h3>{esc(analyte.label)} <small>{unit}</small></h3>"
            f"<figcaption>{_resolution(rows, analyte)}</figcaption>"
            f"{_panel(tank, analyte, rows, first)}</figure>"
            + as_table(
                esc(analyte.label),
                f"{esc(analyte.label)}: {plural(len(rows), 'reading')}{cut}, newest first",
                ["Date", "As written", f"Known to be{', ' if unit else ''}{unit}", "Method"],
                (
                    [
                        date.isoformat(),
                        f"{esc(r.text, 40)} <small>{unit_words(r.unit)}</small>",
                        known(r),
                        _METHODS.get(r.method, esc(r.method, 20)),
                    ]
                    for date, r in reversed(kept)
                ),
            )
            + "</div>"
        )
    if not out:
        return "<p>No readings in this log. That is no fault: eyes tell more than kits.</p>"
    cut = f" Only the last {MAX_WEEKS} weeks are drawn." if weeks > MAX_WEEKS else ""
    return (
        '<p class="small soft">A bar covers all values that the kit could not tell apart; an '
        f"arrow is a reading with no upper end. Numbers below are weeks.{cut}</p>"
        f'<div class="panels">{"".join(out)}</div>'
    )


def _resolution(rows: list[tuple[dt.date, Reading]], analyte: Analyte) -> str:
    """Which kits, and how finely the last one reads at its last value."""
    methods = dict.fromkeys(r.method for _, r in rows)
    said = " and ".join(_METHODS.get(m, esc(m, 20)) for m in methods)
    scale = "log scale; " if analyte.informative else ""
    return f"{scale}{said}; last {known(rows[-1][1])}"
