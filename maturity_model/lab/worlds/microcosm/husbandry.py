"""What keepers do to their tanks and what befalls them, and what is written down of it."""

from __future__ import annotations

import numpy as np

from .region import Bools, Floats
from .tanks import Tanks

#: Chance that each animal comes along with bought livestock.
_BOUGHT = np.array([0.35, 0.18, 0.22, 0.10, 0.22, 0.10])


def events(t: Tanks, day: int) -> None:
    """All events of one day.

    Parameters
    ----------
    t : Tanks
        Changed in place.
    day : int
        Days since the start.
    """
    u = t.g.random((8, t.n))
    size = t.g.random((8, t.n))
    t.neglect = np.where(t.neglect, u[0] > 1 / 45, u[0] < 0.0022 * np.exp(-0.5 * t.diligence))
    t.bad_mood *= 0.93
    # The order of these is the order of the draws.
    _water_change(t, day, u[1], size)
    _overfeeding(t, day, u[2], size)
    _crash(t, day, u[3], size)
    _livestock(t, day, u[4], size)
    _deep_clean(t, day, u[5], size)
    _stirred_sand(t, day, u[6], size)
    _medication(t, day, u[7], size)


def _note(t: Tanks, i: np.integer, day: int, kind: str, amount: str, p: float) -> None:
    # Written down, or not; now and then under a later date.
    u, late = t.g.random(), t.g.random()
    if u < p * t.diary[i] ** 0.5:
        shift = int(late < 0.08) + int(late < 0.03)
        t.log.append((int(i), day + shift, kind, amount))


def _note_all(t: Tanks, who: Bools, day: int, kind: str, p: float) -> None:
    for i in np.flatnonzero(who):
        _note(t, i, day, kind, "", p)


def _kill(t: Tanks, bacteria: Floats, animals: Floats, coral: Floats) -> None:
    # Shares that die, each (n,).
    t.eat_tan *= 1 - bacteria
    t.film_bac *= 1 - 0.5 * bacteria
    t.settled *= 1 - 0.6 * bacteria
    t.eat_no2 *= 1 - np.clip(bacteria * 1.1, 0, 0.98)
    t.det += 0.4 * animals * np.clip(t.ani, 0, 2).mean(0)
    t.ani *= 1 - animals
    t.coral *= 1 - coral
    t.snails *= 1 - 0.5 * animals


