"""Small animals: young and adults counted, born, grown up, eaten and poisoned by chance."""

from __future__ import annotations

import numpy as np

from .region import Region
from .tanks import (
    CORALLINE,
    DIATOM,
    FILM,
    HAIR,
    PATCHES,
    RIPE,
    SAND_WORM,
    SLIME,
    SPECIES,
    Bools,
    Floats,
    Setup,
    State,
)

# copepod, amphipod, spirorbid, sponge, sand worm, bristle worm
#: Young per adult and day with food and room. Copepods: harpacticoids grow at r = 0.233 a
#: day at 18 degrees (Bergmans 1981, Tisbe); the reef tank's mixture is slower.
BIRTH = np.array([0.70, 0.50, 0.45, 0.25, 0.40, 0.28])
#: Share of the young that grow up a day, and deaths of young and adults a day.
GROW_UP = np.array([0.12, 0.06, 0.05, 0.04, 0.05, 0.04])
YOUNG_DIE = np.array([0.12, 0.06, 0.06, 0.03, 0.05, 0.03])
ADULT_DIE = np.array([0.05, 0.022, 0.014, 0.010, 0.014, 0.008])
#: Adults that a rich tank feeds.
ROOM = np.array([1200.0, 350.0, 500.0, 90.0, 180.0, 150.0])
#: Adults from which a population keeps itself.
KEEPS = np.array([250.0, 60.0, 70.0, 14.0, 30.0, 25.0])
#: Deaths a day per mg N/L of ammonia, and share lost to fish a day at ordinary stocking.
_POISONED = np.array([0.06, 0.09, 0.06, 0.20, 0.05, 0.04])
#: How tender they are to medicines, which mostly aim at crustaceans and worms.
DRUGGED = np.array([1.0, 1.0, 0.6, 0.7, 0.6, 0.7])
_PREYED = np.array([0.012, 0.010, 0.0, 0.0, 0.0, 0.002])
#: Chance that a batch of bought animals, plants or frags brings some.
HITCH = np.array([0.60, 0.40, 0.40, 0.20, 0.22, 0.40])
GRAZERS = (0, 1)


def food(state: State, fed: Floats) -> Floats:
    """What there is to eat for each species, as a share of plenty, shape (n, 6)."""
    share = state.cover / PATCHES
    # Crusts bear a thin skin too.
    skin = (
        0.5 * share[:, SLIME]
        + share[:, RIPE]
        + 0.3 * share[:, CORALLINE]
        + share[:, DIATOM]
        + share[:, FILM]
    )
    rot = state.detritus / (0.15 + state.detritus)
    drift = 0.5 * fed / (0.08 + fed) + 0.5 * rot
    ripe = share[:, RIPE]
    out = np.stack(
        [
            skin / (0.25 + skin),
            (skin + 0.5 * share[:, HAIR])
            / (0.35 + skin + 0.5 * share[:, HAIR])
            * (0.5 + 0.5 * rot),
            drift * ripe / (0.08 + ripe),
            drift * ripe / (0.20 + ripe),
            rot,
            drift,
        ],
        axis=1,
    )
    return np.clip(out, 0.0, 1.0)


def live_on(
    region: Region,
    setup: Setup,
    state: State,
    fed: Floats,
    pace: Floats,
    rng: np.random.Generator,
) -> None:
    """One day of births, growing up and deaths."""  # fmt: skip
    eat = food(state, fed)
    room = ROOM * (0.15 + 0.85 * eat)
    room[:, SAND_WORM] *= np.clip(setup.sand / 30.0, 0.0, 1.5)
    room = np.where(setup.suits, room, 1e-3)
    speed = pace[:, None]
    crowd = np.clip(1.0 - state.adult / np.maximum(room, 1e-3), 0.0, 1.0)
    births = rng.poisson(region.breeding * BIRTH * speed * eat * crowd * state.adult)
    grown = rng.binomial(state.young, _chance(GROW_UP * speed * (0.3 + 0.7 * eat)))
    state.residue *= 0.92
    poison = (
        0.30 * state.residue[:, None] * DRUGGED
        + _POISONED * (state.ammonia + 0.15 * state.nitrite)[:, None]
    )
    died_young = rng.binomial(state.young - grown, _chance(YOUNG_DIE * speed + 2.0 * poison))
    stocked = (state.stock / setup.volume * 100.0 / 2.8)[:, None]
    hungry = 0.05 * np.clip(0.25 - eat, 0.0, 1.0)
    crowded = 0.03 * np.clip(state.adult / np.maximum(room, 1e-3) - 1.0, 0.0, 4.0)
    dying = ADULT_DIE * speed + poison + _PREYED * stocked + hungry + crowded
    died = rng.binomial(state.adult, _chance(np.broadcast_to(dying, eat.shape)))
    state.young = state.young + births - grown - died_young
    state.adult = state.adult + grown - died


def _chance(rate: Floats) -> Floats:
    return -np.expm1(-np.clip(rate, 0.0, 50.0))


def hitch_hike(
    region: Region, setup: Setup, state: State, batch: Floats, rng: np.random.Generator
) -> None:
    """What comes along with bought things.

    Parameters
    ----------
    batch : (n,) float
        Size of what was bought: 1 for an ordinary batch of animals or frags, 0 for none.
    """
    rate = region.hitch_hiking * HITCH * (setup.quarantine * batch)[:, None]
    came = rng.random((setup.n, SPECIES)) < -np.expm1(-rate)
    came &= setup.suits
    came[:, SAND_WORM] &= setup.sand > 0
    state.adult = state.adult + came * (1 + rng.poisson(4.0, came.shape))


def kill(state: State, share: Floats, rng: np.random.Generator) -> None:
    """Kill a share of each species, young and adult alike; ``share`` (n, 6) from 0 to 1."""
    part = np.clip(share, 0.0, 1.0)
    state.young = state.young - rng.binomial(state.young, part)
    state.adult = state.adult - rng.binomial(state.adult, part)


def keeping(state: State, part: float = 1.0) -> Bools:
    """Which species keep a population: enough adults, and young among them; (n, 6)."""
    return (state.adult >= part * KEEPS) & (state.young > 0)
