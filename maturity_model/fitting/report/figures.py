"""Figures of the researcher's report, as SVG for the page and as separate files.

The body of a figure uses percentages across and pixels down, so that the same body serves
the page, at any width and in light and dark, and a file. Each comes with a table of its numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.report.html import as_table, esc
from maturity_model.report.style import PALETTE

if TYPE_CHECKING:
    from maturity_model.fitting.predictive_checks import Check

#: Rules for these figures, on the page and in files.
FIGURE_CSS = Path(__file__).with_name("figures.css").read_text("utf-8")
_FILE_CSS = (
    f":root{{{''.join(f'--{k}:{v[0]};' for k, v in PALETTE.items())}}}"
    + Path(__file__).with_name("figure_file.css").read_text("utf-8")
    + FIGURE_CSS
)
#: Height of the plot of a check, in pixels.
_CHECK_HEIGHT = 96.0


class Interval(NamedTuple):
    """One line of a figure.

    Attributes
    ----------
    group, label : str
        Plain text; lines of one group follow one another under its name.
    quantiles : tuple of float
        5, 25, 50, 75 and 95 %.
    prior : tuple of float
        Likewise, or empty.
    observed : float or None
    """

    group: str
    label: str
    quantiles: tuple[float, ...]
    prior: tuple[float, ...] = ()
    observed: float | None = None


class Figure(NamedTuple):
    """A figure, ready for a page and for a file.

    Attributes
    ----------
    name : str
        Of the file, without extension; a plain word.
    html : str
        With its table.
    svg : str
        Content of the file.
    """

    name: str
    html: str
    svg: str


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


def _svg(title: str, body: str, height: float) -> str:
    # For the page: as wide as there is room.
    label = f'role="img" aria-label="{esc(title)}"'
    return f'<svg {label} width="100%" height="{height:.0f}">{body}</svg>'


def _file(title: str, body: str, height: float, left: float) -> str:
    # Self-contained: with size, colours and title, and no external resources.
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="760" height="{height + 50:.0f}" '
        f'viewBox="0 0 760 {height + 50:.0f}" role="img"><title>{esc(title)}</title>'
        f'<style>{_FILE_CSS}</style><rect width="760" height="{height + 50:.0f}" '
        f'fill="{PALETTE["bg"][0]}"/><text class="row" x="10" y="20">{esc(title)}</text>'
        f'<svg x="{left:.0f}" y="32" width="{730 - left:.0f}" height="{height:.0f}">{body}</svg>'
        "</svg>\n"
    )


def _range(lines: Sequence[Interval], log: bool, floor: float) -> tuple[float, float]:
    values = [v for i in lines for v in (*i.quantiles, *i.prior)]
    values += [i.observed for i in lines if i.observed is not None]
    low, high = min(values), max(values)
    if log:
        return max(low, floor) * 0.95, max(high, floor) * 1.05
    low = 0.0 if 0 <= low < 0.35 * high else low
    # A constant still needs a width.
    return low, high if high > low else low + 1.0


def _line(interval: Interval, y: float, at: Callable[[float], str]) -> str:
    q, prior, observed = interval.quantiles, interval.prior, interval.observed

    def bar(kind: str, low: float, high: float, y: float) -> str:
        return f'<line class="{kind}" x1="{at(low)}" x2="{at(high)}" y1="{y:g}" y2="{y:g}"/>'

    parts = [bar("pri", prior[0], prior[-1], y + 5)] if prior else []
    parts += [bar("r90", q[0], q[-1], y), bar("r50", q[1], q[-2], y)]
    parts.append(f'<circle class="mid" cx="{at(q[2])}" cy="{y:g}" r="3"/>')
    if observed is not None:
        parts.append(f'<circle class="obs" cx="{at(observed)}" cy="{y:g}" r="5.5"/>')
    return "".join(parts)


def _interval_rows(lines: Sequence[Interval]) -> tuple[list[str], list[list[str]]]:
    # Head and rows of the table behind a figure.
    priors = any(i.prior for i in lines)
    observed = any(i.observed is not None for i in lines)
    head = ["", "", "5 %", "median", "95 %"]
    head += ["Prior 5 %", "Prior median", "Prior 95 %"] * priors + ["In the log"] * observed
    rows = []
    for i in lines:
        cells = [esc(i.group), esc(i.label), *(number(i.quantiles[j]) for j in (0, 2, 4))]
        if priors:
            cells += [number(i.prior[j]) if i.prior else "–" for j in (0, 2, 4)]
        if observed:
            cells.append("–" if i.observed is None else number(i.observed))
        rows.append(cells)
    return head, rows


def interval_figure(
    name: str,
    title: str,
    unit: str,
    lines: Sequence[Interval],
    *,
    log: bool = False,
    floor: float = 1e-6,
) -> Figure | None:
    """Draw intervals: posterior in bold, prior in grey below, observed as a ring.

    None where there is nothing to draw. The name is a plain word, different for every figure of a
    page; a logarithmic scale ends at ``floor``, and less is drawn there.
    """
    if not lines:
        return None
    low, high = _range(lines, log, floor)

    def at(x: float) -> str:
        if log:
            share = math.log(max(x, low) / low) / math.log(high / low)
        else:
            share = (x - low) / (high - low)
        return f"{100 * min(max(share, 0.0), 1.0):.2f}%"

    rows, y, group = [], 0.0, ""
    for i in lines:
        if i.group != group:
            group = i.group
            y += 24
            rows.append(f'<text class="row" x="-92" y="{y:g}">{esc(group, 60)}</text>')
            # A line without a label is drawn close to the name of its group.
            y += 2 if i.label else -7
        y += 15
        rows.append(f'<text class="e" x="-8" y="{y + 4:g}">{esc(i.label, 16)}</text>')
        rows.append(_line(i, y, at))
    height = y + 12
    axis = "".join(
        f'<line class="rule" x1="{at(t)}" x2="{at(t)}" y2="{height:g}"/>'
        f'<text class="m" x="{at(t)}" y="{height + 14:g}">{number(t)}</text>'
        for t in ticks(low, high, log)
    )
    if log and low < 1 < high:
        axis += f'<line class="frame" x1="{at(1)}" x2="{at(1)}" y2="{height:g}"/>'
    body = f'{axis}{"".join(rows)}<text x="0" y="{height + 28:g}">{esc(unit)}</text>'
    height += 32
    html = (
        f'<figure id="fig-{name}"><div class="ranges">{_svg(title, body, height)}</div></figure>'
        + as_table(esc(title), f"{esc(title)} ({esc(unit)})", *_interval_rows(lines))
    )
    return Figure(name, html, _file(f"{title} ({unit})", body, height, 130))


def check_figure(name: str, title: str, unit: str, checks: Sequence[Check]) -> Figure:
    """Draw the predictive checks of one sign or analyte by age.

    Drawn logs are bars from 5 % to 95 %, the log itself is rings. There is at least one check; the
    name is a plain word, different for every figure of a page.
    """
    top = 1.0 if unit == "share seen" else max(max(c.q95, c.observed) for c in checks) or 1.0
    weeks = [c.week or 0 for c in checks]
    last = max(weeks) + 4

    def down(value: float) -> str:
        return f"{_CHECK_HEIGHT * (1 - min(value / top, 1.0)):.1f}"

    parts = [
        f'<line class="rule" x2="100%" y1="{down(t)}" y2="{down(t)}"/>'
        f'<text class="e" x="-5" y="{float(down(t)) + 4:.1f}">{number(t)}</text>'
        for t in ([0.0, 0.5, 1.0] if top == 1.0 else ticks(0.0, top, log=False)[::2])
    ]
    rows = []
    for c, week in zip(checks, weeks, strict=True):
        x = f"{100 * week / last:.2f}%"
        parts.append(
            f'<line class="r90" x1="{x}" x2="{x}" y1="{down(c.q05)}" y2="{down(c.q95)}"/>'
            f'<circle class="mid" cx="{x}" cy="{down(c.q50)}" r="2.5"/>'
            f'<circle class="obs" cx="{x}" cy="{down(c.observed)}" r="4.5"/>'
        )
        values = (number(v) for v in (c.observed, c.q05, c.q50, c.q95))
        rows.append([f"{week - 4} to {week + 3}", str(c.answers), *values])
    parts += [
        f'<text class="m" x="{100 * t / last:.2f}%" y="{_CHECK_HEIGHT + 14:.0f}">{t:.0f}</text>'
        for t in ticks(0.0, float(last), log=False)
    ]
    parts.append(f'<text x="0" y="{_CHECK_HEIGHT + 27:.0f}">age in weeks; {esc(unit)}</text>')
    body, height, by_age = "".join(parts), _CHECK_HEIGHT + 30, f"{title} by age"
    head = ["Weeks", "Answers", "In the log", "5 %", "median", "95 %"]
    html = (
        f'<div><figure id="fig-{name}"><h3>{esc(title)}</h3>'
        f'<div class="fitted">{_svg(by_age, body, height)}</div></figure>'
        + as_table(esc(by_age), f"{esc(title)}, {esc(unit)}", head, rows)
        + "</div>"
    )
    return Figure(name, html, _file(f"{by_age} ({unit})", body, height, 60))
