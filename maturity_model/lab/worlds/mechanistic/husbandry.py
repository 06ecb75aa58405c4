"""How keepers run their tanks: feeding, stocking, water changes, and what goes wrong.

Keepers answer to the tank: they stock when it looks cycled (or when patience ends), buy
snails and scrub when algae take over, treat new fish. So causes are confounded, as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic import happenings
from maturity_model.lab.worlds.mechanistic.tank import DIATOMS, FILM, HAIR, Tanks

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Happened(NamedTuple):
    """One real event; ``amount`` is nan where the kind has none."""

    tank: int
    day: int
    kind: str
    amount: float


#: Share of keepers who change water by the calendar, and how. P.
CHANGES_WATER = 0.75
INTERVALS = (7, 14, 14, 28)
PERCENTS = (10.0, 15.0, 20.0, 25.0)


class Husbandry:
    """What the keepers of N tanks do, day by day.

    Attributes
    ----------
    events : list of Happened
        What really happened, known to the keeper or not.
    unnoticed : list of Happened
        What nobody found out: ``kind`` is a key of ``HAPPENINGS``.
    """

    def __init__(self, tanks: Tanks, rng: np.random.Generator):
        n, p = tanks.n, tanks.p
        self.t, self.p, self.rng, self.n = tanks, p, rng, n
        regular = rng.random(n) < CHANGES_WATER
        self.interval = np.where(regular, rng.choice(INTERVALS, n), 10**6)
        self.percent = rng.choice(PERCENTS, n)
        self.phase = rng.integers(0, 7, n)
        self.patience = rng.integers(24, 65, n)
        self.stock, self.stocked = np.zeros(n), np.zeros(n, dtype=bool)
        self.calm, self.next_stocking = np.zeros(n), np.full(n, -1)
        self.lax_until = np.full(n, -1)
        self.ration, self.ration_until = np.ones(n), np.zeros(n)
        self.events: list[Happened] = []
        self.unnoticed: list[Happened] = []

    def _note(
        self, where: Ints, day: int, kind: str, amounts: Floats | None = None, *, known: bool = True
    ) -> None:
        values = np.full(len(where), np.nan) if amounts is None else amounts
        into = self.events if known else self.unnoticed
        into += [Happened(int(i), day, kind, float(a)) for i, a in zip(where, values, strict=True)]

    def _befalls(self, kind: str, factor: Floats | float = 1.0) -> Ints:
        chance = self.p[kind] / 365 * factor
        return np.flatnonzero(self.rng.random(self.n) < chance)

    def _hard(self, where: Ints) -> Floats:
        scatter = np.exp(0.5 * self.rng.normal(size=len(where)))
        return np.minimum(self.p["violence"][where] * scatter, 3.0)

    def day(self, day: int) -> Floats:
        """Do what is done on a day; what is fed, mg/L of nitrogen, shape (N,)."""
        self._lapse(day)
        self._change_water(day)
        self._stock(day)
        self._mishaps(day)
        fed = np.where(day < self.ration_until, self.ration, 1.0)
        hand = np.exp(0.2 * self.rng.normal(size=self.n))
        return np.asarray(self.p["load"] * (0.25 + 0.75 * self.stock) * fed * hand)

    def _lapse(self, day: int) -> None:
        # Interest fades for a season: no water changes, no dosing, a dirty skimmer.
        self.t.neglect[self.lax_until == day] = 0.0
        where = self._befalls("neglect", 1.0 * (self.t.neglect == 0) * (day > 100))
        self.t.neglect[where] = 1.0
        self.lax_until[where] = day + self.rng.integers(50, 150, len(where))
        self._note(where, day, "neglect", known=False)

    def _change_water(self, day: int) -> None:
        due = ((day + self.phase) % self.interval == 0) & (self.t.neglect == 0)
        kept = self.rng.random(self.n) < 0.9
        # Those without a calendar change some now and then.
        whim = (self.interval > 1000) & (self.rng.random(self.n) < 1 / 90)
        where = np.flatnonzero(((due & kept) | whim) & (day > 6))
        if len(where):
            scatter = np.exp(0.15 * self.rng.normal(size=len(where)))
            percent = np.clip(self.percent[where] * scatter, 3, 60)
            happenings.change_water(self.t, where, percent)
            self._note(where, day, "water_change", percent)

    def _stock(self, day: int) -> None:
        t, rng = self.t, self.rng
        clear = (t.ammonia < 0.2) & (t.nitrite < 0.15)
        self.calm = np.where(clear, self.calm + 1, 0)
        first = ~self.stocked & (((self.calm >= 6) & (day > 6)) | (day > self.patience))
        self.next_stocking[first] = day
        self.stocked |= first
        where = np.flatnonzero(self.next_stocking == day)
        if len(where):
            self._add(where, day, snails=False)
            more = self.stock[where] < 0.95
            wait = rng.integers(8, 36, len(where))
            self.next_stocking[where] = np.where(more, day + wait, -1)
        later = self._befalls("livestock_added") if day > 60 else np.zeros(0, dtype=np.int64)
        later = later[self.stocked[later]]
        if len(later):
            self._add(later, day, snails=False)
        algae = t.algae[[DIATOMS, FILM, HAIR]].sum(0)
        buys = self.stocked & (algae > 0.3) & (t.snails < 1) & (rng.random(self.n) < 1 / 25)
        if buys.any():
            self._add(np.flatnonzero(buys), day, snails=True)
        t.snails *= 0.999
        # Fish do not live in what kills them, and rot.
        dies = (self.stock > 0.1) & (t.ammonia > 1.2) & (rng.random(self.n) < 0.06)
        where = np.flatnonzero(dies)
        if len(where):
            happenings.rot(t, where, 0.4 * np.ones(len(where)))
            self.stock[where] *= 0.75

    def _add(self, where: Ints, day: int, *, snails: bool) -> None:
        amount = (
            self.rng.integers(2, 9, len(where)) if snails else 1 + self.rng.poisson(1.2, len(where))
        )
        happenings.add_livestock(self.t, where, snails=snails)
        if not snails:
            self.stock[where] = np.minimum(self.stock[where] + 0.13 * amount, 1.6)
        self._note(where, day, "livestock_added", amount.astype(float))

    def _mishaps(self, day: int) -> None:
        t, rng = self.t, self.rng
        where = self._befalls("overfeeding")
        if len(where):
            times = np.round(1.5 + rng.gamma(2.0, 0.8, len(where)), 1)
            self.ration[where] = times
            self.ration_until[where] = day + 1 + rng.poisson(7 * self._hard(where))
            self._note(where, day, "overfeeding", times)
        for kind, act, factor in (
            ("crash", happenings.crash, 1.0),
            ("deep_clean", happenings.clean_deeply, 0.6 + 4 * np.maximum(
                t.algae[[DIATOMS, HAIR]].sum(0) - 0.25, 0)),
            ("sand_disturbed", happenings.disturb_sand, 1.0),
            ("medication", happenings.medicate, 0.3 + self.stocked),
        ):  # fmt: skip
            where = self._befalls(kind, factor)
            if len(where):
                act(t, where, self._hard(where))
                self._note(where, day, kind)
        where = self._befalls("hidden_death", self.stocked)
        if len(where):
            happenings.rot(t, where, 0.8 * self._hard(where))
            self._note(where, day, "hidden_death", known=False)
        where = self._befalls("hidden_failure")
        if len(where):
            happenings.crash(t, where, 0.6 * self._hard(where))
            self._note(where, day, "hidden_failure", known=False)


class History:
    """What N tanks were at the end of each of D days.

    Attributes
    ----------
    series : dict of str to ndarray, shape (D, N)
        ``ammonia, nitrite, nitrate, phosphate`` in mg/L of N or P; ``load, processed``,
        mg/L of N a day; ``temperature, salinity, alkalinity, ph``; ``coralline, gas``.
    algae : ndarray, shape (D, 4, N)
    animals : ndarray, shape (D, 6, N)
    """

    NAMES = (
        "ammonia", "nitrite", "nitrate", "phosphate", "load", "processed", "temperature",
        "salinity", "alkalinity", "coralline", "gas", "ph",
    )  # fmt: skip

    def __init__(self, days: int, tanks: Tanks):
        self.series = {name: np.empty((days, tanks.n)) for name in self.NAMES}
        self.algae = np.empty((days, *tanks.algae.shape))
        self.animals = np.empty((days, *tanks.animals.shape))

    def record(self, day: int, tanks: Tanks) -> None:
        """Keep the end of a day."""
        for name in self.NAMES[:-1]:
            self.series[name][day] = getattr(tanks, name)
        self.series["ph"][day] = tanks.ph()
        self.algae[day], self.animals[day] = tanks.algae, tanks.animals


def run(
    days: int, tanks: Tanks, rng: np.random.Generator
) -> tuple[History, list[Happened], list[Happened]]:
    """Let the days pass; the history, what happened, and what nobody found out."""
    keepers, history = Husbandry(tanks, rng), History(days, tanks)
    for day in range(days):
        tanks.day(keepers.day(day))
        history.record(day, tanks)
    return history, keepers.events, keepers.unnoticed


def parameters_of(values: Mapping[str, Floats], where: Ints) -> dict[str, Floats]:
    """The parameters of other tanks in place of one's own: for what a keeper's tanks share."""
    return {name: value[where] for name, value in values.items()}
