"""The life of a batch of tanks, day by day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import animals, surface, water
from .husbandry import Diary, Keepers
from .phases import read_phases
from .region import Region, draw_region
from .tanks import CORALLINE, PATCHES, SPECIES, Bools, Floats, Ints, Setup, fill, set_up


@dataclass(frozen=True)
class History:
    """What was true, day by day.

    Attributes
    ----------
    region : Region
    setup : Setup
    phases : (days, n) int
        Phase at the end of each day.
    cover : (days, n, 8)
        Share of the hard surface under each settler.
    adult : (days, n, 6)
        Small animals.
    ammonia, nitrite, nitrate : (days, n) mg N/L
    phosphate : (days, n) mg P/L
    anoxia, temperature : (days, n)
    away : (days, n) bool
    imbalance : (n,)
        Nitrogen held at the end that the books of what came and went do not explain, mg N/L.
    diary : Diary
    """

    region: Region
    setup: Setup
    phases: Ints
    cover: Floats
    adult: Floats
    ammonia: Floats
    nitrite: Floats
    nitrate: Floats
    phosphate: Floats
    anoxia: Floats
    temperature: Floats
    away: Bools
    imbalance: Floats
    diary: Diary


#: What is written down each day, besides the covers and the animals.
_LEVELS = ("ammonia", "nitrite", "nitrate", "phosphate", "anoxia")


def run(n_tanks: int, days: int, seed: int, batch: int, preset: str) -> History:
    """Let tanks live."""
    region = draw_region(seed, preset)
    rng = np.random.default_rng([seed, 202, batch])
    setup = set_up(region, n_tanks, rng)
    state = fill(region, setup, rng)
    keepers = Keepers(region, setup, days, rng)
    temperature = _temperatures(setup, days, rng)
    log: dict[str, Floats] = {name: np.zeros((days, n_tanks)) for name in _LEVELS}
    cover = np.zeros((days, n_tanks, 8))
    adult = np.zeros((days, n_tanks, SPECIES))
    says = {
        key: np.zeros((days, n_tanks), np.bool_)
        for key in ("copes", "many", "some", "rich", "fair")
    }
    for day in range(days):
        pace = water.warm(temperature[day])
        keepers.change_water(day, state)
        keepers.buy(day, state, pace)
        keepers.accidents(day, state)
        fed, dosed = keepers.feed(day, state)
        load = water.metabolise(region, setup, state, fed, dosed, temperature[day])
        before = water.algae(state.cover)
        _, diatoms = surface.grow(region, setup, state, pace, rng)
        water.settle_algae(
            state, before, (water.algae(state.cover) - before).astype(np.float64), diatoms
        )
        animals.live_on(region, setup, state, fed + dosed, pace, rng)
        state.anoxia += 0.02 * pace * (state.anoxia + 0.02) * (1.0 - state.anoxia)
        for name in _LEVELS:
            log[name][day] = getattr(state, name)
        cover[day] = state.cover / PATCHES
        adult[day] = state.adult
        says["copes"][day] = water.copes(state, load)
        says["many"][day] = _community(animals.keeping(state))
        says["some"][day] = _community(animals.keeping(state, 0.75))
        says["rich"][day] = _community(animals.keeping(state), 3)
        says["fair"][day] = _community(animals.keeping(state, 0.9), 3)
    phases = _phases(cover, log, says)
    imbalance = state.nitrogen() - state.added + state.removed
    return History(
        region, setup, phases, cover, adult, log["ammonia"], log["nitrite"], log["nitrate"],
        log["phosphate"], log["anoxia"], temperature, keepers.away, imbalance, keepers.diary,
    )  # fmt: skip


def _temperatures(setup: Setup, days: int, rng: np.random.Generator) -> Floats:
    # A summer of a degree or so, and slow wandering.
    when = rng.uniform(0.0, 365.0)
    summer = np.cos(2.0 * np.pi * (np.arange(days) - when) / 365.0)[:, None]
    wander = np.zeros((days, setup.n))
    for day in range(1, days):
        wander[day] = 0.9 * wander[day - 1] + rng.normal(0.0, 0.12, setup.n)
    return setup.warmth + rng.gamma(2.0, 0.3, setup.n) * summer + wander


def _community(keeps: Bools, least: int = 2) -> Bools:
    grazer = keeps[:, list(animals.GRAZERS)].any(1)
    out: Bools = grazer & (keeps.sum(1) >= least)
    return out


def _before(history: Floats, days: int) -> Floats:
    # The same history ``days`` earlier; before the first day, as on the first.
    return np.concatenate([np.repeat(history[:1], days, axis=0), history])[: len(history)]


def _phases(cover: Floats, log: dict[str, Floats], says: dict[str, Bools]) -> Ints:
    green = cover[:, :, 2:6].sum(2)
    crust = cover[:, :, CORALLINE]
    spreading = (crust >= 0.08) & ((crust > _before(crust, 28)) | (crust >= 0.30))
    low = (log["ammonia"] + log["nitrite"] < 0.30).cumsum(0)
    steady = low - _before(low * 1.0, 28) >= 25
    level = np.log(log["nitrate"] + 0.3)
    first, second = level.cumsum(0), (level**2).cumsum(0)
    mean = (first - _before(first, 28)) / 28
    spread = np.sqrt(np.maximum((second - _before(second, 28)) / 28 - mean**2, 0.0))
    steady &= spread < 0.40
    steady[:28] = False
    return read_phases(
        says["copes"],
        says["many"] & (green < 0.50),
        says["some"] & (green < 0.60),
        says["rich"] & spreading & (green < 0.22) & steady,
        says["fair"] & (crust >= 0.05) & (green < 0.30) & (log["ammonia"] + log["nitrite"] < 0.30),
    )
