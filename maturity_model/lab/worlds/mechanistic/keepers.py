"""Keepers look: imperfectly, in their own way, and harder when they are worried.

What reaches the log is not what there is. Detection rises with abundance, keenness and the
way of looking; some tanks hide a sign, some hold a look-alike that is taken for it week
after week; answers are copied from the last time; what is absent is often left blank; kits
are biased and rounded; weeks are skipped, more of them when all is well; events go
unlogged, or get a wrong date. All shares are judgement (E).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic import kits
from maturity_model.lab.worlds.mechanistic.husbandry import Happened, History
from maturity_model.lab.worlds.mechanistic.phases import nuisance
from maturity_model.lab.worlds.mechanistic.ranges import ALGAL, ANIMALS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SIGNS = (*ANIMALS, *ALGAL, "coralline_algae", "sand_gas_bubbles")
ANALYTES = tuple(kits.KITS)
LOOKS = ("glance", "careful", "torch")
#: Factor on abundance by way of looking: for what hides, and for what is plain to see.
LOOK_SMALL, LOOK_PLAIN = np.array([0.35, 1.0, 1.9]), np.array([0.7, 1.0, 1.1])
_N_ANIMALS = len(ANIMALS)
#: Abundance at which a usual keeper sees it in every second careful look. Order: SIGNS.
HALF_SEEN = np.array([0.10, 0.10, 0.08, 0.10, 0.10, 0.12, 0.07, 0.12, 0.06, 0.05, 0.02, 0.20])
#: How sharply seeing sets in with abundance: algae and crusts all at once, animals slowly.
STEEPNESS = np.array([1.3] * _N_ANIMALS + [3.0] * 4 + [2.5, 2.5])
#: Chance that a keeper never reports a sign at all.
NEVER = 0.12
#: Share of keepers who mostly leave blank what they do not see, and how often they do.
BLANK_KEEPERS, BLANK = 0.15, 0.6
#: Shares of keepers who log no water changes, and who name no kits.
NO_WATER_LOG, NO_KITS = 0.15, 0.08
#: Chance that a tank's log stops for good, per year.
GIVES_UP = 0.06
#: Chance of a longer absence starting, per week.
AWAY = 0.02


@dataclass(frozen=True)
class Broken:
    """What is changed about keepers when an assumption is broken; see ``worlds``.

    Attributes
    ----------
    kit_steps : int
        Steps by which every nutrient kit is off.
    skips_calm : float
        Factor on the chance of a check-in while nothing is wrong.
    """

    kit_steps: int = 0
    skips_calm: float = 1.0


Row = dict[str, str]


class Keepers:
    """Everybody's eyes, kits and habits.

    Parameters
    ----------
    p : mapping of str to ndarray, shape (N,)
        Of each tank's keeper: tanks of one keeper share them.
    keeper : int ndarray, shape (N,)
        Who keeps each tank.
    rng : numpy.random.Generator
    broken : Broken
    called : str
        What keepers' names begin with.
    weekly_tests : bool
        Ammonia and nitrite are tested at every check-in.
    """

    def __init__(
        self,
        p: Mapping[str, Floats],
        keeper: Ints,
        rng: np.random.Generator,
        broken: Broken,
        called: str = "keeper-",
        *,
        weekly_tests: bool = False,
    ):
        self.weekly_tests = weekly_tests
        self.called = called
        n, count = len(keeper), int(keeper.max()) + 1
        self.p, self.keeper, self.rng, self.broken, self.n = p, keeper, rng, broken, n
        signs = (len(SIGNS), count)
        habit = np.where(rng.random(signs) < NEVER, 0.0, rng.beta(4, 2, signs) * 1.5)
        self.habit = np.minimum(habit[:, keeper] * p["answers"], 0.98)
        self.eye = np.exp(0.35 * rng.normal(size=signs))[:, keeper] * p["sharpness"]
        self.leaves_blank = (rng.random(count) < BLANK_KEEPERS)[keeper]
        self.logs_water = (rng.random(count) >= NO_WATER_LOG)[keeper]
        self.names_kits = rng.random(count) >= NO_KITS
        self.weekday = rng.integers(0, 7, count)[keeper]
        # Of the tank: where a sign hides, and what is taken for it.
        self.hidden = np.exp(0.5 * rng.normal(size=(len(SIGNS), n)))
        self.alike = rng.random((len(SIGNS), n)) < np.minimum(2 * p["mistaken"], 0.9)
        self.kits = [{a: kits.choose(a, rng) for a in ANALYTES} for _ in range(count)]
        self.bias = rng.normal(size=(len(ANALYTES), count))[:, keeper] * p["kit_bias"]
        # A kit that nobody names is read as the usual chart, so it had better be one.
        for k in np.flatnonzero(~self.names_kits):
            self.kits[k] = {a: kits.KITS[a][0][1] for a in ANALYTES}
            self.kits[k]["alkalinity"] = kits.KITS["alkalinity"][0][1]
        self.last = np.full((len(SIGNS), n), -1)  # answer, -1 none
        self.last_day = np.full((len(SIGNS), n), -1000)

    def name(self, i: int) -> str:
        """Who keeps tank i."""
        return f"{self.called}{self.keeper[i]:03d}"

    # -- what makes a keeper worry -------------------------------------------------------

    def worry(self, history: History) -> Floats:
        """How worried each keeper is on each day, 0 to 1: what is plain to see, or smells."""
        algae = nuisance(history)
        foul = history.series["ammonia"] + 0.5 * history.series["nitrite"]
        pods = history.animals[:, :2].max(1)
        before = np.zeros_like(pods)
        before[21:] = pods[:-21]
        gone = (before > 0.2) & (pods < 0.5 * before)
        return np.asarray(
            np.clip((algae - 0.3) / 0.4, 0, 1) * 0.5 + np.clip(foul / 0.8, 0, 1) * 0.6 + 0.3 * gone
        ).clip(0, 1)

    # -- check-ins -----------------------------------------------------------------------

    def checkins(self, history: History, start: dt.date, names: list[str]) -> Iterator[Row]:
        """The rows of ``checkins.csv``, in the order of their dates."""
        weeks = len(history.algae) // 7
        worry, rng, p = self.worry(history), self.rng, self.p
        away_until, stopped = np.zeros(self.n), np.zeros(self.n, dtype=bool)
        for week in range(weeks):
            leaves = rng.random(self.n) < AWAY
            away_until = np.where(leaves, week + rng.integers(2, 6, self.n), away_until)
            stopped |= rng.random(self.n) < GIVES_UP / 52 * (week > 12)
            day = np.clip(7 * week + self.weekday + rng.integers(-1, 2, self.n), 7 * week, None)
            day = np.minimum(day, 7 * week + 6)
            z = worry[day, np.arange(self.n)]
            eager = np.where(week < 30, 1.0, 0.88) * (0.88 + 0.12 * z)
            calm = 1 - (1 - self.broken.skips_calm) * (1 - z)
            chance = np.minimum(p["weekly"] * eager * calm * (1 + 0.15 * p["worry"] * z), 0.97)
            here = (rng.random(self.n) < chance) & (week >= away_until) & ~stopped
            order = np.flatnonzero(here)
            for i in order[np.argsort(day[order], kind="stable")]:
                yield self._look(history, int(i), int(day[i]), float(z[i]), start, names[i])

    def _look(self, history: History, i: int, day: int, z: float, start: dt.date, name: str) -> Row:
        rng, p = self.rng, self.p
        hard = 1 + p["worry"][i] * z
        looks = np.array([0.30, 0.55, 0.15]) * np.array([1 / hard, 1.0, hard])
        look = int(rng.choice(3, p=looks / looks.sum()))
        row = {
            "tank": name,
            "date": (start + dt.timedelta(days=day)).isoformat(),
            "observer": self.name(i),
            "look": LOOKS[look],
        }
        row |= self._signs(history, i, day, look, hard)
        # While the tank is new everybody tests ammonia and nitrite; later hardly anybody.
        tests = np.full(len(ANALYTES), p["tests"][i]) * hard
        tests[:2] *= 1.8 if day < 56 else 0.5
        tests[5:7] *= 1.3
        if self.weekly_tests:
            tests[:2] = 1.0
        chosen = np.flatnonzero(rng.random(len(ANALYTES)) < tests)
        for a in chosen:
            analyte = ANALYTES[a]
            row[analyte] = kits.read(
                self.kits[self.keeper[i]][analyte],
                float(history.series[analyte][day, i]),
                float(self.bias[a, i]),
                float(p["kit_error"][i]),
                rng,
                self.broken.kit_steps,
            )
        return row

    def seen_chance(self, abundance: Floats, i: int, look: int) -> Floats:
        """Chance of seeing each sign of tank i, shape (12,), by its abundance."""
        ways = np.full(len(SIGNS), LOOK_PLAIN[look])
        ways[:_N_ANIMALS] = LOOK_SMALL[look]
        strength = abundance * self.eye[:, i] * self.hidden[:, i] * ways / HALF_SEEN
        powered = np.maximum(strength, 0) ** STEEPNESS
        return np.asarray(powered / (1 + powered))

    def _signs(self, history: History, i: int, day: int, look: int, hard: float) -> Row:
        rng, p, series = self.rng, self.p, history.series
        abundance = np.concatenate(
            [
                history.animals[day, :, i],
                history.algae[day, :, i],
                [series["coralline"][day, i], series["gas"][day, i]],
            ]
        )
        u = rng.random((6, len(SIGNS)))
        asked = u[0] < np.minimum(self.habit[:, i] * (0.8 + 0.2 * hard), 0.98)
        seen = u[1] < self.seen_chance(abundance, i, look)
        seen |= u[2] < np.where(self.alike[:, i], 0.6, 0.2 * p["mistaken"][i])
        recent = (self.last[:, i] >= 0) & (day - self.last_day[:, i] <= 28)
        copied = recent & (u[3] < p["copied"][i])
        seen = np.where(copied, self.last[:, i] == 1, seen)
        left = self.leaves_blank[i] & ~seen & (u[4] < BLANK)
        answered = asked & ~left
        self.last[answered, i] = seen[answered]
        self.last_day[answered, i] = day
        return {SIGNS[g]: "y" if seen[g] else "n" for g in np.flatnonzero(answered)}

    # -- events and kits -----------------------------------------------------------------

    def log_events(
        self, events: list[Happened], days: int, start: dt.date, names: list[str]
    ) -> list[Row]:
        """The rows of ``events.csv``: what of the real events is written down, and when."""
        rng, p = self.rng, self.p
        rows: list[Row] = []
        for e in sorted(events, key=lambda e: (e.day, e.tank)):
            chance, u = float(p["reported"][e.tank]), rng.random(3)
            if e.kind == "crash":
                chance = chance**0.4  # nobody forgets one
            if e.kind == "water_change" and not self.logs_water[e.tank]:
                continue
            if u[0] >= chance:
                continue
            day = e.day
            if u[1] < p["misdated"][e.tank]:
                day += int(np.round(1 + 9 * u[2])) * (1 if rng.random() < 0.7 else -1)
            day = min(max(day, 0), days - 1)
            row = {
                "tank": names[e.tank],
                "date": (start + dt.timedelta(days=day)).isoformat(),
                "event": e.kind,
                "amount": self._amount(e),
            }
            if row not in rows[-50:]:
                rows.append(row)
        # A misdated one may meet its like; the log format takes each only once.
        unique = {tuple(r.values()): r for r in rows}
        return sorted(unique.values(), key=lambda r: r["date"])

    def _amount(self, e: Happened) -> str:
        if e.kind == "water_change":
            return f"{max(5 * round(e.amount / 5), 1):g}"
        if e.kind == "overfeeding":
            return f"{max(round(2 * e.amount) / 2, 1.5):g}"
        return f"{e.amount:g}" if e.kind == "livestock_added" else ""

    def kit_rows(self) -> list[Row]:
        """The rows of ``kits.csv``."""
        return [
            {
                "keeper": f"{self.called}{k:03d}",
                "analyte": kit.analyte,
                "method": kit.method,
                "unit": kit.unit,
                "steps": ";".join(f"{s:g}" for s in kit.steps),
            }
            for k in np.flatnonzero(self.names_kits)
            for kit in self.kits[k].values()
        ]
