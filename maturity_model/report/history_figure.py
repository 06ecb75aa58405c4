"""The phase history: probability of each phase by week, with events underneath.

Pictures keep their text at reading size on any screen: horizontal positions are percent
of the width, vertical ones pixels, and only the areas themselves are stretched.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from maturity_model.report.html import as_table, esc
from maturity_model.report.wording import percent, plural, short_interval, short_percent

if TYPE_CHECKING:
    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Catalogue

_HEIGHT = 190
_LANE = 19
#: At most this many points along an area, and rows in its table.
MAX_POINTS = 400
MAX_TABLE_WEEKS = 104
_MAX_MARKS = 300
#: A kind of event is drawn through the areas when it can set a tank back this much
#: (log hazard ratio of setback or collapse at its reference amount).
_STRONG = 1.0

#: Shape of each kind of event: class and path about the origin.
EVENT_SHAPES: dict[str, tuple[str, str]] = {
    "water_change": ("mark", "M0-5C2.5-1.5 4 0 4 2A4 4 0 0 1-4 2C-4 0-2.5-1.5 0-5Z"),
    "overfeeding": ("mark", "M0-5L5 4H-5Z"),
    "crash": ("tick", "M-4.5-4.5L4.5 4.5M-4.5 4.5L4.5-4.5M0-6V6M-6 0H6"),
    "livestock_added": ("open", "M4.2 0A4.2 4.2 0 1 1-4.2 0A4.2 4.2 0 1 1 4.2 0Z"),
    "deep_clean": ("mark", "M-4-4H4V4H-4Z"),
    "sand_disturbed": ("open", "M0-5.5L5.5 0L0 5.5L-5.5 0Z"),
    "medication": ("mark", "M-1.5-5H1.5V-1.5H5V1.5H1.5V5H-1.5V1.5H-5V-1.5H-1.5Z"),
}
_OTHER = ("open", "M-4-4H4V4H-4Z")


def shape(kind: str) -> str:
    """The mark of a kind of event, at the origin."""
    look, path = EVENT_SHAPES.get(kind, _OTHER)
    return f'<path class="{look}" d="{path}"/>'


def swatch(k: int) -> str:
    """A small square in the colour of phase ``k``."""
    return (
        '<svg width="12" height="12" aria-hidden="true">'
        f'<rect class="f{k % 4} frame" width="12" height="12"/></svg>'
    )


def stacked_bar(p: np.ndarray, labels: Sequence[str], ident: str, height: int = 14) -> str:
    """One bar of the phases' probabilities, latest phase first, with its text alternative.

    Parameters
    ----------
    p : ndarray, shape (K,)
    labels : sequence of str
    ident : str
        An id that is unique on the page.
    height : int
        Pixels.
    """
    parts, at = [], 0.0
    for k in range(len(p) - 1, -1, -1):
        width = 100 * float(p[k])
        parts.append(
            f'<rect class="f{k % 4}" x="{at:.1f}%" width="{width:.1f}%" height="{height}"/>'
        )
        if at and min(at, width) > 0.5:
            parts.append(f'<rect x="{at:.1f}%" width="1.5" height="{height}" fill="var(--bg)"/>')
        at += width
    said = ", ".join(f"{esc(labels[k])} {percent(float(p[k]))}" for k in range(len(p)))
    return (
        f'<svg role="img" aria-labelledby="{ident}" width="100%" height="{height}">'
        f'<title id="{ident}">{said}</title>{"".join(parts)}'
        f'<rect class="frame" width="100%" height="{height}"/></svg>'
    )


def week_ticks(first: int, count: int, most: int = 5) -> list[int]:
    """Week numbers to label: at most ``most`` of ``count`` weeks from ``first``."""
    step = next(
        (s for s in (1, 2, 4, 8, 13, 26, 52, 104, 208, 416, 832) if count <= s * most), 4000
    )
    return [w for w in range(first, first + count) if w % step == 0]


def time_axis(started: dt.date, first: int, count: int, y: int, rule: int, most: int = 5) -> str:
    """Week numbers and months below a picture, with faint rules of height ``rule``."""
    out = []
    ticks = week_ticks(first, count, most)
    for week in ticks:
        x = f"{100 * (week - first) / count:.2f}%"
        month = started + dt.timedelta(weeks=week)
        # A label at the far end grows leftward, so that it is not cut off.
        at_end = week - first > 0.9 * count
        turn = ' class="e"' if at_end else ""
        out.append(f'<line class="rule" x1="{x}" x2="{x}" y2="{rule}"/>')
        if at_end and any(0 < week - w < 0.3 * count for w in ticks):
            continue  # It would run into the one before.
        out.append(
            f'<text{turn} x="{x}" y="{y + 12}">wk {week}</text>'
            f'<text{turn} x="{x}" y="{y + 25}">{month:%Y-%m}</text>'
        )
    return "".join(out)


def _areas(smoothed: np.ndarray) -> str:
    weeks, phases = smoothed.shape
    stride = -(-weeks // MAX_POINTS)
    keep = np.arange(weeks)[::-stride][::-1]
    x = np.concatenate([[0.0], keep + 0.5, [float(weeks)]])
    p = smoothed[np.concatenate([keep[:1], keep, keep[-1:]])]
    # The latest phase lies at the bottom: its probability is read off the axis directly.
    top = _HEIGHT * (1 - np.cumsum(p[:, ::-1], axis=1)[:, ::-1])
    xs = [f"{v:g}" for v in x]
    out = []
    for k in range(phases):
        upper = [f"{a} {b:.1f}" for a, b in zip(xs, top[:, k].tolist(), strict=True)]
        if k + 1 < phases:
            base = zip(reversed(xs), top[::-1, k + 1].tolist(), strict=True)
            lower = "L".join(f"{a} {b:.1f}" for a, b in base)
        else:
            lower = f"{weeks} {_HEIGHT}L0 {_HEIGHT}"
        out.append(f'<path class="f{k % 4}" d="M{"L".join(upper)}L{lower}Z"/>')
    return (
        f'<svg class="area" width="100%" height="{_HEIGHT}" viewBox="0 0 {weeks} {_HEIGHT}" '
        f'preserveAspectRatio="none" overflow="hidden">{"".join(out)}</svg>'
    )


def _area_labels(smoothed: np.ndarray, labels: Sequence[str]) -> str:
    """Write each phase into its area where there is room for the word."""
    weeks = len(smoothed)
    top = 1 - np.cumsum(smoothed[:, ::-1], axis=1)[:, ::-1]
    out = []
    for k, label in enumerate(labels):
        # The word needs about a quarter of a narrow picture's width.
        reach = max(1, weeks // 8)
        padded = np.pad(smoothed[:, k], reach, mode="edge")
        thick = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=1)
        thick[: weeks // 8] = thick[weeks - weeks // 8 :] = 0
        t = int(np.argmax(thick))
        if thick[t] < 0.16:
            continue
        y = _HEIGHT * (top[t, k] + smoothed[t, k] / 2) + 4
        if abs(y - 4 - _HEIGHT / 2) < 10:
            # Clear of the rule at 50 %.
            y = _HEIGHT / 2 - 7
        out.append(
            f'<text class="in{k % 4} m" x="{100 * (t + 0.5) / weeks:.1f}%" y="{y:.0f}">'
            f"{esc(label)}</text>"
        )
    return "".join(out)


def _now_bar(now: np.ndarray) -> str:
    out, y = [], 0.0
    for k, p in enumerate(now.tolist()):
        out.append(
            f'<rect class="f{k % 4}" x="9" y="{y:.1f}" width="15" height="{_HEIGHT * p:.1f}"/>'
        )
        if p >= 0.08:
            out.append(
                f'<text x="28" y="{y + _HEIGHT * p / 2 + 4:.0f}">{short_percent(p)} %</text>'
            )
        y += _HEIGHT * p
    return (
        f'<svg x="100%">{"".join(out)}<rect class="frame" x="9" width="15" height="{_HEIGHT}"/>'
        f'<text class="strong" x="9" y="{_HEIGHT + 14}">now</text></svg>'
    )


def _lanes(tank: TankAssessment, kinds: Sequence[str]) -> str:
    """Check-ins, then one lane for each kind of event that occurs."""
    weeks = len(tank.weeks)
    scale = 100 / (7 * weeks)

    def x(date: dt.date) -> str:
        return f"{min(99.9, scale * ((date - tank.tank.started).days + 0.5)):.1f}%"

    y = _HEIGHT + 14
    days = sorted({c.date for c in tank.checkins if c.date >= tank.tank.started})
    out = [f'<text class="e" x="-6" y="{y + 4}">log</text>']
    out += [
        f'<line class="tick" x1="{x(d)}" x2="{x(d)}" y1="{y - 4}" y2="{y + 4}"/>'
        for d in days[-_MAX_MARKS:]
    ]
    for number, kind in enumerate(kinds):
        y += _LANE
        look, path = EVENT_SHAPES.get(kind, _OTHER)
        at = [x(e.date) for e in tank.events if e.kind == kind][-_MAX_MARKS:]
        out.append(
            f'<line class="rule" x2="100%" y1="{y}" y2="{y}"/>'
            f'<defs><path id="event-{number}" class="{look}" d="{path}"/></defs>'
            f'<use href="#event-{number}" x="-14" y="{y}"/>'
        )
        out += [f'<use href="#event-{number}" x="{place}" y="{y}"/>' for place in at]
    return "".join(out)


def history_figure(tank: TankAssessment, catalogue: Catalogue, labels: Sequence[str]) -> str:
    """The phase history of a tank as a figure, with its table."""
    weeks = len(tank.weeks)
    present = {e.kind for e in tank.events}
    kinds = [k for k in catalogue.events if k in present]
    strong = {
        k
        for k in kinds
        if max(catalogue.events[k].setback.value, catalogue.events[k].collapse.value) >= _STRONG
    }
    foot = _HEIGHT + 24 + _LANE * len(kinds)
    cuts = "".join(
        f'<line class="cut" x1="{at}" x2="{at}" y2="{foot}"/>'
        for at in dict.fromkeys(
            f"{100 * min(0.999, ((e.date - tank.tank.started).days + 0.5) / (7 * weeks)):.1f}%"
            for e in tank.events
            if e.kind in strong
        )
    )
    rules = "".join(
        f'<line class="rule" x2="100%" y1="{y}" y2="{y}"/>'
        f'<text class="e" x="-6" y="{y + 4}">{text}</text>'
        for y, text in ((0, "100 %"), (_HEIGHT // 2, "50 %"), (_HEIGHT, "0"))
    )
    best = int(np.argmax(tank.smoothed[-1]))
    described = (
        f"Stacked areas over {plural(weeks, 'week')}; at the end {esc(labels[best])} has "
        f"{percent(float(tank.smoothed[-1, best]))}. The table below holds every number."
    )
    picture = (
        f'<svg role="img" aria-labelledby="hist-t hist-d" width="100%" height="{foot + 30}">'
        '<title id="hist-t">Probability of each phase by week, with events</title>'
        f'<desc id="hist-d">{described}</desc>'
        f"{time_axis(tank.tank.started, int(tank.weeks[0]), weeks, foot, foot)}"
        f"{_areas(tank.smoothed)}{rules}{cuts}{_area_labels(tank.smoothed, labels)}"
        f"{_lanes(tank, kinds)}{_now_bar(tank.filtered[-1])}</svg>"
    )
    legend = "".join(f"<li>{swatch(k)}{esc(label)}</li>" for k, label in enumerate(labels))
    for kind in kinds:
        count = sum(e.kind == kind for e in tank.events)
        legend += (
            '<li><svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true">'
            f"{shape(kind)}</svg>{esc(catalogue.events[kind].label)} ({count})</li>"
        )
    thinned = " Not every week is drawn." if weeks > MAX_POINTS else ""
    return (
        "<figure><figcaption>Looking back with the whole log. The bar at the right is now, "
        "from the log up to now. Dashed: events that can set a tank back. "
        f"Strokes in the row “log”: check-ins.{thinned}</figcaption>"
        f'<ul class="legend">{legend}</ul><div class="plot">{picture}</div></figure>'
        f"{_history_table(tank, catalogue, labels)}"
    )


def _history_table(tank: TankAssessment, catalogue: Catalogue, labels: Sequence[str]) -> str:
    by_week: dict[int, list[str]] = {}
    for event in tank.events:
        week = (event.date - tank.tank.started).days // 7
        kind = catalogue.events.get(event.kind)
        by_week.setdefault(week, []).append(esc(kind.label if kind else event.kind))
    logged = {(c.date - tank.tank.started).days // 7 for c in tank.checkins}
    weeks = tank.weeks.tolist()
    start = max(0, len(weeks) - MAX_TABLE_WEEKS)
    smoothed, filtered = tank.smoothed.tolist(), tank.filtered.tolist()
    low, high = tank.smoothed_low.tolist(), tank.smoothed_high.tolist()
    rows = []
    for t in range(len(weeks) - 1, start - 1, -1):
        cells = [
            f"{short_percent(p)} <small>({short_interval(a, b)})</small>"
            for p, a, b in zip(smoothed[t], low[t], high[t], strict=True)
        ]
        cells += [short_percent(p) for p in filtered[t]]
        rows.append(
            [
                str(weeks[t]),
                tank.dates[t].isoformat(),
                *cells,
                "yes" if weeks[t] in logged else "",
                ", ".join(by_week.get(weeks[t], ())),
            ]
        )
    cut = f" The last {MAX_TABLE_WEEKS} weeks; all of them are in phase.csv." if start > 0 else ""
    names = [esc(label) for label in labels]
    return as_table(
        "Phase history",
        "Probability of each phase in percent, newest week first. Looking back: with the whole "
        "log, 5 % to 95 % of the population’s draws in brackets. At the time: with the log up "
        f"to that week.{cut}",
        [
            "Week",
            "Ends",
            *(f"{n}, looking back" for n in names),
            *(f"{n}, at the time" for n in names),
            "Check-in",
            "Events",
        ],
        rows,
    )
