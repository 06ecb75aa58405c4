"""Simpler judges of a tank: frequency tables of what they look at.

Each puts every tank-week into a cell, and states how often each outcome came about in that
cell in a training set.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Floats, Ints
from maturity_model.catalogue import Catalogue
from maturity_model.lab.worlds.simulate_logbook import Simulated

#: Weeks in which a sign or reading counts as seen lately, and width of the age bands.
LATELY = 4


def favourable(catalogue: Catalogue) -> tuple[str, ...]:
    """Signs whose chance of being seen never falls from one phase to the next."""
    return tuple(
        s.name
        for s in catalogue.signs.values()
        if all(a.value <= b.value for a, b in zip(s.detection, s.detection[1:], strict=False))
    )


def frequencies(cells: Ints, happened: NDArray[Any], n_cells: int) -> Floats:
    """Share of tank-weeks of each cell in which each outcome happened, shape (n_cells, M).

    As if one more tank-week like the average of all had been seen in each cell.
    """
    count = np.bincount(cells, minlength=n_cells)
    hits = np.stack([np.bincount(cells, h, minlength=n_cells) for h in happened.T], axis=1)
    return np.asarray((hits + happened.mean(axis=0)) / (count[:, None] + 1.0))


def by_tank(values: NDArray[Any]) -> NDArray[Any]:
    """(weeks, tanks) to one row for each tank-week, tank after tank as in a panel."""
    return np.ascontiguousarray(values.T).ravel()


def cells(simulated: Simulated, weeks: int) -> dict[str, Ints]:
    """The cell of each tank-week, by frequency table; each of shape (N * weeks,).

    ``age``: week and rock. ``readings_table``: ammonia and nitrite, each not measured, not found or
    found when last measured in :data:`LATELY` weeks, and age in bands of as many. ``checklist``:
    favourable signs seen in :data:`LATELY` weeks.
    """
    catalogue, tanks = simulated.logbook.catalogue, simulated.logbook.tanks
    at = {name: n for n, name in enumerate(tanks)}
    column = {name: i for i, name in enumerate(favourable(catalogue))}
    kits = {"ammonia": 0, "nitrite": 1}
    seen = np.zeros((weeks, len(tanks), len(column)), dtype=bool)
    # Of each kit: nothing found (0) or something (1) in a week; -1: not measured.
    level = np.full((weeks, len(tanks), len(kits)), -1)
    for c in simulated.logbook.checkins:
        week, tank = (c.date - tanks[c.tank].started).days // 7, at[c.tank]
        if week < weeks:
            for name in c.signs.keys() & column.keys():
                seen[week, tank, column[name]] |= bool(c.signs[name])
            for name in kits.keys() & c.readings.keys():
                level[week, tank, kits[name]] = c.readings[name].best > 0
    lately, last = seen.copy(), np.full_like(level, -1)
    for back in reversed(range(LATELY)):
        lately[back:] |= seen[: weeks - back]
        measured = level[: weeks - back]
        last[back:] = np.where(measured >= 0, measured, last[back:])
    weekly = np.arange(weeks)[:, None]
    starts = list(catalogue.starts)
    rock = np.array([starts.index(t.rock or "unknown") for t in tanks.values()])
    state = 3 * (last[:, :, 0] + 1) + last[:, :, 1] + 1
    return {
        "age": by_tank(weekly * len(starts) + rock),
        "readings_table": by_tank(weekly // LATELY * 9 + state),
        "checklist": by_tank(lately.sum(axis=2)),
    }
