"""What is done to a tank, or befalls it, and by which mechanism it acts.

Each function changes the tanks of ``where`` (indices) and keeps the ledger of
:class:`.tank.Tanks`. ``hard`` is the violence, 1 as usual; how hard
one comes down has a wide scatter, so a logged crash may be a scare and a deep clean nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic.tank import (
    ANIMAL_NITROGEN,
    CYANO,
    FILM,
    HAIR,
    ORGANIC_PHOSPHORUS,
    Tanks,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _kill(t: Tanks, where: Ints, name: str, keep: Floats, rots: float = 1.0) -> None:
    # Algae or animals die down to ``keep``; what does not rot is taken out by hand.
    stock = getattr(t, name)
    dead = stock[:, where] * (1 - keep)
    stock[:, where] -= dead
    nitrogen = dead * (ANIMAL_NITROGEN if name == "animals" else t.p["algae_nitrogen"][where])
    total = nitrogen.sum(0)
    t.detritus[where] += rots * total
    out = np.zeros(t.n)
    out[where] = -(1 - rots) * total
    t.enter_organic(out)


def _remains(hard: Floats, share: float) -> Floats:
    # What is left when a usual case leaves ``share``.
    return np.asarray(share**hard)


def change_water(t: Tanks, where: Ints, percent: Floats) -> None:
    """New salt water for old; detritus siphoned off, glass wiped, some tufts pulled."""
    keep = np.ones((len(t.algae), len(where)))
    keep[FILM], keep[HAIR], keep[CYANO] = 0.6, 0.85, 0.6
    _kill(t, where, "algae", keep, rots=0.1)
    f = percent / 100
    before_n, before_p = t.nitrogen(), t.phosphorus()
    for name, source in (
        ("ammonia", 0.0), ("nitrite", 0.0), ("nitrate", t.p["tap_nitrate"][where]),
        ("phosphate", 0.003), ("silicate", t.p["tap_silicate"][where]),
        ("alkalinity", t.p["alkalinity_set"][where]), ("salinity", t.set_salinity[where]),
        ("temperature", t.set_temperature[where] - 1),
    ):  # fmt: skip
        stock = getattr(t, name)
        stock[where] += f * (source - stock[where])
    t.detritus[where] *= 1 - np.minimum(0.8 * f, 0.6)
    t.enter(t.nitrogen() - before_n, t.phosphorus() - before_p)


def crash(t: Tanks, where: Ints, hard: Floats) -> None:
    """Power, heater or oxygen fails: nitrifiers, animals, livestock die and rot."""
    for name in ("ammonia_oxidiser", "nitrite_oxidiser"):
        getattr(t, name)[where] *= _remains(hard, 0.06)
    _kill(t, where, "animals", _remains(hard, 0.15))
    _kill(t, where, "algae", _remains(hard, 0.6))
    t.coralline[where] *= _remains(hard, 0.6)
    rot(t, where, 2.0 * hard)
    t.alkalinity[where] -= np.minimum(0.4 * hard, 0.6 * t.alkalinity[where])
    t.temperature[where] += t.rng.choice([-4.0, 4.0], len(where)) * np.minimum(hard, 1.5)
    t.snails[where] *= _remains(hard, 0.4)


def rot(t: Tanks, where: Ints, nitrogen: Floats) -> None:
    """Livestock dies and rots: it came in from outside the reckoning, so it is entered."""
    t.detritus[where] += nitrogen
    entered = np.zeros(t.n)
    entered[where] = nitrogen
    t.enter_organic(entered)


def add_livestock(t: Tanks, where: Ints, *, snails: bool) -> None:
    """Livestock, and whatever rides on it: pods, worms, spores of coralline."""
    rng = t.rng
    t.settles[where] = True
    rides = rng.random((len(t.animals), len(where))) < 0.35
    density = np.zeros_like(t.animals)
    density[:, where] = np.where(rides & t.arrives[:, where], t.p["inoculum"][where], 0.0)
    t.bring(density)
    spores = rng.random(len(where)) < 0.45
    t.coralline[where] += np.where(spores, t.p["coralline_spores"][where], 0.0)
    if snails:
        t.snails[where] = np.minimum(t.snails[where] + 0.7, 2.0)
    else:
        hunts = rng.random(len(where)) < 0.10
        t.hunters[where] = np.minimum(t.hunters[where] + hunts, 1.5)


def clean_deeply(t: Tanks, where: Ints, hard: Floats) -> None:
    """Rock scrubbed, sand washed: algae go, and so does much that is wanted."""
    _kill(t, where, "algae", _remains(hard, 0.25), rots=0.3)
    _kill(t, where, "animals", _remains(hard, 0.35), rots=0.3)
    for name in ("ammonia_oxidiser", "nitrite_oxidiser"):
        getattr(t, name)[where] *= _remains(hard, 0.35)
    t.coralline[where] *= _remains(hard, 0.8)
    out = np.zeros(t.n)
    out[where] = -(1 - _remains(hard, 0.35)) * t.detritus[where]
    t.detritus += out
    t.enter_organic(out)
    t.gas[where] *= _remains(hard, 0.3)
    t.sand_age[where] *= _remains(hard, 0.5)


def disturb_sand(t: Tanks, where: Ints, hard: Floats) -> None:
    """The bed is stirred: what was buried comes up, what lived there dies."""
    depth = np.clip(t.sand[where] / 50, 0.1, 2.0)
    ripe = 1 - np.exp(-t.sand_age[where] / 60)
    up = 1.4 * hard * depth * ripe
    rot(t, where, up)
    free = np.zeros(t.n)
    free[where] = 0.25 * up
    t.ammonia += free
    t.phosphate += ORGANIC_PHOSPHORUS * free
    t.enter_organic(free)
    t.silicate[where] += 1.5 * hard
    keep = np.ones((len(t.animals), len(where)))
    for kind, share in ((0, 0.8), (4, 0.3), (5, 0.6)):
        keep[kind] = _remains(hard * depth, share)
    _kill(t, where, "animals", keep)
    for name in ("ammonia_oxidiser", "nitrite_oxidiser"):
        getattr(t, name)[where] *= _remains(hard * depth, 0.6)
    t.gas[where] *= _remains(hard, 0.1)
    t.sand_age[where] *= _remains(hard, 0.4)


def medicate(t: Tanks, where: Ints, hard: Floats) -> None:
    """An antibiotic takes nitrifiers and cyanobacteria; copper takes animals without spine."""
    copper = t.rng.random(len(where)) < 0.4
    for name in ("ammonia_oxidiser", "nitrite_oxidiser"):
        getattr(t, name)[where] *= np.where(copper, _remains(hard, 0.85), _remains(hard, 0.15))
    _kill(t, where, "animals", np.where(copper, _remains(hard, 0.12), _remains(hard, 0.8)))
    keep = np.ones((len(t.algae), len(where)))
    keep[CYANO] = np.where(copper, 0.9, _remains(hard, 0.1))
    _kill(t, where, "algae", keep)
    t.coralline[where] *= np.where(copper, 0.9, 1.0)
    t.snails[where] *= np.where(copper, _remains(hard, 0.1), 1.0)
