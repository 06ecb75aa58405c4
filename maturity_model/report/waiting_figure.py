"""Time to mature as a quantile dot plot: twenty dots, each as likely as the next.

Kay, Kola, Hullman and Munson 2016, CHI '16: 5092-5103.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from maturity_model.report.html import as_table
from maturity_model.report.wording import plural, short_percent

if TYPE_CHECKING:
    from maturity_model.assessment.first_passage import FirstPassage

#: At most this many bins of weeks; the ends (now, and later than two years) have their own.
_BINS = 13
_RADIUS, _STEP, _MOST = 5.0, 11.5, 10
#: Weeks at which the table tells the cumulative probability.
_TOLD = (0, 4, 8, 13, 26, 39, 52, 78, 104)


def bin_width(weeks: list[int]) -> int:
    """Weeks in a bin: the narrowest that needs few enough bins for the latest dot."""
    last = max(weeks, default=1)
    return next((w for w in (1, 2, 4, 8) if last <= w * _BINS), 8)


def _columns(waiting: FirstPassage) -> tuple[int, int, np.ndarray]:
    # Width of a bin, number of bins, and dots in: now, each bin, later.
    inside = [w for w in waiting.dots if w]
    width = bin_width(inside)
    bins = max(-(-max(inside, default=4) // width), 4)
    count = np.zeros(bins + 2, dtype=int)
    for w in waiting.dots:
        # Bin b holds the weeks after (b-1)*width, up to b*width.
        count[bins + 1 if w is None else -(-w // width)] += 1
    return width, bins, count


def waiting_figure(waiting: FirstPassage) -> str:
    """The dots, and the distribution as a table."""
    width, bins, count = _columns(waiting)
    slots = bins + 2
    most = int(count.max())
    height = _STEP * min(max(most, 3), _MOST) + 4
    # Tall columns are packed, so that the picture stays low.
    step = min(_STEP, (height - 2 * _RADIUS - 2) / max(most - 1, 1))
    dots, axis = [], []
    for at, many in enumerate(count.tolist()):
        x = f"{100 * (at + 0.5) / slots:.2f}%"
        dots += [
            f'<circle class="qdot" cx="{x}" cy="{height - _RADIUS - 1 - i * step:.1f}" '
            f'r="{_RADIUS:g}"/>'
            for i in range(many)
        ]
    every = -(-bins // 6)
    for b in range(every, bins + 1, every):
        # The label stands where its weeks end.
        x = f"{100 * (b + 1) / slots:.2f}%"
        axis.append(
            f'<line class="rule" x1="{x}" x2="{x}" y1="{height:.0f}" y2="{height + 4:.0f}"/>'
            f'<text class="m" x="{x}" y="{height + 15:.0f}">{b * width}</text>'
        )
    far = 100 * (slots - 1) / slots
    axis.append(
        f'<text class="m" x="{50 / slots:.2f}%" y="{height + 15:.0f}">now</text>'
        f'<line class="cut" x1="{far:.2f}%" x2="{far:.2f}%" y2="{height:.0f}"/>'
        f'<text class="e" x="100%" y="{height + 28:.0f}">later than 2 years</text>'
        f'<text x="0" y="{height + 28:.0f}">weeks from now</text>'
    )
    later, now = int(count[-1]), int(count[0])
    inside = len(waiting.dots) - later - now
    said = f"{now} now, {inside} within two years, {later} later"
    picture = (
        f'<div class="dots"><svg role="img" aria-labelledby="mature-t mature-d" width="100%" '
        f'height="{height + 32:.0f}"><title id="mature-t">Time to mature, as twenty equally likely '
        f'outcomes</title><desc id="mature-d">Of twenty: {said}.</desc>'
        f'<line class="frame" x2="100%" y1="{height:.0f}" y2="{height:.0f}"/>'
        f"{''.join(axis)}{''.join(dots)}</svg></div>"
    )
    return (
        f"<figure><figcaption>{len(waiting.dots)} dots, each as likely as the next: {said}."
        f"</figcaption>{picture}</figure>"
        + as_table(
            "time to mature",
            "Probability of having reached the last phase by then",
            ["Weeks from now", "Probability"],
            (
                [
                    "now" if w == 0 else plural(w, "week"),
                    f"{short_percent(float(waiting.by_week[w]))} %",
                ]
                for w in _TOLD
                if w < len(waiting.by_week)
            ),
        )
    )
