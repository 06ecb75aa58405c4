"""Observations as codes: indices into a small table of distinct observations.

The likelihood of an observation is then a look-up. A code holds the context in which it was
made: the balance of past sightings of a sign, the previous reading of an analyte.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from maturity_model._typing import Bools, Ints
from maturity_model.catalogue import LOOKS, Catalogue
from maturity_model.logbook import CheckIn

#: Days in which the balance of past sightings halves.
BALANCE_HALF_LIFE = 14.0
#: Levels of the balance: 0 without recent looks, to 1 for often seen and -1 for often missing.
BALANCE_LEVELS = (-1.0, -0.5, 0.0, 0.5, 1.0)
#: Weeks after which a previous reading or judgement no longer counts.
PREVIOUS_WEEKS = 4

_SIGN = np.dtype([("sign", "i8"), ("look", "i8"), ("level", "f8"), ("seen", "?")])
_READING = np.dtype(
    [("analyte", "i8"), ("low", "f8"), ("high", "f8"), ("previous", "f8"), ("gap", "f8")]
)
_JUDGED = np.dtype([("phase", "i8"), ("previous", "i8")])
# Sum of 2**(-k/2) over k = 1, 2, ...: the limit for a sign seen every week.
_FULL_BALANCE = 2.0**-0.5 / (1.0 - 2.0**-0.5)


@dataclass(frozen=True)
class Observations:
    """Observations of one kind, as codes.

    Attributes
    ----------
    codes : structured ndarray, shape (C,)
        The distinct observations.
    row : int ndarray, shape (O,)
        Row of the grid of each observation, ascending.
    code : int ndarray, shape (O,)
        Its index in ``codes``.
    """

    codes: np.ndarray
    row: Ints
    code: Ints

    def of_rows(self, first: int, last: int) -> tuple[Ints, Ints]:
        """Codes of rows first..last-1.

        Returns
        -------
        starts : int ndarray, shape (last - first + 1,)
        code : int ndarray
            ``code[starts[t]:starts[t + 1]]`` are those of row ``first + t``.
        """
        edges = np.searchsorted(self.row, np.arange(first, last + 1))
        return edges - edges[0], self.code[edges[0] : edges[-1]]

    def only(self, keep: Bools) -> Observations:
        """Those of the rows that ``keep`` (by row of the grid) selects, without unused codes."""
        here = keep[self.row]
        used, code = np.unique(self.code[here], return_inverse=True)
        return Observations(self.codes[used], self.row[here], code.astype(np.int64))


class _Codebook:
    """Collects observations of one kind."""

    def __init__(self, dtype: np.dtype):
        self.dtype = dtype
        self.index: dict[tuple[Any, ...], int] = {}
        self.rows: list[int] = []
        self.code: list[int] = []

    def add(self, row: int, key: tuple[Any, ...]) -> None:
        self.rows.append(row)
        self.code.append(self.index.setdefault(key, len(self.index)))

    def done(self) -> Observations:
        codes = np.array(list(self.index), dtype=self.dtype)
        row = np.array(self.rows, dtype=np.int64)
        order = np.argsort(row, kind="stable")
        return Observations(codes, row[order], np.array(self.code, dtype=np.int64)[order])


def balance_level(balance: float) -> float:
    """Level of a balance of past sightings (+1 seen, -1 not, halving in two weeks).

    A single look within three weeks counts as half, about two weekly ones as full.
    """
    share = balance / _FULL_BALANCE
    # Two looks a week apart come to exactly 0.5 a week later, one look to at most 0.42. The
    # bound lies between them, so that rounding cannot change the level.
    size = 0.0 if abs(share) < 0.12 else 0.5 if abs(share) < 0.45 else 1.0
    return size if share >= 0 else -size


class Codes:
    """Turns check-ins into codes, tank by tank."""

    def __init__(self, catalogue: Catalogue):
        self.signs = _Codebook(_SIGN)
        self.readings = _Codebook(_READING)
        self.judgements = _Codebook(_JUDGED)
        self.sign_index = {name: i for i, name in enumerate(catalogue.signs)}
        self.analyte_index = {name: i for i, name in enumerate(catalogue.informative)}
        self.phase_index = {name: i for i, name in enumerate(catalogue.phases)}
        self.look_index = {name: i for i, name in enumerate(LOOKS)}

    def add_tank(self, row: int, started: dt.date, checkins: Sequence[CheckIn]) -> None:
        """Add the check-ins of a tank, by date, whose week 0 is row ``row`` of the grid."""
        balance: dict[str, tuple[float, dt.date]] = {}
        previous: dict[str, tuple[float, dt.date]] = {}
        judged: tuple[int, dt.date] | None = None
        for c in checkins:
            at = row + (c.date - started).days // 7
            look = self.look_index[c.look]
            for name, seen in c.signs.items():
                total, day = balance.get(name, (0.0, c.date))
                total *= 2.0 ** (-(c.date - day).days / BALANCE_HALF_LIFE)
                self.signs.add(at, (self.sign_index[name], look, balance_level(total), seen))
                balance[name] = (total + (1.0 if seen else -1.0), c.date)
            for name, reading in c.readings.items():
                if name not in self.analyte_index:
                    continue
                last, day = previous.get(name, (-1.0, dt.date.min))
                gap = max((c.date - day).days / 7.0, 1.0)
                if gap > PREVIOUS_WEEKS:
                    last, gap = -1.0, 0.0
                key = (self.analyte_index[name], reading.low, reading.high, last, gap)
                self.readings.add(at, key)
                previous[name] = (reading.best, c.date)
            if c.judged_phase is not None:
                phase = self.phase_index[c.judged_phase]
                recent = judged is not None and (c.date - judged[1]).days <= 7 * PREVIOUS_WEEKS
                self.judgements.add(at, (phase, judged[0] if judged and recent else -1))
                judged = (phase, c.date)
