"""What a log holds of each tank and week, as one table for the baselines and the ceiling.

Everything of week t uses check-ins and events up to the end of week t only.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from maturity_model.lab.validation.clubs import Club
from maturity_model.panel import BALANCE_HALF_LIFE

#: Weeks in which an answer, a reading or a water change counts as recent.
RECENT = 4
#: Cap on the weeks since something.
LONGEST = 104.0


def log_features(club: Club) -> pd.DataFrame:
    """Lay out a club's log by week.

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
    looks, tests, events = _looks(club), _tests(club), _events(club)
    # A sign that only one club has would be a column of its own: leave it out.
    signs = [name for name, s in catalogue.signs.items() if not s.own]
    answer = _wide(club, looks, "seen", "last", signs)
    reading, above = (
        _wide(club, tests, value, "last", catalogue.informative) for value in ("level", "above")
    )
    changes = events[events["item"] == "water_change"]
    water = _wide(club, changes.assign(item=""), "amount", "sum", [""]).fillna(0.0)
    rocks = [list(catalogue.starts).index(t.rock or "unknown") for t in book.tanks.values()]
    week = answer.index.get_level_values("week")
    features = {
        "age": pd.DataFrame({"": week.astype(float)}, answer.index),
        "rock": pd.DataFrame({"": np.repeat(rocks, club.weeks).astype(float)}, answer.index),
        "answer": answer,
        "last": _last(answer),
        "balance": _balance(_wide(club, looks, "gain", "sum", signs), club.weeks),
        "unlooked": weeks_since(answer),
        "reading": _last(reading),
        "untested": weeks_since(reading),
        "since_event": weeks_since(_wide(club, events, "amount", "last", list(catalogue.events))),
        "water": sum(water.groupby("tank").shift(k, fill_value=0.0) for k in range(RECENT)),
        "above_zero": _last(above).where(weeks_since(reading) < RECENT),
    }
    return pd.concat(features, axis=1)


def weeks_since(values: pd.DataFrame) -> pd.DataFrame:
    """Weeks since each column last held a value, 0 in that week; nan before the first."""
    week = values.index.get_level_values("week").to_numpy(dtype=float)[:, None]
    at = values.notna().astype(float).mul(week, axis=0).where(values.notna())
    return (week - _last(at)).clip(upper=LONGEST)


def _last(values: pd.DataFrame) -> pd.DataFrame:
    return values.groupby("tank").ffill()


def _looks(club: Club) -> pd.DataFrame:
    # Gain: what is left of an answer's +1 or -1 at the end of its week.
    rows = []
    for tank, day, c in club.dated(club.logbook.checkins):
        left = 2.0 ** (-(6 - day % 7) / BALANCE_HALF_LIFE)
        rows += [(tank, day, s, float(y), left if y else -left) for s, y in c.signs.items()]
    return pd.DataFrame(rows, columns=["tank", "day", "item", "seen", "gain"])


def _tests(club: Club) -> pd.DataFrame:
    # Above: not below the first step of its chart, and not written as 0.
    catalogue = club.logbook.catalogue
    rows = [
        (tank, day, a, np.log(r.best + catalogue.analytes[a].offset), float(r.low > 0))
        for tank, day, c in club.dated(club.logbook.checkins)
        for a, r in c.readings.items()
        if a in catalogue.informative
    ]
    return pd.DataFrame(rows, columns=["tank", "day", "item", "level", "above"])


def _events(club: Club) -> pd.DataFrame:
    rows = [(*when, e.kind, e.amount or 0.0) for *when, e in club.dated(club.logbook.events)]
    return pd.DataFrame(rows, columns=["tank", "day", "item", "amount"])


def _wide(
    club: Club, rows: pd.DataFrame, value: str, how: str, items: Sequence[str]
) -> pd.DataFrame:
    # By tank and week, with a column for each item; nan where there is none.
    shape = range(len(club.logbook.tanks)), range(club.weeks)
    grid = pd.MultiIndex.from_product(shape, names=["tank", "week"])
    rows = rows.assign(week=rows["day"] // 7)
    cells = rows.groupby(["tank", "week", "item"])[value].agg(how).unstack("item")
    return cells.reindex(index=grid, columns=list(items)).astype(float)


def _balance(gained: pd.DataFrame, weeks: int) -> pd.DataFrame:
    # Sums that fade by the week.
    out = np.array(gained.fillna(0.0)).reshape(-1, weeks, gained.shape[1])
    for t in range(1, weeks):
        out[:, t] += out[:, t - 1] * 2.0 ** (-7 / BALANCE_HALF_LIFE)
    return pd.DataFrame(out.reshape(gained.shape), gained.index, gained.columns)
