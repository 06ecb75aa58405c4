"""Intervals as horizontal lines: posterior in bold, prior in grey below, observed as a ring.

The body of a figure uses percentages across and pixels down, so that the same body serves
the page, at any width, and a file of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from maturity_model.report.html import as_table, esc
from maturity_model.report.style import PALETTE

#: Rules for these figures, on the page and in files.
FIGURE_CSS = """.ranges{padding:0 1.2rem 0 6.5rem}
.ranges svg,.fitted svg{display:block}
.fitted{padding:.2rem .6rem 0 2.6rem}
.r90{stroke:var(--link);stroke-width:2.5px}
.r50{stroke:var(--link);stroke-width:6px}
.pri{stroke:var(--edge);stroke-width:2px}
.mid{fill:var(--bg);stroke:var(--link);stroke-width:1.5px}
.obs{fill:none;stroke:var(--ink);stroke-width:1.8px}
"""
_FILE_CSS = (
    f":root{{{''.join(f'--{k}:{v[0]};' for k, v in PALETTE.items())}}}"
    "svg{overflow:visible;fill:none;stroke:none;font-family:sans-serif}"
    "text{fill:var(--soft);font-size:11px}.row{fill:var(--ink);font-size:13px}"
    ".e{text-anchor:end}.m{text-anchor:middle}.frame{stroke:var(--edge)}"
    f".rule{{stroke:var(--line)}}.mark{{fill:var(--ink)}}{FIGURE_CSS}"
)


@dataclass(frozen=True)
class Interval:
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


@dataclass(frozen=True)
class Figure:
    """A figure, ready for a page and for a file.

    Attributes
    ----------
    name : str
        Of the file, without extension; a plain word.
    title : str
        Plain text.
    html : str
        With its table.
    svg : str
        A file's whole content.
    """

    name: str
    title: str
    html: str
    svg: str


def number(x: float) -> str:
    """Three digits, or a dash for what is not a number."""
    if not math.isfinite(x):
        return "–"
    return f"{x:.0f}" if abs(x) >= 100 else f"{x:.3g}"


def ticks(low: float, high: float, log: bool) -> list[float]:
    """A few round numbers from ``low`` to ``high``."""
    if log:
        steps = [m * 10.0**e for e in range(-6, 7) for m in (1, 2, 5)]
        found = [s for s in steps if low <= s * (1 + 1e-9) and s <= high * (1 + 1e-9)]
        return found if len(found) <= 8 else found[:: math.ceil(len(found) / 8)]
    span = high - low
    size = 10.0 ** math.floor(math.log10(span / 4))
    step = next(m * size for m in (1, 2, 2.5, 5, 10) if span / (m * size) <= 6)
    first = math.ceil(low / step - 1e-9)
    return [i * step for i in range(first, math.floor(high / step + 1e-9) + 1)]


def _scale(lines: Sequence[Interval], log: bool, floor: float) -> tuple[float, float]:
    values = [v for i in lines for v in (i.quantiles[0], i.quantiles[-1])]
    values += [v for i in lines if i.prior for v in (i.prior[0], i.prior[-1])]
    values += [i.observed for i in lines if i.observed is not None]
    low, high = min(values), max(values)
    if log:
        return max(low, floor) * 0.95, max(high, floor) * 1.05
    low = 0.0 if 0 <= low < 0.35 * high else low
    # Readings and rates are never negative; a constant still needs a width.
    return low, high if high > low else low + 1.0


def standalone(title: str, body: str, height: float, left: float = 130) -> str:
    """A figure as a file: its own size, colours and title, nothing fetched."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="760" height="{height + 50:.0f}" '
        f'viewBox="0 0 760 {height + 50:.0f}" role="img"><title>{esc(title)}</title>'
        f'<style>{_FILE_CSS}</style><rect width="760" height="{height + 50:.0f}" '
        f'fill="{PALETTE["bg"][0]}"/><text class="row" x="10" y="20">{esc(title)}</text>'
        f'<svg x="{left:.0f}" y="32" width="{730 - left:.0f}" height="{height:.0f}">{body}</svg>'
        "</svg>\n"
    )


def _line(interval: Interval, y: float, at: Callable[[float], str]) -> str:
    q, out = interval.quantiles, []
    if interval.prior:
        p = interval.prior
        out.append(
            f'<line class="pri" x1="{at(p[0])}" x2="{at(p[-1])}" y1="{y + 5:g}" y2="{y + 5:g}"/>'
        )
    for kind, a, b in (("r90", q[0], q[-1]), ("r50", q[1], q[-2])):
        out.append(f'<line class="{kind}" x1="{at(a)}" x2="{at(b)}" y1="{y:g}" y2="{y:g}"/>')
    out.append(f'<circle class="mid" cx="{at(q[2])}" cy="{y:g}" r="3"/>')
    if interval.observed is not None:
        out.append(f'<circle class="obs" cx="{at(interval.observed)}" cy="{y:g}" r="5.5"/>')
    return "".join(out)


def interval_figure(
    name: str,
    title: str,
    unit: str,
    lines: Sequence[Interval],
    *,
    log: bool = False,
    floor: float = 1e-6,
) -> Figure | None:
    """Draw intervals.

    Parameters
    ----------
    name : str
        A plain word, different for every figure of a page.
    title, unit : str
        Plain text.
    lines : sequence of Interval
    log : bool
        Logarithmic scale.
    floor : float
        Where a logarithmic scale ends; less is drawn there.

    Returns
    -------
    Figure or None
        None where there is nothing to draw.
    """
    if not lines:
        return None
    low, high = _scale(lines, log, floor)

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
            # A line without a label of its own belongs close to the name.
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
    has_prior = any(i.prior for i in lines)
    head = ["", "", "5 %", "median", "95 %"]
    head += ["Prior 5 %", "Prior median", "Prior 95 %"] if has_prior else []
    seen = any(i.observed is not None for i in lines)
    head += ["In the log"] if seen else []
    body_rows = []
    for i in lines:
        cells = [esc(i.group), esc(i.label), *(number(i.quantiles[j]) for j in (0, 2, 4))]
        if has_prior:
            cells += [number(i.prior[j]) if i.prior else "–" for j in (0, 2, 4)]
        if seen:
            cells.append("–" if i.observed is None else number(i.observed))
        body_rows.append(cells)
    html = (
        f'<figure id="fig-{name}"><div class="ranges"><svg role="img" aria-label="{esc(title)}" '
        f'width="100%" height="{height:.0f}">{body}</svg></div></figure>'
        + as_table(esc(title), f"{esc(title)} ({esc(unit)})", head, body_rows)
    )
    return Figure(name, title, html, standalone(f"{title} ({unit})", body, height))
