"""One day in the tanks: water, surfaces, animals."""

from __future__ import annotations

import datetime as dt

import numpy as np

from .husbandry import events
from .region import Floats
from .tanks import Tanks

#: By alga: share that fades a day; how well it is grazed; what a settled surface takes a day.
_FADE = np.array([0.10, 0.06, 0.028, 0.055])[:, None]
_TASTE = np.array([0.9, 1.0, 0.4, 0.04])[:, None]
_HOLD = np.array([0.05, 0.13, 0.11, 0.08])[:, None]
#: By animal: chance a day to stray in; how much poison harms; what a fish eats.
_STRAY = np.array([0.020, 0.006, 0.007, 0.007, 0.007, 0.005])[:, None]
_TENDER = np.array([0.5, 0.6, 1.0, 0.8, 0.3, 1.8])[:, None]
_EATEN = np.array([0.02, 0.02, 0, 0, 0.004, 0])[:, None]
#: Steps of a day in which nitrifiers eat and grow.
_STEPS = 4


def live_a_day(t: Tanks, day: int, date: dt.date) -> None:
    """Let one day pass.

    Parameters
    ----------
    t : Tanks
        Changed in place.
    day : int
        Days since the start.
    date : date
        Decides the season.
    """
    events(t, day)
    z = t.g.normal(size=(5, t.n))
    year = np.cos(2 * np.pi * (date.timetuple().tm_yday - 205) / 365.25)
    t.temp = t.temp_mean + t.temp_swing * year + 0.25 * z[0]
    warm = np.exp(0.06 * (np.clip(t.temp, 20, 29) - 25))
    # Nitrogen comes with food for fish, or as the pinch of food in an empty tank.
    feed = (
        np.where(t.fish > 0, t.ration * (t.fish / t.fish_aim) ** 0.7, 0.035)
        * t.feast
        * np.exp(0.2 * z[1])
        * (1 + 0.3 * t.neglect)
    )
    rot = (0.07 * warm) * t.det
    t.load = 0.7 * feed + 0.6 * rot
    t.det = t.det + 0.3 * feed - rot - t.skim * t.det * 2
    _nitrify(t, warm)
    _nutrients(t, day, feed, rot, warm)
    _surfaces(t, warm)
    _animals(t, warm)
    # What keepers hold by hand wanders slowly.
    use = 0.02 + 0.12 * t.coral
    care = np.where(t.neglect, 0.02, 0.12 * np.exp(0.3 * t.diligence))
    t.alk += care * (t.alk_aim - t.alk) - use * 0.5 + 0.08 * z[2]
    t.alk = np.clip(t.alk, 4, 14)
    t.sal += 0.06 * (35 - t.sal) + 0.12 * z[3] + 0.03 * t.neglect
    t.ph += 0.15 * (8.05 + 0.03 * (t.alk - 8) - t.ph) + 0.03 * z[4]
    t.no3, t.po4 = np.maximum(t.no3, 1e-4), np.maximum(t.po4, 1e-4)
    t.si, t.det = np.maximum(t.si, 1e-4), np.maximum(t.det, 1e-4)


def _nitrify(t: Tanks, warm: Floats) -> None:
    # Implicit in what is eaten, so that no level falls below zero.
    h = 1 / _STEPS
    for _ in range(_STEPS):
        tan = (t.tan + h * t.load) / (1 + h * t.eat_tan / (0.25 + t.tan))
        eaten = t.tan + h * t.load - tan
        no2 = (t.no2 + 2.55 * eaten) / (1 + h * t.eat_no2 / (0.4 + t.no2))
        used = t.no2 + 2.55 * eaten - no2
        mt, mn = tan / (0.25 + tan), no2 / (0.4 + no2)
        choke = 1 / (1 + (tan / 6) ** 2)
        t.eat_tan = t.eat_tan * np.exp(
            h * (t.pace_tan * warm * mt * (1 - t.eat_tan / t.most) - 0.055)
        )
        t.eat_no2 = t.eat_no2 * np.exp(
            h * (t.pace_no2 * warm * mn * choke * (1 - t.eat_no2 / (2.5 * t.most)) - 0.05)
        )
        t.tan, t.no2 = tan, no2
        t.no3 = t.no3 + used * 1.35
    t.eat_tan, t.eat_no2 = t.eat_tan + 1e-5, t.eat_no2 + 1e-5


def _nutrients(t: Tanks, day: int, feed: Floats, rot: Floats, warm: Floats) -> None:
    t.den += 0.035 * t.den * (1 - t.den) * warm + 1e-4
    t.no3 -= t.den * t.den_k * t.no3 / (4 + t.no3)
    leach, grit = t.p_rock / 75, t.si_rock / 35
    t.p_rock -= leach
    t.si_rock -= grit
    t.po4 += leach + 0.055 * feed + 0.05 * rot
    t.si += grit + 0.004 * t.source * t.reg.silicate * 4
    bind = 0.06 * (1 - t.live) * np.exp(-day / 150) + 0.01
    t.po4 -= t.po4 * (t.skim + t.refuge + bind * 0.5)
    t.no3 *= 1 - t.skim * 0.5 - t.refuge