def _water_change(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    due = (day >= t.wc_next) & ~t.neglect
    worried = (t.bad_mood > 0.7) & (u < 0.06) & (t.wc_every < 9999)
    wc = (due & (t.wc_every < 9999)) | worried
    pct = np.where(worried, np.maximum(t.wc_pct, 25), t.wc_pct)
    pct = np.round(pct * np.where(size[1] < 0.15, 1.5, 1) / 5) * 5
    f = np.where(wc, pct / 100, 0)
    t.wc_next = np.where(
        wc,
        day + np.where(t.wc_every > 999, 9999, t.wc_every) + t.g.integers(-2, 4, t.n),
        t.wc_next,
    )
    t.tan = t.tan + f * (0.0 - t.tan)
    t.no2 = t.no2 + f * (0.0 - t.no2)
    t.no3 = t.no3 + f * (t.reg.tap_no3 * t.source * 0.5 - t.no3)
    t.po4 = t.po4 + f * (t.reg.tap_po4 * t.source - t.po4)
    t.si = t.si + f * (t.reg.silicate * t.source - t.si)
    t.alk = t.alk + f * (8.0 - t.alk)
    t.sal = t.sal + f * (35.0 - t.sal)
    t.det *= 1 - 1.2 * f
    for i in np.flatnonzero(wc):
        _note(t, i, day, "water_change", f"{pct[i]:g}", 0.95)


def _overfeeding(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    starts = (t.feast_left <= 0) & (u < 0.0035 * np.exp(-0.3 * t.diligence)) & (t.fish > 0)
    t.feast_left = np.where(starts, 2 + (size[2] * 12).astype(int), t.feast_left - 1)
    t.feast = np.where(starts, 1.6 + 3 * size[3] ** 2, np.where(t.feast_left > 0, t.feast, 1))
    for i in np.flatnonzero(starts):
        amount = f"{t.feast[i]:.1f}" if size[4, i] < 0.6 else ""
        _note(t, i, day, "overfeeding", amount, 0.5)


def _crash(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    # Heat, a power cut, or a death behind the rock.
    heat = np.clip(t.temp - 28, 0, 3)
    chance = 0.00065 * t.reg.mishap * (1 + 3 * heat) * (1 + t.neglect)
    crash = (u < chance) & (day > 20)
    hit = np.where(crash, 0.25 + 0.75 * size[5], 0)
    _kill(t, 0.95 * hit, 0.95 * hit, 0.35 * hit)
    t.tan += hit**2 * (0.3 + 0.9 * (t.fish > 0))
    t.det += hit**2 * (1.0 + 3 * (t.fish > 0))
    t.fish = np.floor(t.fish * (1 - 0.8 * hit) + 1e-9)
    t.bad_mood += 1.5 * crash
    _note_all(t, crash, day, "crash", 0.9)


def _livestock(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    # When the water seems fine, or sooner.
    t.stock_wait -= 1
    fine = (t.tan < 0.3 * t.impatience) & (t.no2 < 0.4 * t.impatience)
    first = (t.fish < 1) & fine & (day > 12 / t.impatience)
    more = (t.fish >= 1) & fine & (t.bad_mood < 0.6)
    wants = np.where(t.fish < t.fish_aim, 0.06, 0.006)
    add = (t.stock_wait <= 0) & (first | more) & (u < wants)
    k = np.where(add, 1 + (size[6] * np.where(t.snails < 0.2, 5, 3)).astype(int), 0)
    crew = add & ((size[7] < 0.45) | (t.snails < 0.1))
    t.snails = np.where(crew, np.minimum(t.snails + 0.06 * k, 1.0), t.snails)
    t.fish = np.where(
        add & ~(crew & (size[7] > 0.3)),
        np.minimum(t.fish + np.ceil(k / 2), t.fish_aim + 2),
        t.fish,
    )
    t.stock_wait = np.where(add, t.g.integers(10, 40, t.n), t.stock_wait)
    t.arrive(add, _BOUGHT[:, None] * t.reg.arrive[:, None] * t.luck)
    spores = add & ~t.coral_never & (t.g.random(t.n) < 0.35 * t.reg.spores)
    t.coral += spores * 0.0015
    for i in np.flatnonzero(add):
        _note(t, i, day, "livestock_added", str(k[i]), 0.9)


def _deep_clean(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    # Out of disgust.
    t.clean_wait -= 1
    disgust = np.clip(t.algae.sum(0) - 0.45, 0, 1)
    clean = (t.clean_wait <= 0) & (day > 25) & (u < 0.0006 + 0.02 * disgust)
    t.clean_wait = np.where(clean, 40, t.clean_wait)
    v = np.where(clean, 0.35 + 0.5 * size[0], 0)
    t.algae *= 1 - 0.85 * v
    t.det *= 1 - 0.7 * v
    t.film_bac *= 1 - 0.5 * v
    t.settled *= 1 - 0.6 * v
    _kill(t, 0.45 * v, 0.55 * v, 0.2 * v)
    _note_all(t, clean, day, "deep_clean", 0.8)


def _stirred_sand(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    stir = (u < 0.0016) & (t.sand > 0) & (day > 20)
    depth = np.where(stir, t.sand / (t.sand + 40) * (0.5 + size[1]), 0)
    t.tan += depth * 0.4 * np.clip(t.den * 3, 0, 1)
    t.det += depth * 0.9
    t.po4 += depth * 0.06
    t.si += depth * 0.4
    t.den *= 1 - 0.7 * np.clip(depth, 0, 1)
    t.ani[3] *= 1 - 0.8 * np.clip(depth, 0, 1)
    t.eat_tan *= 1 - 0.25 * depth
    t.eat_no2 *= 1 - 0.3 * depth
    _note_all(t, stir, day, "sand_disturbed", 0.6)


def _medication(t: Tanks, day: int, u: Floats, size: Floats) -> None:
    med = u < np.where(t.fish > 0, 0.0004, 0) + 0.003 * (t.algae[3] > 0.25)
    w = np.where(med, 0.2 + 0.6 * size[2], 0)
    _kill(t, 0.7 * w, w, 0.25 * w)
    t.algae[3] *= 1 - 0.9 * w
    t.det += 0.5 * w * t.ani.mean(0)
    t.snails *= 1 - 0.5 * w
    t.bad_mood += med
    _note_all(t, med, day, "medication", 0.85)
