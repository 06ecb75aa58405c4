"""What a log holds of each tank and week, as plain arrays for simpler judges and the ceiling.

Everything of week t uses check-ins and events up to the end of week t only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.lab.validation.clubs import Club
from maturity_model.panel import BALANCE_HALF_LIFE

#: Weeks in which an answer counts as lately given.
LATELY = 4
#: Weeks since something, at most.
LONGEST = 104.0


@dataclass(frozen=True)
class TankWeeks:
    """N tanks, W weeks; G signs, A informative analytes, E kinds of event.

    Attributes
    ----------
    signs, analytes, events : tuple of str
    answer : ndarray, shape (N, W, G)
        Last answer of the week: 1 seen, 0 not seen, nan not looked for.
    last : ndarray, shape (N, W, G)
        Last answer so far; nan for none.
    balance : ndarray, shape (N, W, G)
        +1 for each time seen, -1 for each not seen, halving in two weeks; at the week's end.
    unlooked : ndarray, shape (N, W, G)
        Weeks since it was last looked for; nan for never.
    reading : ndarray, shape (N, W, A)
        log(best + offset) of the last reading so far; nan for none.
    above_zero : ndarray, shape (N, W, A)
        Whether the last reading within :data:`LATELY` weeks was above the lowest step: 1,
        0, or nan for none.
    untested : ndarray, shape (N, W, A)
        Weeks since it was measured; nan for never.
    since_event : ndarray, shape (N, W, E)
        Weeks since the last event of a kind; nan for never.
    water : ndarray, shape (N, W)
        Percent of the volume changed in four weeks.
    rock : int ndarray, shape (N,)
        Index into the catalogue's ``starts``.
    """

    signs: tuple[str, ...]
    analytes: tuple[str, ...]
    events: tuple[str, ...]
    answer: Floats
    last: Floats
    balance: Floats
    unlooked: Floats
    reading: Floats
    above_zero: Floats
    untested: Floats
    since_event: Floats
    water: Floats
    rock: Ints

    @property
    def shape(self) -> tuple[int, int]:
        """(N, W)."""
        return self.water.shape[0], self.water.shape[1]

    def matrix(self) -> Floats:
        """All of it as columns, with age and rock, shape (N, W, F)."""
        n, w = self.shape
        age = np.broadcast_to(np.arange(w, dtype=float)[None, :, None], (n, w, 1))
        rock = np.broadcast_to(self.rock[:, None, None].astype(float), (n, w, 1))
        parts = (
            age, rock, self.answer, self.last, self.balance, self.unlooked, self.reading,
            self.untested, self.since_event, self.water[:, :, None],
        )  # fmt: skip
        return np.concatenate(parts, axis=2)


def _since(at: Ints, weeks: int) -> Floats:
    # Weeks since the last of some weeks, nan before the first.
    out = np.full(weeks, np.nan)
    for start in np.unique(at):
        out[start:] = np.arange(weeks - start)
    return np.minimum(out, LONGEST)


def _carried(values: Floats) -> Floats:
    # The last value that is not nan, along axis 1.
    at = np.where(np.isfinite(values), np.arange(values.shape[1])[None, :, None], -1)
    at = np.maximum.accumulate(at, axis=1)
    found = np.take_along_axis(values, np.maximum(at, 0), axis=1)
    return np.where(at >= 0, found, np.nan)


def _age_of(values: Floats) -> Floats:
    week = np.arange(values.shape[1], dtype=float)[None, :, None]
    at = np.where(np.isfinite(values), week, -1.0)
    at = np.maximum.accumulate(at, axis=1)
    return np.where(at >= 0, np.minimum(week - at, LONGEST), np.nan)


def tank_weeks(club: Club) -> TankWeeks:
    """Lay out a club's log.

    Parameters
    ----------
    club : Club
        Its weeks are those of the truth.
    """
    book, weeks = club.logbook, club.weeks
    catalogue = book.catalogue
    # A sign of one club only would be a column of its own: the catalogue's signs suffice.
    signs = tuple(n for n, s in catalogue.signs.items() if not s.own)
    analytes, kinds = catalogue.informative, tuple(catalogue.events)
    n = len(book.tanks)
    at = {name: i for i, name in enumerate(book.tanks)}
    started = {name: t.started for name, t in book.tanks.items()}
    sign_at = {name: i for i, name in enumerate(signs)}
    analyte_at = {name: i for i, name in enumerate(analytes)}
    answer = np.full((n, weeks, len(signs)), np.nan)
    reading = np.full((n, weeks, len(analytes)), np.nan)
    zero = np.full((n, weeks, len(analytes)), np.nan)
    gained = np.zeros((n, weeks, len(signs)))
    for c in book.checkins:
        days = (c.date - started[c.tank]).days
        week, i = days // 7, at[c.tank]
        if not 0 <= week < weeks:
            continue
        for name, seen in c.signs.items():
            if name in sign_at:
                answer[i, week, sign_at[name]] = float(seen)
                left = 2.0 ** (-(7 * week + 6 - days) / BALANCE_HALF_LIFE)
                gained[i, week, sign_at[name]] += left if seen else -left
        for name, r in c.readings.items():
            if name in analyte_at:
                offset = catalogue.analytes[name].offset
                reading[i, week, analyte_at[name]] = np.log(r.best + offset)
                # Below the first step of its chart, or written as 0: nothing was found.
                zero[i, week, analyte_at[name]] = float(r.low > 0)
    balance = np.zeros_like(gained)
    fade = 2.0 ** (-7 / BALANCE_HALF_LIFE)
    for t in range(weeks):
        balance[:, t] = gained[:, t] + (balance[:, t - 1] * fade if t else 0.0)
    since = np.full((n, weeks, len(kinds)), np.nan)
    water = np.zeros((n, weeks))
    happened: dict[tuple[int, int], list[int]] = {}
    for e in book.events:
        week = (e.date - started[e.tank]).days // 7
        if 0 <= week < weeks and e.kind in catalogue.events:
            happened.setdefault((at[e.tank], kinds.index(e.kind)), []).append(week)
            if e.kind == "water_change":
                water[at[e.tank], week : week + LATELY] += e.amount or 0.0
    for (i, k), list_of_weeks in happened.items():
        since[i, :, k] = _since(np.array(list_of_weeks), weeks)
    starts = list(catalogue.starts)
    rock = np.array([starts.index(t.rock or "unknown") for t in book.tanks.values()])
    untested = _age_of(reading)
    return TankWeeks(
        signs,
        analytes,
        kinds,
        answer,
        _carried(answer),
        balance,
        _age_of(answer),
        _carried(reading),
        np.where(untested < LATELY, _carried(zero), np.nan),
        untested,
        since,
        water,
        rock,
    )


def stack(parts: list[TankWeeks]) -> TankWeeks:
    """The tanks of several clubs behind one another; all must have the same weeks."""
    first = parts[0]
    arrays = {
        name: np.concatenate([getattr(p, name) for p in parts])
        for name in (
            "answer", "last", "balance", "unlooked", "reading", "above_zero", "untested",
            "since_event", "water", "rock",
        )
    }  # fmt: skip
    return TankWeeks(first.signs, first.analytes, first.events, **arrays)