def _growth(t: Tanks, glow: Floats) -> Floats:
    # Growth a day of each alga on free ground at 25 degrees, shape (4, n).
    # What leaks out of the rock is under their feet.
    local = t.po4 + 8 * t.p_rock / 75
    n_lim, p_lim = t.no3 / (1 + t.no3), t.po4 / (0.03 + t.po4)
    ratio = t.po4 * 16 / (0.3 + t.no3)
    diatoms = 0.66 * glow**0.5 * t.si / (0.35 + t.si) * np.minimum(n_lim + 0.3, p_lim)
    film = 0.50 * glow * np.minimum(n_lim, local / (0.08 + local))
    hair = 0.56 * glow**1.5 * np.minimum(t.no3 / (2 + t.no3), local / (0.12 + local))
    rotten = t.det / (0.35 + t.det)
    cyano = 0.9 * t.slime * glow * rotten * p_lim * ratio / (0.4 + ratio) / t.flow**0.7
    return np.stack([diatoms, film, hair, cyano])


def _surfaces(t: Tanks, warm: Floats) -> None:
    hair = t.algae[2]
    taken = t.algae.sum(0) + 0.85 * t.coral
    room = np.clip(1 - taken, 0, 1)
    # Dead spots in the flow come and go.
    drift = t.g.normal(size=t.n)
    t.slime = np.exp(0.97 * np.log(t.slime) + 0.14 * drift)
    glow = t.light / (0.6 + t.light)
    grow = _growth(t, glow) * t.vigour * warm * room
    herd = 0.25 * t.snails + 0.05 * np.clip(t.ani[0], 0, 2) + 0.12 * np.clip(t.ani[1], 0, 2)
    menu = (_TASTE * t.algae).sum(0)
    bite = herd * 0.22 * _TASTE * (menu + 0.01) / (0.03 + menu**2 + 0.12 * menu)
    # Young bare rock favours algae; a settled surface starves them.
    hold = t.settled * _HOLD
    before = t.algae
    made = before * (np.exp(np.clip(grow, 0, 0.6)) - 1)
    kept = before * np.exp(grow - _FADE - bite - hold)
    algae = np.clip(kept + 6e-5 * np.exp(t.g.normal(0, 0.5, (4, t.n))), 0, 1)
    t.algae = algae / np.maximum(algae.sum(0), 1)
    total = made.sum(0)
    t.no3 -= np.minimum(2.2 * total, 0.5 * t.no3)
    t.po4 -= np.minimum(0.10 * total, 0.5 * t.po4)
    t.si -= np.minimum(3.5 * made[0], 0.5 * t.si)
    t.det += 0.12 * (t.algae * (_FADE + bite)).sum(0)
    t.settled += 0.013 * t.film_bac * (1 - t.settled) * (1 - 0.5 * hair)
    b = t.film_bac
    t.film_bac = np.clip(b + 0.05 * b * (1 - b) * warm + 1e-4, 0, 1)
    _coralline(t, before, glow, warm)


def _coralline(t: Tanks, algae: Floats, glow: Floats, warm: Floats) -> None:
    # ``algae`` are those of the morning.
    _, film, hair, cyano = algae
    spores = (t.g.random(t.n) < 0.018 * t.reg.spores * t.luck) & ~t.coral_never
    t.coral += spores * 6e-4
    chalk = 1 / (1 + np.exp(-(t.alk - 6.6) / 0.45))
    pace = (
        t.r_coral * chalk * warm * t.film_bac / (1 + t.po4 / 0.6)
        * np.clip(1 - 1.6 * hair - 0.8 * cyano - 0.6 * film, 0, 1) * (0.5 + 0.5 * glow)
    )  # fmt: skip
    loss = 0.004 + 0.02 * hair + 0.05 * (t.tan > 1) + 0.01 * np.clip(6.5 - t.alk, 0, 2)
    t.coral = np.clip(t.coral * np.exp(pace * (1 - t.coral / 0.75) - loss), 0, 0.95)


def _food(t: Tanks) -> Floats:
    # What each animal finds, shape (6, n).
    crumbs = t.det / (0.25 + t.det)
    b = t.film_bac
    green = np.clip(t.algae[1] + 0.5 * t.algae[0] + 0.5 * t.algae[2], 0, 0.6)
    return np.stack(
        [
            b * 0.5 + crumbs * 0.4 + green * 0.6,
            b * 0.3 + crumbs * 0.5 + green * 0.8,
            b * 0.7 * (0.4 + crumbs),
            b**0.5 * crumbs * np.clip(t.sand / 25, 0, 1.5),
            crumbs * 0.9 + 0.1 * b,
            b**2 * 0.9 * (0.4 + 0.6 * t.si / (0.05 + t.si)) * (0.5 + 0.5 * crumbs),
        ]
    )


def _animals(t: Tanks, warm: Floats) -> None:
    t.arrive(np.ones(t.n, np.bool_), _STRAY * t.reg.arrive[:, None] * t.luck)
    room = np.maximum(_food(t) * t.k_ani, 0.01)
    poison = (
        np.clip(t.tan - 0.25, 0, 3) * 0.5
        + np.clip(t.no2 - 1, 0, 5) * 0.06
        + 0.04 * np.abs(t.sal - 35 > 2)
    )
    eaten = _EATEN * t.fish / 6
    noise = 0.04 * t.g.normal(size=(6, t.n))
    step = t.r_ani * warm * (1 - t.ani / room) - _TENDER * poison - eaten + noise
    t.ani = t.ani * np.exp(np.clip(step, -1.5, 0.3))
    t.ani[t.ani < 2e-4] = 0
    t.det -= np.minimum(0.02 * np.clip(t.ani, 0, 2).mean(0), 0.2 * t.det)
