"""Figures of a validation, as SVG files of their own and for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from maturity_model.lab.studies.scores import BINS
from maturity_model.lab.validation.holds import Group
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.sums import AGES, Sums, calibration_error, interval
from maturity_model.report.html import esc

#: What a judge is called, its colour (Okabe and Ito 2008) and its shape.
JUDGES: dict[str, tuple[str, str, str]] = {
    "age": ("age alone", "#767676", "circle"),
    "readings": ("readings rule", "#a8720a", "square"),
    "checklist": ("checklist count", "#b0477f", "triangle"),
    "plain_hmm": ("plain HMM", "#c34d00", "diamond"),
    TOOL: ("the program", "#0072b2", "circle"),
    FITTED: ("the program, fitted", "#3c9ad0", "square"),
    FITTED_JUDGED: ("the program, fitted, a fifth judged", "#00507f", "triangle"),
    CEILING: ("ceiling", "#007a56", "diamond"),
}
_STYLE = (
    "text{font:12px sans-serif;fill:#222}.m{text-anchor:middle}.e{text-anchor:end}"
    ".h{font-weight:bold}.f{fill:none;stroke:#999}.d{stroke:#999;stroke-dasharray:4 3}"
    ".g{stroke:#ddd}"
)
#: A dot is drawn for at least so many forecasts.
FEWEST = 20
_SIDE, _LEFT, _TOP, _GAP = 200.0, 52.0, 62.0, 34.0


def mark(shape: str, x: float, y: float, colour: str, size: float = 4.0) -> str:
    """A dot whose shape tells what its colour tells."""
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" fill="{colour}"/>'
    s = size * 1.15
    points = {
        "square": ((-s, -s), (s, -s), (s, s), (-s, s)),
        "triangle": ((0, -1.3 * s), (1.2 * s, s), (-1.2 * s, s)),
        "diamond": ((0, -1.4 * s), (1.4 * s, 0), (0, 1.4 * s), (-1.4 * s, 0)),
    }[shape]
    at = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in points)
    return f'<polygon points="{at}" fill="{colour}"/>'


def _svg(title: str, text: str, width: float, height: float, body: str) -> str:
    # Figures of one page must not share the names of their titles.
    name = "".join(c for c in title.lower() if c.isascii() and c.isalnum())[:60]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{name}-t {name}-d" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" height="{height:.0f}">'
        f'<title id="{name}-t">{esc(title)}</title><desc id="{name}-d">{esc(text, 2000)}</desc>'
        f'<style>{_STYLE}</style><rect width="{width:.0f}" height="{height:.0f}" fill="#fff"/>'
        f'<text class="h" x="12" y="20">{esc(title)}</text>{body}</svg>\n'
    )


def _panel(s: Sums, phase: int | None, x0: float, title: str, colour: str, shape: str) -> str:
    bins = s.bins.sum(axis=0)
    number, stated, observed = bins.sum(axis=1) if phase is None else bins[:, phase]

    def x(p: float) -> float:
        return x0 + _SIDE * p

    def y(p: float) -> float:
        return _TOP + _SIDE * (1 - p)

    parts = [
        f'<text x="{x0:.0f}" y="{_TOP - 8:.0f}">{esc(title)}</text>'
        f'<rect class="f" x="{x0:.0f}" y="{_TOP:.0f}" width="{_SIDE:.0f}" height="{_SIDE:.0f}"/>'
        f'<line class="d" x1="{x(0):.1f}" y1="{y(0):.1f}" x2="{x(1):.1f}" y2="{y(1):.1f}"/>'
    ]
    parts += [
        f'<text class="m" x="{x(t):.1f}" y="{_TOP + _SIDE + 15:.0f}">{100 * t:g}</text>'
        f'<text class="e" x="{x0 - 5:.0f}" y="{y(t) + 4:.1f}">{100 * t:g}</text>'
        for t in (0, 0.5, 1)
    ]
    shown = [b for b in range(BINS) if number[b] >= FEWEST]
    at = [(x(stated[b] / number[b]), y(observed[b] / number[b]), number[b]) for b in shown]
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b, _ in at)
    parts.append(f'<polyline points="{line}" fill="none" stroke="{colour}"/>')
    most = max((n for *_, n in at), default=1)
    # The area of a dot goes with the square root of its forecasts: they span decades.
    parts += [mark(shape, a, b, colour, 2 + 3.5 * float(n / most) ** 0.25) for a, b, n in at]
    return "".join(parts)


def calibration(title: str, result: CaseResult, phases: Sequence[str], judge: str) -> str:
    """Observed frequency against stated probability: all phases, and each."""
    s = result.sums[judge]
    called, colour, shape = JUDGES[judge]
    panels = [_panel(s, None, _LEFT, "all phases", colour, shape)]
    for k, phase in enumerate(phases):
        x0 = _LEFT + (k + 1) * (_SIDE + _GAP)
        panels.append(_panel(s, k, x0, phase, colour, shape))
    width = _LEFT + (len(phases) + 1) * (_SIDE + _GAP)
    text = (
        f"Observed against stated, in percent, in {BINS} equal bins; the diagonal is perfect. "
        f"Expected calibration error {calibration_error(s):.3f}."
    )
    axis = (
        f'<text class="m" x="{width / 2:.0f}" y="{_TOP + _SIDE + 34:.0f}">stated, %; '
        "observed upwards</text>"
    )
    return _svg(
        f"{title}: calibration of {called}", text, width, _TOP + _SIDE + 46, "".join(panels) + axis
    )


def ages(title: str, result: CaseResult) -> str:
    """Log score by age of all judges."""
    width, height, left = 620.0, 320.0, 60.0
    scores = {}
    for judge, s in result.sums.items():
        weeks, log, _ = s.age.sum(axis=0)
        scores[judge] = [(i, log[i] / weeks[i]) for i in range(len(AGES)) if weeks[i] > 0]
    values = [v for line in scores.values() for _, v in line]
    low, bottom = min([-0.1, *values]) * 1.05, height - 50

    def y(v: float) -> float:
        return _TOP + (bottom - _TOP) * v / low

    def x(i: int) -> float:
        return left + (width - left - 200) * i / (len(AGES) - 1)

    parts = []
    for i in range(5):
        v = low * i / 4
        parts.append(
            f'<line class="g" x1="{left}" x2="{width - 195}" y1="{y(v):.1f}" y2="{y(v):.1f}"/>'
            f'<text class="e" x="{left - 6}" y="{y(v) + 4:.1f}">{v:.2f}</text>'
        )
    parts += [
        f'<text class="m" x="{x(i):.1f}" y="{bottom + 18:.0f}">{start}</text>'
        for i, start in enumerate(AGES)
    ]
    for n, (judge, line) in enumerate(scores.items()):
        called, colour, shape = JUDGES[judge]
        at = " ".join(f"{x(i):.1f},{y(v):.1f}" for i, v in line)
        parts.append(f'<polyline points="{at}" fill="none" stroke="{colour}"/>')
        parts += [mark(shape, x(i), y(v), colour) for i, v in line]
        row = _TOP + 10 + 18 * n
        parts.append(
            mark(shape, width - 176, row - 4, colour)
            + f'<text x="{width - 164}" y="{row}">{esc(called, 27)}</text>'
        )
    parts.append(
        f'<text class="m" x="{(width - 140) / 2:.0f}" y="{bottom + 38:.0f}">from week</text>'
    )
    return _svg(f"{title}: log score by age", "Mean log probability of the true phase; higher is "
                "better.", width, height, "".join(parts))  # fmt: skip


def overview(groups: Mapping[str, Group]) -> str:
    """Log score of every judge in every case, with intervals."""
    names = list(groups)
    rows, left = 26.0, 250.0
    width, top = 900.0, 70.0
    height = top + rows * len(names) + 70
    values = [g.score(j) for g in groups.values() for j in g.sums]
    low = min([-0.2, *values]) * 1.03

    def x(v: float) -> float:
        return left + (width - left - 30) * (1 - max(v, low) / low)

    parts = [
        f'<line class="g" x1="{x(v):.1f}" x2="{x(v):.1f}" y1="{top - 8}" y2="{height - 66}"/>'
        f'<text class="m" x="{x(v):.1f}" y="{height - 50:.0f}">{v:.2f}</text>'
        for v in np.linspace(low, 0, 6).tolist()
    ]
    for r, name in enumerate(names):
        y, found = top + rows * (r + 0.5), groups[name]
        parts.append(f'<text class="e" x="{left - 10}" y="{y + 4:.1f}">{esc(name, 40)}</text>')
        for judge in found.sums:
            _, colour, shape = JUDGES[judge]
            if judge in (TOOL, FITTED, FITTED_JUDGED):
                a, b = interval(found.scores(judge))
                parts.append(
                    f'<line x1="{x(a):.1f}" x2="{x(b):.1f}" y1="{y:.1f}" y2="{y:.1f}" '
                    f'stroke="{colour}" stroke-width="2"/>'
                )
            parts.append(mark(shape, x(found.score(judge)), y, colour))
    used = [j for j in JUDGES if any(j in g.sums for g in groups.values())]
    for i, judge in enumerate(used):
        called, colour, shape = JUDGES[judge]
        at, row = 20 + (i % 4) * 215, 42 + 0.0
        y = row if i < 4 else row + 16
        parts.append(
            mark(shape, at, y - 4, colour) + f'<text x="{at + 10}" y="{y}">{esc(called, 34)}</text>'
        )
    parts.append(
        f'<text class="m" x="{(left + width) / 2:.0f}" y="{height - 28:.0f}">mean log probability '
        "of the true phase; to the right is better</text>"
    )
    text = "; ".join(f"{n}: the program {g.score(TOOL):.2f}, age alone {g.score('age'):.2f}, "
                     f"ceiling {g.score(CEILING):.2f}" for n, g in groups.items())  # fmt: skip
    return _svg("Log score of every judge", text, width, height, "".join(parts))
