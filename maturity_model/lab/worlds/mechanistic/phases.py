"""The true phase, read off what the tank does.

The definitions are those of the README: what a tank *can do*, not what happens to be in
sight. Each is a condition on the ecology that must hold for some days on end before the
phase changes, with a wider bound for leaving than for entering, so that a phase does not
flicker. The numbers are judgement (E).

============ ============================================================================
cleared      Ammonia and nitrite standing at the end of the day are each less than 0.6 of
             the usual daily ammonia load (mean of a week), 5 days on end.
fouled       Either is more than 2.5 days' load, 5 days on end: back to ``cycling``.
populated    Three kinds of animal (or all that can live there, if fewer), one of them pods,
             each above 0.12 of a full density, and nuisance cover below 0.45; 14 days.
depopulated  Fewer than two kinds above 0.06, or nuisance cover above 0.52; 14 days.
ripe         Populated; coralline above 0.10 of the surface and more than four weeks before,
             or above 0.40; nuisance below 0.25; temperature, salinity, alkalinity and
             nitrate within a band for 28 days; 14 days of all that.
unripe       Nuisance above 0.34, or fewer than two kinds above 0.06, or coralline below
             0.06, or not within twice that band; 14 days.
============ ============================================================================

Nuisance cover is diatoms, hair algae, cyanobacteria, and half of the film algae: a haze on
the glass is no bloom. A tank whose load is processed but that is neither populated nor held
by algae yet is in ``bloom``: the surfaces are waiting for it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic.husbandry import History

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

PHASES = ("cycling", "bloom", "colonising", "mature")
CYCLING, BLOOM, COLONISING, MATURE = range(4)


class Rules(NamedTuple):
    """Bounds and days on end; see the module."""

    cleared: float = 0.6
    fouled: float = 2.5
    least_load: float = 0.05  # mg/L of N a day; less is no test of the filter
    kinds: int = 3
    own: float = 0.12
    lost: float = 0.06
    held: float = 0.45
    held_again: float = 0.52
    spreading: float = 0.10
    spread: float = 0.40
    shrunk: float = 0.06
    low: float = 0.25
    high: float = 0.34
    cleared_days: int = 5
    fouled_days: int = 5
    days: int = 14
    month: int = 28


#: Range over a month that still counts as steady: K, PSU, meq/L; and a factor for nitrate. E.
BAND = {"temperature": 3.0, "salinity": 2.0, "alkalinity": 1.0}
NITRATE_FACTOR = 3.0
_NITRATE_OFFSET = 1.0


def on_end(holds: Bools, days: int) -> Bools:
    """Whether a condition has held for so many days on end; days first."""
    out = np.zeros_like(holds)
    streak = np.zeros(holds.shape[1:], dtype=np.int64)
    for day, now in enumerate(holds):
        streak = np.where(now, streak + 1, 0)
        out[day] = streak >= days
    return out


def trailing_range(x: Floats, days: int) -> Floats:
    """Greatest less least over the last so many days (fewer at the start)."""
    out = np.empty_like(x)
    for day in range(len(x)):
        window = x[max(0, day - days + 1) : day + 1]
        out[day] = window.max(0) - window.min(0)
    return out


def trailing_mean(x: Floats, days: int) -> Floats:
    """Mean over the last so many days (fewer at the start)."""
    total = np.cumsum(x, axis=0)
    out = total.copy()
    out[days:] -= total[:-days]
    count = np.minimum(np.arange(1, len(x) + 1), days)
    return np.asarray(out / count[:, None])


def nuisance(history: History) -> Floats:
    """Cover that nobody wants, shape (D, N)."""
    diatoms, film, hair, cyano = np.moveaxis(history.algae, 1, 0)
    return np.asarray(diatoms + hair + cyano + 0.5 * film)


def steadiness(history: History, month: int) -> Floats:
    """How far the water wandered in a month, as a share of what still counts as steady."""
    parts = [trailing_range(history.series[name], month) / band for name, band in BAND.items()]
    log = np.log(history.series["nitrate"] + _NITRATE_OFFSET)
    parts.append(trailing_range(log, month) / np.log(NITRATE_FACTOR))
    return np.asarray(np.max(parts, axis=0))


def conditions(history: History, arrives: Bools, rules: Rules) -> dict[str, Bools]:
    """Each condition of the module's table, held long enough, shape (D, N)."""
    s, r = history.series, rules
    load = np.maximum(trailing_mean(s["load"], 7), r.least_load)
    standing = np.maximum(s["ammonia"], s["nitrite"]) / load
    algae = nuisance(history)
    needed = np.minimum(arrives.sum(0), r.kinds)
    own = (history.animals > r.own).sum(1)
    pods = (history.animals[:, :2] > r.own).any(1) | ~arrives[:2].any(0)
    animals = (own >= needed) & pods
    few = (history.animals > r.lost).sum(1) < np.minimum(needed, 2)
    pink = s["coralline"]
    before = np.zeros_like(pink)
    before[r.month :] = pink[: -r.month or None][: len(pink) - r.month]
    spreading = ((pink > r.spreading) & (pink > before)) | (pink > r.spread)
    wander = steadiness(history, r.month)
    old = np.arange(len(pink))[:, None] >= r.month
    ripe = animals & spreading & (algae < r.low) & (wander < 1) & old
    unripe = (algae > r.high) | few | (pink < r.shrunk) | (wander > 2)
    return {
        "cleared": on_end(standing < r.cleared, r.cleared_days),
        "fouled": on_end(standing > r.fouled, r.fouled_days),
        "populated": on_end(animals & (algae < r.held), r.days),
        "depopulated": on_end(few | (algae > r.held_again), r.days),
        "ripe": on_end(ripe, r.days),
        "unripe": on_end(unripe, r.days),
    }


def read_phases(history: History, arrives: Bools, rules: Rules | None = None) -> Ints:
    """The phase at the end of each day.

    Parameters
    ----------
    history : History
    arrives : bool ndarray, shape (6, N)
        Kinds of animal that can live in each tank.
    rules : Rules, optional

    Returns
    -------
    int ndarray, shape (D, N)
        Index into :data:`PHASES`.
    """
    found = conditions(history, arrives, rules or Rules())
    out = np.empty(found["cleared"].shape, dtype=np.int64)
    phase = np.zeros(len(arrives.T), dtype=np.int64)
    for day in range(len(out)):
        now = {name: held[day] for name, held in found.items()}
        up = (
            ((phase == CYCLING) & now["cleared"])
            | ((phase == BLOOM) & now["populated"])
            | ((phase == COLONISING) & now["ripe"])
        )
        down = ((phase == COLONISING) & now["depopulated"]) | ((phase == MATURE) & now["unripe"])
        phase = np.where(now["fouled"], CYCLING, phase + np.where(down, -1, up))
        out[day] = phase
    return out
