"""Hard surface as patches that settlers win from each other.

A tank has :data:`.tanks.PATCHES` patches. Every day each patch may be overgrown by another
settler, grazed or die back; how many of each kind change hands is drawn, so that what is rare
may fail by chance. Who may overgrow whom is :data:`OVERGROWS`.
"""

from __future__ import annotations

import numpy as np

from .region import Region
from .tanks import (
    AMPHIPOD,
    BARE,
    COPEPOD,
    CORALLINE,
    CYANO,
    DIATOM,
    FILM,
    HAIR,
    PATCH_MM2,
    PATCHES,
    RIPE,
    SLIME,
    Floats,
    Setup,
    State,
)

#: Row: who holds the patch; column: who comes. 1 is ground without resistance.
OVERGROWS = np.array([
    # bare slime diatom film hair cyano ripe coralline
    [0.0, 1.0, 0.5, 0.4, 0.3, 0.2, 0.2, 0.7],  # bare
    [0.0, 0.0, 1.0, 1.0, 0.8, 0.8, 1.0, 1.0],  # slime
    [0.0, 0.0, 0.0, 0.7, 0.8, 0.5, 0.4, 0.6],  # diatom
    [0.0, 0.0, 0.2, 0.0, 0.9, 0.5, 0.5, 0.6],  # film
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.4, 0.1, 0.1],  # hair
    [0.0, 0.0, 0.0, 0.1, 0.2, 0.0, 0.3, 0.1],  # cyano
    [0.0, 0.0, 0.12, 0.10, 0.24, 0.16, 0.0, 0.9],  # ripe
    [0.0, 0.0, 0.05, 0.06, 0.18, 0.14, 0.06, 0.0],  # coralline
])  # fmt: skip
#: Die back by themselves, per day, and how well each is grazed.
_DEATH = np.array([0.0, 0.01, 0.07, 0.04, 0.014, 0.07, 0.002, 0.0008])
_GRAZED = np.array([0.0, 0.3, 1.0, 0.9, 0.50, 0.03, 0.0, 0.0])


def grazing(region: Region, setup: Setup, state: State) -> Floats:
    """Share of a well-grazed settler that is eaten per day: bought grazers and small ones."""
    bought = 0.055 * state.stock * 100.0 / setup.volume / 2.8
    small = 0.05 * state.adult[:, COPEPOD] / 800.0 + 0.05 * state.adult[:, AMPHIPOD] / 250.0
    return region.appetite * (np.minimum(bought, 0.11) + np.minimum(small, 0.12))


def rates(region: Region, setup: Setup, state: State, eaten: Floats, pace: Floats) -> Floats:
    """Daily rates at which patches of one kind become another, shape (n, 8, 8)."""
    share = state.cover / PATCHES
    nitrogen = state.nitrate + state.ammonia
    fed = nitrogen / (0.15 + nitrogen) * state.phosphate / (0.012 + state.phosphate)
    glass = state.silicate / (0.25 + state.silicate)
    light = setup.light / (0.35 + setup.light) * 1.35
    # Red slime likes phosphate where nitrate is low, and rotting matter.
    slimy = state.phosphate / (0.02 + state.phosphate) * (
        0.3 + 0.7 * 0.5 / (0.5 + state.nitrate)
    ) + np.minimum(state.detritus / 0.5, 1.5)
    come = np.zeros((setup.n, 8))
    come[:, SLIME] = region.slime
    come[:, DIATOM] = region.diatom * glass * light * (share[:, DIATOM] + 0.004) * 1.2
    come[:, FILM] = region.film * fed * light * (share[:, FILM] + 0.003)
    come[:, HAIR] = region.hair * fed * light * (share[:, HAIR] + 0.0006)
    come[:, CYANO] = region.cyano * 0.6 * slimy * (share[:, CYANO] + 0.0006)
    # Grazed surfaces ripen: a mixed skin of bacteria, small sponges and crusts.
    come[:, RIPE] = region.ripening * (0.0012 + 0.035 * share[:, RIPE] + 0.05 * eaten)
    turned = come[:, None, :] * OVERGROWS * pace[:, None, None]
    turned[:, :, CORALLINE] = (
        _crust_advance(region, setup, state, pace)[:, None] * OVERGROWS[:, CORALLINE]
    )
    turned[:, DIATOM:, SLIME] += (_DEATH * pace[:, None] + _GRAZED * eaten[:, None])[:, DIATOM:]
    turned[:, CYANO, SLIME] += 0.4 * state.lysis
    # A diatom skin without silicate peels off.
    turned[:, DIATOM, SLIME] += 0.12 * (1.0 - glass)
    return turned


