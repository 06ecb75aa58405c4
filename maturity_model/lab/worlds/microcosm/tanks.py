"""Tanks as they are set up: their lasting traits, and where everything in them begins."""

from __future__ import annotations

import numpy as np

from .region import Bools, Floats, Ints, Region

ROCK = ("dry", "mixed", "live")
#: Rows of ``Tanks.ani`` and ``Tanks.algae``.
ANIMALS = (
    "copepods", "amphipods", "spirorbid_worms", "sand_worm_tubes", "bristle_worms",
    "syconoid_sponges",
)  # fmt: skip
ALGAE = ("diatoms", "film_algae", "hair_algae", "cyanobacteria")
#: Growth a day of each animal with room and food; chance to come with live rock.
_GROWTH = np.array([0.16, 0.085, 0.06, 0.06, 0.045, 0.05])
_WITH_ROCK = np.array([0.95, 0.7, 0.7, 0.5, 0.85, 0.5])


class Tanks:
    """State and traits of n tanks. Arrays are (n,) unless told.

    Parameters
    ----------
    n : int
    reg : Region
    g : Generator
        All that happens in the tanks is drawn from it.

    Attributes
    ----------
    rock, live, volume, sand
        Index into :data:`ROCK`; share of living rock; litres; depth of sand, mm.
    diligence, diary, impatience, ration, alk_aim
        The keeper: care (0 is usual), chance to write an event down, how soon he adds
        livestock, food in mg N/L a day, alkalinity that he aims at in dKH.
    wc_every, wc_pct, wc_next, source
        Water changes: days between, per cent, next day; how dirty the make-up water is.
    light, flow, skim, refuge
        Factors of light and flow; shares taken out a day by a skimmer and by a refuge.
    eat_tan, eat_no2, pace_tan, pace_no2, most
        Nitrifiers, as mg/L a day of what they can eat; their growth a day; their limit.
    tan, no2, no3, po4, si, det, alk, sal, ph, temp
        Water: mg/L of ammonia, nitrite, nitrate, phosphate and silicate; detritus (1 is
        much); dKH; g/kg; pH; °C.
    si_rock, p_rock
        Silicate and phosphate that rock still holds.
    film_bac, settled, den, den_k, slime
        Share of the surface under biofilm; how settled it is, 0 to 1; denitrifiers, and what
        they can take; how well slime does now.
    algae, vigour
        Shares of the surface under :data:`ALGAE`, and factors of their growth, shape (4, n).
    coral, coral_never, r_coral
        Share under coralline; whether none ever comes; growth a day.
    ani, never, r_ani, k_ani
        Abundance of :data:`ANIMALS` (1 is many); whether they never come; growth a day; factor
        of what the food keeps; all of shape (6, n).
    luck
        Factor of what hitch-hikes.
    fish, fish_aim, snails, stock_wait
        Fish, and how many are wanted; grazers (1 is many); days until more is bought.
    feast, feast_left, neglect, clean_wait, bad_mood
        Overfeeding, as a factor, and days left of it; whether the keeper looks away; days until
        a next deep clean; how bad things lately were.
    load
        Nitrogen that became ammonia today, mg/L.
    log : list of (tank, day, event, amount)
        What was written down.
    """

    def __init__(self, n: int, reg: Region, g: np.random.Generator) -> None:
        self.n, self.reg, self.g = n, reg, g
        # The order of these is the order of the draws.
        self._set_up()
        self._keeping()
        self._nitrifiers()
        self._water()
        self._surfaces()
        self._animals()
        self._moods()
        self.log: list[tuple[int, int, str, str]] = []

    def _ln(self, spread: float, middle: float = 1.0) -> Floats:
        return np.asarray(middle * np.exp(self.g.normal(0, spread, self.n)))

    def _set_up(self) -> None:
        g, n = self.g, self.n
        self.rock: Ints = g.choice(3, n, p=self.reg.rock)
        self.live: Floats = np.choose(
            self.rock, [np.zeros(n), g.uniform(0.15, 0.5, n), g.uniform(0.65, 1, n)]
        )
        self.volume: Floats = np.clip(self._ln(0.6, 180), 30, 900)
        self.sand: Floats = np.where(g.random(n) < 0.17, 0, np.clip(self._ln(0.5, 35), 8, 120))

    def _keeping(self) -> None:
        g, n, ln = self.g, self.n, self._ln
        self.diligence: Floats = g.normal(0, 1, n)
        self.wc_every: Ints = np.select(
            [g.random(n) < 0.09, self.diligence > 0.3],
            [9999, g.choice([7, 7, 14], n)],
            g.choice([14, 14, 28, 35], n),
        )
        self.wc_pct: Ints = g.choice([10, 10, 15, 20, 20, 25, 30], n)
        self.wc_next: Ints = 14 + g.integers(0, 20, n)
        self.source = ln(0.8)
        self.light = ln(0.3)
        self.flow = ln(0.3)
        self.skim: Floats = np.where(g.random(n) < 0.7, ln(0.4, 0.012), 0.002)
        self.refuge: Floats = np.where(g.random(n) < 0.2, ln(0.4, 0.02), 0.0)
        self.ration: Floats = ln(0.45, 0.13) * self.reg.ration * np.exp(-0.12 * self.diligence)
        self.impatience = ln(0.35)
        self.diary: Floats = 1 / (
            1 + np.exp(-(1.1 + self.reg.diary + 0.5 * self.diligence + g.normal(0, 0.6, n)))
        )
        self.alk_aim: Floats = g.normal(8.4, 0.6, n) - 1.1 * (self.diligence < -1)

    def _nitrifiers(self) -> None:
        ln = self._ln
        bottle = self.g.random(self.n) < 0.4
        self.pace_tan: Floats = ln(0.16, 0.33) * self.reg.nitri
        self.pace_no2: Floats = ln(0.2, 0.30) * self.reg.nitro
        self.eat_tan: Floats = ln(0.8, 6e-4) * np.where(bottle, 8, 1) + self.live * ln(0.5, 0.12)
        self.eat_no2: Floats = ln(0.9, 6e-4) * np.where(bottle, 6, 1) + self.live * ln(0.5, 0.25)
        self.most = ln(0.3, 3.0)

    def _water(self) -> None:
        g, n, ln = self.g, self.n, self._ln
        dosed = (g.random(n) < 0.6) & (self.rock < 2)
        self.tan: Floats = np.where(dosed, ln(0.35, 2.0), 0.1)
        self.no2: Floats = np.full(n, 0.02)
        self.no3 = ln(0.4, 2.0)
        self.po4 = ln(0.4, 0.05)
        self.si: Floats = ln(0.5, self.reg.silicate * 2) * self.source
        self.si_rock: Floats = ln(0.5, 2.5) * (1 - 0.6 * self.live)
        self.p_rock: Floats = ln(0.6, 1.2) * self.reg.leach * (1 - 0.75 * self.live)
        self.det: Floats = self.live * ln(0.8, 2.2) + 0.1
        self.alk: Floats = self.alk_aim.copy()
        self.sal: Floats = g.normal(34.8, 0.6, n)
        self.ph: Floats = g.normal(8.08, 0.1, n)
        self.temp_mean: Floats = g.normal(25.4, 0.5, n)
        self.temp_swing: Floats = self.reg.season * ln(0.5)
        self.temp: Floats = self.temp_mean.copy()

    def _surfaces(self) -> None:
        g, n, ln = self.g, self.n, self._ln
        self.film_bac: Floats = np.clip(0.01 + 0.5 * self.live * ln(0.3), 0, 0.9)
        self.slime = ln(0.5)
        self.settled: Floats = 0.35 * self.live
        self.den: Floats = np.clip(0.002 + 0.2 * self.live * ln(0.5), 0, 0.6)
        self.den_k: Floats = ln(0.4, 0.25) * (0.4 + self.sand / 50 + 0.3 * self.live)
        self.algae: Floats = np.full((4, n), 1.5e-3) * np.exp(g.normal(0, 0.8, (4, n)))
        self.vigour: Floats = np.exp(g.normal(0, 0.18, (4, n))) * self.reg.algae
        self.coral: Floats = self.live * ln(0.7, 0.05)
        self.coral_never: Bools = g.random(n) < self.reg.never_coral
        self.r_coral: Floats = ln(0.25, 0.046) * self.reg.coral
        self.coral[self.coral_never] = 0

    def _animals(self) -> None:
        g, n = self.g, self.n
        self.never: Bools = g.random((6, n)) < self.reg.never[:, None]
        self.never[3] |= self.sand == 0
        self.r_ani: Floats = (
            _GROWTH[:, None] * self.reg.fauna[:, None] * np.exp(g.normal(0, 0.2, (6, n)))
        )
        self.k_ani: Floats = np.exp(g.normal(0, 0.35, (6, n)))
        self.ani: Floats = np.where(
            g.random((6, n)) < _WITH_ROCK[:, None] * self.live,
            0.03 * self.live * np.exp(g.normal(0, 0.8, (6, n))),
            0,
        )
        self.ani[self.never] = 0
        self.luck: Floats = np.exp(g.normal(0, 0.5, n))

    def _moods(self) -> None:
        g, n = self.g, self.n
        self.fish: Floats = np.zeros(n)
        self.fish_aim: Floats = np.clip(self._ln(0.4, 6), 2, 20).round()
        self.snails: Floats = np.zeros(n)
        self.stock_wait: Ints = g.integers(5, 20, n)
        self.feast: Floats = np.ones(n)
        self.feast_left: Ints = np.zeros(n, np.int64)
        self.neglect: Bools = np.zeros(n, np.bool_)
        self.clean_wait: Ints = np.zeros(n, np.int64)
        self.bad_mood: Floats = np.zeros(n)
        self.load: Floats = np.zeros(n)

    def arrive(self, who: Bools, chance: Floats) -> None:
        """Let hitch-hikers in.

        Parameters
        ----------
        who : (n,) bool ndarray
            Tanks that something may come to.
        chance : (6, n) float ndarray
            That some of each animal come in.
        """
        got = (self.g.random((6, self.n)) < chance) & who & ~self.never
        self.ani += got * 0.004 * np.exp(self.g.normal(0, 0.6, (6, self.n)))

    def snapshot(self) -> dict[str, Floats]:
        """The state at the end of a day, each (n,), copied; signs and readings by name."""
        out = dict(zip(ANIMALS, self.ani, strict=True)) | dict(zip(ALGAE, self.algae, strict=True))
        gas = self.den * np.clip(self.sand / 40, 0, 1.5) * np.clip(self.det * 2, 0.3, 1)
        out |= {
            "coralline_algae": self.coral, "sand_gas_bubbles": gas, "ammonia": self.tan,
            "nitrite": self.no2, "nitrate": self.no3, "phosphate": self.po4, "ph": self.ph,
            "salinity": self.sal, "temperature": self.temp, "alkalinity": self.alk,
            "A": self.eat_tan, "B": self.eat_no2, "load": self.load, "mood": self.bad_mood,
            "si": self.si, "det": self.det, "film_bac": self.film_bac, "fish": self.fish,
            "snails": self.snails,
        }  # fmt: skip
        return {name: np.array(value) for name, value in out.items()}
