"""Posterior predictive checks by age: drawn logs as bars, the log itself as rings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.fitting.report.interval_figure import Figure, number, standalone, ticks
from maturity_model.report.html import as_table, esc

if TYPE_CHECKING:
    from maturity_model.fitting.predictive_checks import Check

_HEIGHT = 96.0


def check_figure(name: str, title: str, unit: str, checks: Sequence[Check]) -> Figure | None:
    """Draw one sign or analyte by age.

    Parameters
    ----------
    name : str
        A plain word, different for every figure of a page.
    title, unit : str
        Plain text.
    checks : sequence of Check
        Of one item, by age.

    Returns
    -------
    Figure or None
        None where there is nothing to draw.
    """
    shown = [c for c in checks if c.week is not None]
    if not shown:
        return None
    top = 1.0 if unit == "share seen" else max(max(c.high, c.observed) for c in shown) or 1.0
    weeks = [c.week or 0 for c in shown]
    last = max(weeks) + 4

    def down(value: float) -> float:
        return _HEIGHT * (1 - min(value / top, 1.0))

    parts = [
        f'<line class="rule" x2="100%" y1="{down(t):.1f}" y2="{down(t):.1f}"/>'
        f'<text class="e" x="-5" y="{down(t) + 4:.1f}">{number(t)}</text>'
        for t in ([0.0, 0.5, 1.0] if top == 1.0 else ticks(0.0, top, log=False)[::2])
    ]
    for c, week in zip(shown, weeks, strict=True):
        x = f"{100 * week / last:.2f}%"
        parts.append(
            f'<line class="r90" x1="{x}" x2="{x}" y1="{down(c.low):.1f}" y2="{down(c.high):.1f}"/>'
            f'<circle class="mid" cx="{x}" cy="{down(c.middle):.1f}" r="2.5"/>'
            f'<circle class="obs" cx="{x}" cy="{down(c.observed):.1f}" r="4.5"/>'
        )
    parts += [
        f'<text class="m" x="{100 * t / last:.2f}%" y="{_HEIGHT + 14:.0f}">{t:.0f}</text>'
        for t in ticks(0.0, float(last), log=False)
    ]
    body = "".join(parts) + f'<text x="0" y="{_HEIGHT + 27:.0f}">age in weeks; {esc(unit)}</text>'
    height = _HEIGHT + 30
    rows = [
        [
            f"{week - 4} to {week + 3}", str(c.answers), number(c.observed), number(c.low),
            number(c.middle), number(c.high),
        ]
        for c, week in zip(shown, weeks, strict=True)
    ]  # fmt: skip
    html = (
        f'<div><figure id="fig-{name}"><h3>{esc(title)}</h3><div class="fitted">'
        f'<svg role="img" aria-label="{esc(title)} by age" width="100%" height="{height:.0f}">'
        f"{body}</svg></div></figure>"
        + as_table(
            f"{esc(title)} by age",
            f"{esc(title)}, {esc(unit)}",
            ["Weeks", "Answers", "In the log", "5 %", "median", "95 %"],
            rows,
        )
        + "</div>"
    )
    return Figure(name, title, html, standalone(f"{title} by age ({unit})", body, height, 60))
