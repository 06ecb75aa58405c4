"""The tanks as they are set up, and what they hold: everything has one entry per tank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .region import Region

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ROCK = ("dry", "mixed", "live")
#: Patches of hard surface per tank, about a square centimetre each.
PATCHES = 600
PATCH_MM2 = 100.0
BARE, SLIME, DIATOM, FILM, HAIR, CYANO, RIPE, CORALLINE = range(8)
COPEPOD, AMPHIPOD, SPIRORBID, SPONGE, SAND_WORM, BRISTLE = range(6)
SPECIES = 6
#: Chance that an animal came with live rock; with mixed rock about half of it.
_ON_LIVE_ROCK = np.array([0.9, 0.75, 0.7, 0.5, 0.4, 0.8])
#: Chance that a tank suits an animal at all (rooms, predators, flow).
_SUITS = np.array([0.97, 0.85, 0.92, 0.75, 0.85, 0.90])


@dataclass(frozen=True)
class Setup:
    """What does not change over a tank's life, each of shape (n,) unless it says so.

    Attributes
    ----------
    rock : index into :data:`ROCK`
    volume, sand : litres, mm of sand (0 for none)
    light : 1 is ordinary
    warmth : degrees Celsius
    target : animals that the keeper wants
    ration : mg N/L/day for each animal
    start_dose : mg N/L/day fed to the empty tank
    first_animals : day before which no animal is bought
    patient : waits for a clean ammonia test before buying
    change_interval, change_fraction : days, share of the water
    source_silicate : mg Si/L in the water of a change
    skim : share of the detritus taken out a day
    phosphate_media : share of the phosphate taken out a day
    careless : factor on accidents
    suits : (n, 6), whether a species can live here
    quarantine : factor on what hitch-hikes in
    """

    rock: Ints
    volume: Floats
    sand: Floats
    light: Floats
    warmth: Floats
    target: Floats
    ration: Floats
    start_dose: Floats
    first_animals: Floats
    patient: Bools
    change_interval: Floats
    change_fraction: Floats
    source_silicate: Floats
    skim: Floats
    phosphate_media: Floats
    careless: Floats
    suits: Bools
    quarantine: Floats

    @property
    def n(self) -> int:
        """Number of tanks."""
        return len(self.rock)


@dataclass
class State:
    """What a tank holds today. Nitrogen and phosphorus in mg of the element per litre.

    Attributes
    ----------
    ammonia, nitrite, nitrate, detritus, phosphate, silicate : (n,)
    oxidisers_1, oxidisers_2 : (n,)
        Ammonia and nitrite that the biofilm could oxidise at best, mg N/L/day.
    rock_phosphate : (n,) bound to rock and sand
    anoxia : (n,) from 0 to 1, how far the depth of sand and rock has turned anoxic
    algal_nitrogen : (n,) held by algae on the surfaces
    stock, stock_nitrogen : (n,) animals, and what they hold
    cover : (n, 8) int, patches of each kind; each row sums to PATCHES
    crusts : (n,) coralline crusts
    lysis : (n,) what feeds on red slime, no unit
    residue : (n,) medicine still in water and sand, 1 after the hardest course
    young, adult : (n, 6) int, counts of the small animals
    added, removed : (n,) nitrogen that came in and went out since the start
    """

    ammonia: Floats
    nitrite: Floats
    nitrate: Floats
    detritus: Floats
    phosphate: Floats
    silicate: Floats
    oxidisers_1: Floats
    oxidisers_2: Floats
    rock_phosphate: Floats
    anoxia: Floats
    algal_nitrogen: Floats
    stock: Floats
    stock_nitrogen: Floats
    cover: Ints
    crusts: Floats
    lysis: Floats
    residue: Floats
    young: Ints
    adult: Ints
    added: Floats
    removed: Floats

    def nitrogen(self) -> Floats:
        """All nitrogen held, mg N/L, shape (n,)."""
        return (
            self.ammonia + self.nitrite + self.nitrate + self.detritus
            + self.algal_nitrogen + self.stock_nitrogen
        )  # fmt: skip


def _around(rng: np.random.Generator, centre: float, spread: float, n: int) -> Floats:
    return centre * np.exp(rng.normal(0.0, spread, n))


def set_up(region: Region, n: int, rng: np.random.Generator) -> Setup:
    """Draw tanks of a region."""
    u = rng.random(n)
    rock = np.where(u < region.dry_share, 0, np.where(u > 1.0 - region.live_share, 2, 1))
    volume = np.round(np.exp(rng.normal(5.3, 0.55, n)) / 10.0) * 10.0 + 20.0
    sand = np.where(rng.random(n) < 0.82, np.round(rng.gamma(4.0, 10.0, n) / 5.0) * 5.0 + 10.0, 0.0)
    patient = rng.random(n) < 0.75
    wait = np.where(patient, 21.0, 12.0) * np.exp(rng.normal(0.0, 0.35, n))
    target = np.maximum(
        2.0, np.round(_around(rng, region.animals_per_100_l, 0.3, n) * volume / 100)
    )
    slack = rng.random(n) < 0.12  # hardly ever changes water
    return Setup(
        rock=rock.astype(np.int64),
        volume=volume,
        sand=sand,
        light=_around(rng, region.light, 0.18, n),
        warmth=region.warmth + rng.normal(0.0, 0.5, n),
        target=target,
        ration=_around(rng, region.ration, 0.3, n) * 100.0 / volume,
        start_dose=np.where(rock == 2, 0.06, 0.13) * np.exp(rng.normal(0.0, 0.4, n)),
        first_animals=wait,
        patient=patient,
        change_interval=_around(rng, region.change_interval, 0.35, n) * np.where(slack, 4.0, 1.0),
        change_fraction=np.clip(_around(rng, region.change_percent, 0.3, n), 4.0, 50.0) / 100.0,
        source_silicate=_around(rng, 0.15, 0.9, n),
        skim=_around(rng, 0.10, 0.4, n),
        phosphate_media=np.where(rng.random(n) < 0.5, 0.0, 0.06) * _around(rng, 1.0, 0.4, n),
        careless=_around(rng, 0.9, 0.45, n),
        suits=rng.random((n, SPECIES)) < _SUITS,
        quarantine=np.where(rng.random(n) < 0.15, 0.25, 1.0) * _around(rng, 1.0, 0.25, n),
    )


def fill(region: Region, setup: Setup, rng: np.random.Generator) -> State:
    """First day: water, rock and what came on it."""
    n = setup.n
    life = np.array([0.0, 0.45, 1.0])[setup.rock]
    bottle = np.where(rng.random(n) < 0.4, 0.04, 0.0)  # bacteria from a bottle
    seeded = 0.008 * np.exp(rng.normal(0.0, 0.5, n)) + bottle + 0.30 * life**2
    ripe = rng.binomial(PATCHES, 0.30 * life)
    coralline = rng.binomial(PATCHES, 0.02 * life * rng.random(n))
    cover = np.zeros((n, 8), np.int64)
    cover[:, RIPE], cover[:, CORALLINE] = ripe, coralline
    cover[:, HAIR] = rng.binomial(3, life)
    cover[:, BARE] = PATCHES - cover.sum(1)
    came = rng.random((n, SPECIES)) < _ON_LIVE_ROCK * life[:, None] ** 0.7
    came[:, SAND_WORM] &= setup.sand > 0
    adult = rng.poisson(6.0, (n, SPECIES)) * (came & setup.suits)
    zero = np.zeros(n)
    dying = life * rng.gamma(3.0, 0.5, n)  # what dies on the way from the sea
    held = (cover[:, HAIR] * 0.002).astype(np.float64)
    return State(
        ammonia=zero + 0.01,
        nitrite=zero.copy(),
        nitrate=zero + 0.1,
        detritus=dying + 0.02,
        phosphate=zero + 0.005,
        silicate=region.silicate * np.exp(rng.normal(0.0, 0.4, n)),
        oxidisers_1=seeded,
        oxidisers_2=0.8 * seeded,
        rock_phosphate=region.leaching
        * np.array([0.8, 0.5, 0.3])[setup.rock]
        * rng.gamma(4, 0.25, n),
        anoxia=0.35 * life,
        algal_nitrogen=held,
        stock=zero.copy(),
        stock_nitrogen=zero.copy(),
        cover=cover,
        crusts=np.ceil(coralline / 4.0),
        lysis=zero.copy(),
        residue=zero.copy(),
        young=np.zeros((n, SPECIES), np.int64),
        adult=adult.astype(np.int64),
        added=dying + 0.13 + held,
        removed=zero.copy(),
    )
