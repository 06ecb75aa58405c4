"""The true phase, read off the ecology.

The rule, day by day and tank by tank, from five yes/no histories:

``copes``
    The day's ammonia load is processed within the day (:func:`.water.copes`).
``settled``, ``still_settled``
    Grazers and filter feeders keep populations and nuisance algae have receded: a grazer
    (copepods or amphipods) and one more species keep a population, and nuisance covers
    less than 50 % of the surface. To stay, 75 % of those animals and less than 60 % of nuisance
    will do.
``ripe``, ``still_ripe``
    Coralline covers 8 % and has grown over four weeks (or covers 30 %), nuisance covers
    less than 22 %, a grazer and two more species keep populations, ammonia and nitrite
    together were below 0.3 mg N/L on 25 of the last 28 days and nitrate held steady over them
    (standard deviation of the logarithm of nitrate plus 0.3 mg N/L below 0.4).
    To stay: coralline 5 %, nuisance less than 30 %, 90 % of those animals, and
    ammonia and nitrite together below 0.3 mg N/L.

A tank begins in cycling. It moves

* to **cycling**, from any phase, when it failed to cope on 5 of the last 7 days;
* from cycling to **bloom** when it coped on 6 of the last 7 days;
* from bloom to **colonising** when it was settled on 12 of the last 14 days;
* from colonising to **mature** when it was ripe on 21 of the last 28 days;
* from colonising to **bloom** when it was not still settled on 10 of the last 14 days;
* from mature to **colonising** when it was not still ripe on 10 of the last 14 days.

After a move, another move up waits for 14 days and a move down by one for 14 days, so that
the phase does not flicker; a fall to cycling does not wait.
"""

from __future__ import annotations

import numpy as np

from .tanks import Bools, Ints

PHASES = ("cycling", "bloom", "colonising", "mature")
REST = 14
_LONG = 28


def _count(history: Bools, days: int) -> Ints:
    # How often it held in the last ``days`` days, this one included; (days, n).
    total = np.cumsum(history, axis=0, dtype=np.int64)
    out = total.copy()
    out[days:] -= total[:-days]
    return out


def read_phases(
    copes: Bools, settled: Bools, still_settled: Bools, ripe: Bools, still_ripe: Bools
) -> Ints:
    """Phase at the end of each day, by the rule of this module.

    Parameters
    ----------
    copes, settled, still_settled, ripe, still_ripe : bool ndarray, shape (days, n)

    Returns
    -------
    int ndarray, shape (days, n)
        0 cycling, 1 bloom, 2 colonising, 3 mature.
    """
    days, n = copes.shape
    fails = _count(~copes, 7) >= 5
    up = np.stack([_count(copes, 7) >= 6, _count(settled, 14) >= 12, _count(ripe, _LONG) >= 21])
    down = np.stack([_count(~still_settled, 14) >= 10, _count(~still_ripe, 14) >= 10])
    phases = np.zeros((days, n), np.int64)
    now = np.zeros(n, np.int64)
    since = np.full(n, REST)
    tank = np.arange(n)
    for day in range(days):
        rested = since >= REST
        rise = rested & (now < 3) & up[np.minimum(now, 2), day, tank]
        drop = rested & (now > 1) & down[np.maximum(now - 2, 0), day, tank] & ~rise
        after = np.where(fails[day], 0, now + rise - drop)
        since = np.where(after != now, 0, since + 1)
        now = after
        phases[day] = now
    return phases