def _crust_advance(region: Region, setup: Setup, state: State, pace: Floats) -> Floats:
    # Round crusts grow at their margins: patches a day = crusts · 2πr · v, spread over what
    # they may cover, which is at most the part of the rock that gets light.
    crusts = np.maximum(state.crusts, 1e-9)
    area = state.cover[:, CORALLINE] * PATCH_MM2
    radius = np.sqrt(area / crusts / np.pi)
    grown = crusts * 2.0 * np.pi * radius * region.margin * pace / PATCH_MM2
    lit = np.clip(0.6 * setup.light, 0.3, 0.8)
    free = np.clip(1.0 - state.cover[:, CORALLINE] / (PATCHES * lit), 0.0, 1.0)
    return np.minimum(grown / PATCHES, 0.2) * free


def grow(
    region: Region, setup: Setup, state: State, pace: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """One day on the surfaces.

    Returns
    -------
    grazed : (n,) float ndarray
        Share of a well-grazed settler eaten.
    grown_diatoms : (n,) float ndarray
        Patches that diatoms newly took.
    """
    eaten = grazing(region, setup, state)
    turned = rates(region, setup, state, eaten, pace)
    total = turned.sum(2)
    leave = -np.expm1(-total)
    share = turned * np.divide(leave, total, out=np.zeros_like(total), where=total > 0)[:, :, None]
    own = np.arange(8)
    share[:, own, own] = 1.0 - leave
    moved = rng.multinomial(state.cover, share / share.sum(2, keepdims=True))
    grown_diatoms = moved[:, :, DIATOM].sum(1) - moved[:, DIATOM, DIATOM]
    lost = 1.0 - moved[:, CORALLINE, CORALLINE] / np.maximum(state.cover[:, CORALLINE], 1)
    state.cover = moved.sum(1)
    # What feeds on red slime thrives on it and lingers, so that outbreaks end.
    state.lysis = 0.988 * state.lysis + 0.03 * state.cover[:, CYANO] / PATCHES
    state.crusts = np.where(state.cover[:, CORALLINE] > 0, state.crusts * (1.0 - lost), 0.0)
    recruit(region, state, np.zeros(setup.n), pace, rng)
    return eaten, grown_diatoms.astype(np.float64)


def recruit(
    region: Region, state: State, brought: Floats, pace: Floats, rng: np.random.Generator
) -> None:
    """Let coralline spores settle: those of grown crusts, and ``brought`` ones (mean, (n,))."""
    share = state.cover / PATCHES
    ground = share[:, RIPE] + 0.5 * share[:, SLIME] + 0.15 * share[:, BARE] + 0.1 * share[:, FILM]
    # Crusts shed spores once they are a patch wide; hair algae smother the recruits.
    shed = region.spores * 0.012 * state.cover[:, CORALLINE] * pace
    mean = (shed + brought) * ground * np.exp(-3.0 * share[:, HAIR])
    came = rng.poisson(mean)
    for kind in (RIPE, SLIME, BARE):
        took = np.minimum(came, state.cover[:, kind])
        # A recruit is a pinhead: one in four is counted as a patch at once.
        seen = rng.binomial(took, 0.25)
        state.cover[:, kind] -= seen
        state.cover[:, CORALLINE] += seen
        state.crusts = state.crusts + took
        came = came - took


def strip(
    state: State, kinds: tuple[int, ...], share: Floats, into: int, rng: np.random.Generator
) -> None:
    """Clear a share of some settlers' patches and leave another in their place."""
    for kind in kinds:
        gone = rng.binomial(state.cover[:, kind], np.clip(share, 0.0, 1.0))
        state.cover[:, kind] -= gone
        state.cover[:, into] += gone


def nuisance(state: State) -> Floats:
    """Share of the surface under diatoms, film, hair algae and red slime, shape (n,)."""
    return state.cover[:, [DIATOM, FILM, HAIR, CYANO]].sum(1) / PATCHES
