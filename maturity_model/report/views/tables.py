"""Tables behind the pictures: every number of the history, the signs and the readings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut

if TYPE_CHECKING:
    from maturity_model.assessment.intervals import Estimate
    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Catalogue
    from maturity_model.logbook.types import Reading

#: Rows of the history, and readings of an analyte, that a page holds: the latest.
MAX_WEEKS = 104
MAX_READINGS = 60
_METHODS = {"colour_chart": "colour chart"}


@dataclass(frozen=True)
class Table:
    """A table; the first cell of a row is its header."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def tenths(p: float) -> str:
    """A probability in percent, to one decimal."""
    return f"{100 * p:.1f}"


def with_range(p: float, low: float, high: float) -> str:
    """The same with its range over draws: '76.3 (48.9–91.9)'."""
    return f"{tenths(p)} ({tenths(low)}–{tenths(high)})"


def chance(estimate: Estimate) -> str:
    """The same of an estimate; a number that no draw moves has no range."""
    if estimate.high > estimate.low:
        return with_range(*estimate)
    return tenths(estimate.mean)


def known(reading: Reading) -> str:
    """The interval of a reading, canonical unit."""
    low, high = f"{reading.low:.4g}", f"{reading.high:.4g}"
    if math.isinf(reading.high):
        return f"{low} or more"
    if math.isinf(reading.low):
        return f"{high} or less"
    return low if reading.low == reading.high else f"{low}–{high}"


def history_table(tank: TankAssessment, catalogue: Catalogue, labels: Sequence[str]) -> Table:
    """Every week's probabilities, newest first."""
    by_week: dict[int, list[str]] = {}
    for event in tank.events:
        week = (event.date - tank.tank.started).days // 7
        kind = catalogue.events.get(event.kind)
        by_week.setdefault(week, []).append(cut(kind.label if kind else event.kind, 60))
    logged = {(c.date - tank.tank.started).days // 7 for c in tank.checkins}
    weeks = tank.weeks.tolist()
    smoothed, filtered = tank.smoothed.tolist(), tank.filtered.tolist()
    low, high = tank.smoothed_low.tolist(), tank.smoothed_high.tolist()
    rows = tuple(
        (
            str(weeks[t]),
            tank.dates[t].isoformat(),
            *(with_range(*x) for x in zip(smoothed[t], low[t], high[t], strict=True)),
            *map(tenths, filtered[t]),
            tenths(float(tank.slipped[t])),
            "yes" if weeks[t] in logged else "",
            ", ".join(by_week.get(weeks[t], ())),
        )
        for t in range(len(weeks) - 1, max(0, len(weeks) - MAX_WEEKS) - 1, -1)
    )
    cut_off = f"; the last {MAX_WEEKS} weeks, all in phase.csv" if len(weeks) > MAX_WEEKS else ""
    return Table(
        "Probability of each phase in percent, newest week first. Looking back: given the whole "
        "log, 5 % to 95 % of draws in brackets. At the time: given the log up to that week. "
        f"Slipped: moved to a lower phase in that week, given the whole log{cut_off}",
        (
            "Week",
            "Ends",
            *(f"{label}, looking back" for label in labels),
            *(f"{label}, at the time" for label in labels),
            "Slipped",
            "Check-in",
            "Events",
        ),
        rows,
    )


def week_ranges(weeks: Sequence[int]) -> str:
    """Weeks in words: [1, 2, 3, 7] as '1–3, 7'."""
    # Weeks of one run differ from their places in the list by the same number.
    runs = (list(run) for _, run in groupby(enumerate(weeks), key=lambda x: x[1] - x[0]))
    ends = ((run[0][1], run[-1][1]) for run in runs)
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in ends)


def weekly_answers(tank: TankAssessment) -> tuple[dict[str, dict[int, bool]], list[int]]:
    """Answers for each sign by week, and the weeks with a check-in.

    A sign is seen in a week when any check-in of the week saw it.
    """
    seen: dict[str, dict[int, bool]] = {}
    weeks = set()
    for checkin in tank.checkins:
        week = (checkin.date - tank.tank.started).days // 7
        weeks.add(week)
        for sign, answer in checkin.signs.items():
            row = seen.setdefault(sign, {})
            row[week] = row.get(week, False) or answer
    return seen, sorted(weeks)


def sign_table(tank: TankAssessment, catalogue: Catalogue) -> Table:
    """Weeks in which each sign was seen, looked for, or not checked."""
    answers, weeks = weekly_answers(tank)
    rows = []
    for sign in catalogue.signs.values():
        if not tank.tank.can_have(sign.needs):
            continue
        row = answers.get(sign.name, {})
        rows.append(
            (
                cut(sign.label, 80),
                week_ranges([w for w in weeks if row.get(w) is True]) or "never",
                week_ranges([w for w in weeks if row.get(w) is False]) or "never",
                str(sum(w not in row for w in weeks)),
            )
        )
    return Table(
        f"Signs, over the {len(weeks)} weeks with a check-in",
        ("Sign", "Seen in week", "Looked for, not seen in week", "Weeks not checked"),
        tuple(rows),
    )


def reading_tables(tank: TankAssessment, catalogue: Catalogue) -> tuple[Table, ...]:
    """Each analyte's readings as written and as the kit knew them, newest first."""
    out = []
    for analyte in catalogue.analytes.values():
        rows = [
            (
                c.date.isoformat(),
                f"{cut(r.text, 40)} {cut(r.unit, 30)}",
                known(r),
                _METHODS.get(r.method, cut(r.method, 20)),
            )
            for c in reversed(tank.checkins)
            if (r := c.readings.get(analyte.name)) is not None
        ]
        if rows:
            last = f", the last {MAX_READINGS}" if len(rows) > MAX_READINGS else ""
            out.append(
                Table(
                    f"{analyte.label}: {len(rows)} readings{last}, newest first",
                    ("Date", "As written", f"Known to be, {analyte.unit}", "Method"),
                    tuple(rows[:MAX_READINGS]),
                )
            )
    return tuple(out)
