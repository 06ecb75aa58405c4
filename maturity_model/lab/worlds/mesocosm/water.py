"""Nitrogen, phosphate and silicate in the water, day by day.

Nitrification runs in two steps by Monod kinetics on a biofilm that grows on what it oxidises
and fills its room; nitrite oxidisers are held back by ammonia. Each step is solved for the
concentration at its own end, so that nothing becomes negative, and what is taken from one
pool is put into another: the books of nitrogen balance (``State.added``, ``removed``).
"""

from __future__ import annotations

import numpy as np

from .region import Region
from .tanks import DIATOM, FILM, HAIR, Bools, Floats, Ints, Setup, State

SUBSTEPS = 4
#: Half-saturations, mg N/L, and the ammonia that halves the nitrite oxidisers' work.
HALF_AMMONIA, HALF_NITRITE, INHIBITION = 0.20, 0.30, 1.2
#: Least load that counts when we ask whether a tank copes: an empty tank copes with nothing.
LEAST_LOAD = 0.06
_N_PER_PATCH = 0.002
_P_PER_N = 0.10
_SI_PER_PATCH = 0.0025
#: Of what is fed: given off through the gills at once; the rest falls as detritus.
_GILLS = 0.65


def oxidation(
    pool: Floats, coming: Floats, capacity: Floats, half: float | Floats, dt: float
) -> Floats:
    """How much of a pool a Monod reaction turns over in a time step.

    Parameters
    ----------
    pool : concentration before, mg/L
    coming : what comes in during the step, mg/L
    capacity : rate at saturation, mg/L/day
    half : half-saturation, mg/L
    dt : days

    Returns
    -------
    float ndarray
        Between 0 and ``pool + coming``: solves S = pool + coming - dt·capacity·S/(half + S).
    """
    total = pool + coming
    b = half + dt * capacity - total
    root = np.sqrt(b * b + 4.0 * half * total)
    # The root of S² + bS - half·total = 0 without loss of digits where b is large.
    left = np.where(b > 0, 2.0 * half * total / np.maximum(b + root, 1e-300), 0.5 * (root - b))
    return np.clip(total - left, 0.0, total)


def warm(temperature: Floats) -> Floats:
    """Factor on every rate of life, 1 at 25 degrees, doubling in 10 (a Q10 of 2; from memory)."""
    return np.exp2((temperature - 25.0) / 10.0)


def metabolise(
    region: Region, setup: Setup, state: State, fed: Floats, dosed: Floats, temperature: Floats
) -> Floats:
    """One day of feeding, rotting and nitrifying.

    Parameters
    ----------
    fed : (n,) mg N/L eaten or wasted in the tank with animals
    dosed : (n,) mg N/L of food or ammonia put into the empty tank

    Returns
    -------
    (n,) float ndarray
        Ammonia that came into the water this day, mg N/L: the load.
    """
    pace = warm(temperature)
    state.added += fed + dosed
    state.detritus += (1.0 - _GILLS) * fed
    rotting = state.detritus * -np.expm1(-region.remineralisation * pace)
    state.detritus -= rotting
    load = _GILLS * fed + dosed + rotting
    dt = 1.0 / SUBSTEPS
    room = region.nitrifier_room * (1.0 + 0.4 * (setup.rock > 0))
    decay = np.exp(-region.nitrifier_decay * pace * dt)
    for _ in range(SUBSTEPS):
        first = oxidation(state.ammonia, load * dt, state.oxidisers_1 * pace, HALF_AMMONIA, dt)
        state.ammonia = state.ammonia + load * dt - first
        held_back = 1.0 / (1.0 + state.ammonia / INHIBITION)
        second = oxidation(
            state.nitrite, first, state.oxidisers_2 * pace * held_back, HALF_NITRITE, dt
        )
        state.nitrite = state.nitrite + first - second
        state.nitrate = state.nitrate + second
        for name, rate, worked in (
            ("oxidisers_1", region.ammonia_oxidiser_growth, first),
            ("oxidisers_2", region.nitrite_oxidiser_growth, second),
        ):
            mass = getattr(state, name)
            free = np.clip(1.0 - mass / room, 0.0, 1.0)
            setattr(state, name, mass * decay + rate * worked * free + 1e-6)
    skimmed = state.detritus * setup.skim
    state.detritus -= skimmed
    # Depth of sand and porous rock where nitrate is breathed.
    depth = np.minimum(setup.sand / 60.0, 1.5) + 0.5
    breathed = state.nitrate * -np.expm1(
        -region.denitrification * 0.6 * depth * state.anoxia * pace
    )
    state.nitrate -= breathed
    state.removed += skimmed + breathed
    _phosphate(setup, state, fed + dosed)
    return load


