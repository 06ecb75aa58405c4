"""What a log holds of each tank and week, as one table for the baselines and the ceiling.

Everything of week t uses check-ins and events up to the end of week t only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from maturity_model.lab.validation.clubs import Club
from maturity_model.panel import BALANCE_HALF_LIFE

#: Weeks in which an answer, a reading or a water change counts as recent.
RECENT = 4
#: Cap on the weeks since something.
LONGEST = 104.0


def _wide(
    rows: list[tuple[Any, ...]], how: str, grid: pd.MultiIndex, items: Sequence[str]
) -> pd.DataFrame:
    # Rows of tank, week, item and value, with a column for each item; nan where there is none.
    long = pd.DataFrame(rows, columns=["tank", "week", "item", "value"])
    cells = long.groupby(["tank", "week", "item"])["value"].agg(how).unstack("item")
    return cells.reindex(index=grid, columns=list(items)).astype(float)


def _last(values: pd.DataFrame) -> pd.DataFrame:
    return values.groupby("tank").ffill()


def weeks_since(values: pd.DataFrame) -> pd.DataFrame:
    """Weeks since each column last held a value, 0 in that week; nan before the first."""
    week = values.index.get_level_values("week").to_numpy(dtype=float)[:, None]
    at = values.notna().astype(float).mul(week, axis=0).where(values.notna())
    return (week - _last(at)).clip(upper=LONGEST)


def _balance(gained: pd.DataFrame, weeks: int) -> pd.DataFrame:
    # Sums that fade by the week.
    out = np.array(gained.fillna(0.0)).reshape(-1, weeks, gained.shape[1])
    for t in range(1, weeks):
        out[:, t] += out[:, t - 1] * 2.0 ** (-7 / BALANCE_HALF_LIFE)
    return pd.DataFrame(out.reshape(gained.shape), gained.index, gained.columns)


def log_features(club: Club) -> pd.DataFrame:
    """Lay out a club's log by week.

    Parameters
    ----------
    club : Club

    Returns
    -------
    DataFrame
        Indexed by ``tank`` (a number) and ``week``; the two levels of its columns are a
        feature and its sign, analyte or kind of event:

        ``age, rock``
            Week; index into the catalogue's ``starts``.
        ``answer, last, balance, unlooked``
            By sign: last answer of the week, 1 seen, 0 not seen, nan not looked for; last
            answer so far; +1 for each time seen and -1 for each not seen, halving in two
            weeks, at the week's end; weeks since it was last looked for.
        ``reading, untested``
            By informative analyte: log(best + offset) of the last reading so far; weeks
            since it was measured.
        ``since_event``
            By kind: weeks since the last event.
        ``water``
            Percent of the volume changed in four weeks.
        ``above_zero``
            By analyte: whether the last reading, if recent, was above the lowest step.
    """
    book, catalogue = club.logbook, club.logbook.catalogue
    tanks = {t.name: (i, t.started) for i, t in enumerate(book.tanks.values())}
    grid = pd.MultiIndex.from_product(
        [range(len(tanks)), range(club.weeks)], names=["tank", "week"]
    )
    answers, gained, readings, positive = [], [], [], []
    for c in book.checkins:
        tank, started = tanks[c.tank]
        days = (c.date - started).days
        week = days // 7
        left = 2.0 ** (-(7 * week + 6 - days) / BALANCE_HALF_LIFE)
        answers += [(tank, week, s, float(seen)) for s, seen in c.signs.items()]
        gained += [(tank, week, s, left if seen else -left) for s, seen in c.signs.items()]
        for name, r in c.readings.items():
            if name not in catalogue.informative:
                continue
            offset = catalogue.analytes[name].offset
            readings.append((tank, week, name, np.log(r.best + offset)))
            # Below the first step of its chart, or written as 0: nothing was found.
            positive.append((tank, week, name, float(r.low > 0)))
    events = [(*tanks[e.tank], e) for e in book.events]
    dated = [(tank, (e.date - started).days // 7, e) for tank, started, e in events]
    happened = [(tank, week, e.kind, 1.0) for tank, week, e in dated]
    changed = [(t, w, "", e.amount or 0.0) for t, w, e in dated if e.kind == "water_change"]
    # A sign that only one club has would be a column of its own: leave it out.
    signs = [name for name, s in catalogue.signs.items() if not s.own]
    answer = _wide(answers, "last", grid, signs)
    reading, above = (
        _wide(rows, "last", grid, catalogue.informative) for rows in (readings, positive)
    )
    water = _wide(changed, "sum", grid, [""]).fillna(0.0)
    rocks = [list(catalogue.starts).index(t.rock or "unknown") for t in book.tanks.values()]
    features = {
        "age": grid.get_level_values("week").to_frame(name="").set_index(grid).astype(float),
        "rock": pd.DataFrame({"": np.repeat(rocks, club.weeks).astype(float)}, grid),
        "answer": answer,
        "last": _last(answer),
        "balance": _balance(_wide(gained, "sum", grid, signs), club.weeks),
        "unlooked": weeks_since(answer),
        "reading": _last(reading),
        "untested": weeks_since(reading),
        "since_event": weeks_since(_wide(happened, "last", grid, list(catalogue.events))),
        "water": sum(water.groupby("tank").shift(k, fill_value=0.0) for k in range(RECENT)),
        "above_zero": _last(above).where(weeks_since(reading) < RECENT),
    }
    return pd.concat(features, axis=1)
