"""The picture of the study of identifiability: contraction by size of the club."""

from __future__ import annotations

import math

import numpy as np

from maturity_model.lab.studies.contraction import GROUPS, LEARNED, Group
from maturity_model.lab.studies.identifiability_tables import Contracted
from maturity_model.report.html import esc

#: Size of a panel, its margins and columns, in pixels.
_WIDE, _HIGH, _LEFT, _TOP, _ACROSS, _DOWN, _COLUMNS = 236.0, 104.0, 52.0, 92.0, 44.0, 58.0, 3
_CSS = (
    "text{font:12px sans-serif;fill:#222}.m{text-anchor:middle}.e{text-anchor:end}"
    ".h{font-weight:bold;font-size:14px}.f{fill:none;stroke:#999}"
    ".d{stroke:#999;stroke-dasharray:4 3}polyline{fill:none}"
    ".p{stroke:#1f5f8b;stroke-width:.8;opacity:.35}.c{stroke:#1f5f8b;stroke-width:2.4}"
    ".o{stroke:#b3541e;stroke-width:2;stroke-dasharray:6 3}"
)


def _panel(
    group: Group, x0: float, y0: float, sizes: tuple[int, ...], each: np.ndarray, whole: np.ndarray
) -> str:
    # each (Q, S): mean over clubs of a group's parameters; whole (S,): their median at weight 1.
    span = math.log(sizes[-1] / sizes[0]) or 1.0

    def x(size: float) -> str:
        return f"{x0 + _WIDE * math.log(size / sizes[0]) / span:.1f}"

    def y(share: float) -> str:
        return f"{y0 + _HIGH * (1 - min(max(share, 0.0), 1.0)):.1f}"

    def line(kind: str, values: np.ndarray) -> str:
        points = " ".join(f"{x(s)},{y(v)}" for s, v in zip(sizes, values, strict=True))
        return f'<polyline class="{kind}" points="{points}"/>'

    parts = [
        f'<text x="{x0:.0f}" y="{y0 - 8:.0f}">{esc(group.words)}</text>',
        f'<rect class="f" x="{x0:.0f}" y="{y0:.0f}" width="{_WIDE:.0f}" height="{_HIGH:.0f}"/>',
        f'<line class="d" x1="{x0:.0f}" x2="{x0 + _WIDE:.0f}" y1="{y(LEARNED)}" '
        f'y2="{y(LEARNED)}"/>',
    ]
    parts += [
        f'<text class="e" x="{x0 - 6:.0f}" y="{float(y(v)) + 4:.1f}">{v:g}</text>'
        for v in (0.0, LEARNED, 1.0)
    ]
    parts += [f'<text class="m" x="{x(s)}" y="{y0 + _HIGH + 15:.0f}">{s}</text>' for s in sizes]
    parts += [line("p", row) for row in each]
    parts += [line("o", whole), line("c", np.median(each, axis=0))]
    return "".join(parts)


def picture(found: Contracted) -> str:
    """Contraction of every parameter against tanks, a panel for each group, as SVG.

    Parameters
    ----------
    found : Contracted

    Returns
    -------
    str
        With a title and a description that says the medians in numbers.
    """
    sizes, usual, whole = found.sizes, found.by_size(found.usual_weight), found.by_size(1.0)
    panels, said = [], []
    shown = [g for g in GROUPS if g.key != "judges"]
    for i, group in enumerate(shown):
        row, column = divmod(i, _COLUMNS)
        x0 = _LEFT + column * (_WIDE + _ACROSS)
        y0 = _TOP + row * (_HIGH + _DOWN)
        at = found.members(group.key)
        each = usual[:, at].mean(axis=2).T
        panels.append(
            _panel(group, x0, y0, sizes, each, np.median(whole[:, at].mean(axis=2), axis=1))
        )
        medians = ", ".join(
            f"{v:.2f} at {s}" for s, v in zip(sizes, np.median(each, axis=0), strict=True)
        )
        said.append(f"{group.words}: {medians} tanks")
    rows = math.ceil(len(shown) / _COLUMNS)
    width = _LEFT + _COLUMNS * (_WIDE + _ACROSS)
    height = _TOP + rows * (_HIGH + _DOWN)
    title = "How much of the prior is gone, by number of tanks"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="t d" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" height="{height:.0f}">'
        f'<title id="t">{title}</title><desc id="d">Contraction, 1 - var(posterior) / var(prior), '
        f"against tanks of {found.weeks} weeks on a logarithmic scale; learned from {LEARNED:g} "
        f"on. Medians: {esc('; '.join(said), 10_000)}.</desc>"
        f'<style>{_CSS}</style><rect width="{width:.0f}" height="{height:.0f}" fill="#fff"/>'
        f'<text class="h" x="{_LEFT:.0f}" y="20">{title}</text>'
        f'<text x="{_LEFT:.0f}" y="40">Up: contraction, learned from {LEARNED:g} on. Across: tanks '
        f"of {found.weeks} weeks. Thin: each parameter, mean of the clubs.</text>"
        f'<text x="{_LEFT:.0f}" y="56">Bold: their median, at evidence weight '
        f"{found.usual_weight:g}. Dashed: the median at 1.</text>"
        f"{''.join(panels)}</svg>\n"
    )