def _phosphate(setup: Setup, state: State, eaten: Floats) -> None:
    # Rock and sand give or take phosphate until they agree with the water.
    state.phosphate += _P_PER_N * 0.3 * eaten
    flow = 0.03 * (0.035 * state.rock_phosphate - state.phosphate)
    flow = np.clip(flow, -0.5 * state.phosphate, 0.5 * state.rock_phosphate)
    state.phosphate += flow
    state.rock_phosphate -= flow
    state.phosphate *= 1.0 - np.clip(setup.phosphate_media, 0.0, 0.5)


def settle_algae(state: State, before: Ints, gained: Floats, grown_diatoms: Floats) -> None:
    """Book the nutrients of algae that came and went on the surfaces this day.

    Parameters
    ----------
    before : (n,) patches of algae at the day's start
    gained : (n,) change in patches of algae
    grown_diatoms : (n,) patches that diatoms newly took
    """
    lost = np.where(gained < 0, -gained / np.maximum(before, 1), 0.0)
    freed = np.minimum(1.0, lost + 0.02) * state.algal_nitrogen
    state.algal_nitrogen -= freed
    state.detritus += freed
    wanted = np.maximum(gained, 0.0) * _N_PER_PATCH + 0.02 * before * _N_PER_PATCH
    from_nitrate = np.minimum(wanted, 0.6 * state.nitrate)
    from_ammonia = np.minimum(wanted - from_nitrate, 0.6 * state.ammonia)
    state.nitrate -= from_nitrate
    state.ammonia -= from_ammonia
    taken = from_nitrate + from_ammonia
    state.algal_nitrogen += taken
    state.phosphate -= np.minimum(_P_PER_N * taken, 0.6 * state.phosphate)
    state.phosphate += _P_PER_N * freed * 0.6
    state.silicate -= np.minimum(_SI_PER_PATCH * grown_diatoms, 0.5 * state.silicate)


def change_water(setup: Setup, state: State, share: Floats) -> None:
    """Replace a share of the water by new water, which holds silicate and little else."""
    for name, part in (("ammonia", 1.0), ("nitrite", 1.0), ("nitrate", 1.0), ("detritus", 0.6)):
        out = getattr(state, name) * share * part
        setattr(state, name, getattr(state, name) - out)
        state.removed += out
    state.phosphate *= 1.0 - share
    state.silicate += share * (setup.source_silicate - state.silicate)


def copes(state: State, load: Floats) -> Bools:
    """Whether the day's load is processed within a day, from ammonia to nitrate.

    Both steps could oxidise the load from a concentration of one day's load, and less than
    a day's load (or 0.25 mg N/L, about the first colour of a kit) stands in the water.
    """
    due = np.maximum(load, LEAST_LOAD)
    able = (state.oxidisers_1 * due / (HALF_AMMONIA + due) >= due) & (
        state.oxidisers_2 * due / (HALF_NITRITE + due) >= due
    )
    out: Bools = able & (state.ammonia + state.nitrite <= np.maximum(load, 0.25))
    return out


def algae(cover: Ints) -> Ints:
    """Patches that hold nitrogen worth counting, shape (n,)."""
    return cover[:, [DIATOM, FILM, HAIR]].sum(1)
