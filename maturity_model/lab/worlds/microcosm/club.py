"""A club of this world, as the rows of a logbook and the truth behind them."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

import numpy as np

from .ecology import live_a_day
from .looking import Watched, judge, watch
from .people import Keeper, Row
from .phases import read_phases
from .region import Floats, Ints, draw_region
from .tanks import ROCK, Tanks


class World(NamedTuple):
    """What the keepers wrote down, and what was true.

    Attributes
    ----------
    tanks, checkins, events, kits : list of dict of str to str
        Rows of the log format; a cell that is blank is '' or left out.
    phases : int ndarray, shape (days, n_tanks)
        True phase at the end of each day: 0 cycling, 1 bloom, 2 colonising, 3 mature, by the
        rule of :mod:`.phases`. Column i is the tank of row i of ``tanks``.
    states : dict of str to float ndarray, shape (days, n_tanks)
        The truth by day, for looking inside; no part of the log. ``_sand`` is (n_tanks,).
    """

    tanks: list[Row]
    checkins: list[Row]
    events: list[Row]
    kits: list[Row]
    phases: Ints
    states: dict[str, Floats]


def live(
    n_tanks: int,
    days: int,
    seed: int,
    start: dt.date,
    *,
    batch: int = 0,
    judged: float = 0.0,
    judge_accuracy: float = 0.8,
    weekly_tests: bool = False,
) -> World:
    """Let a club of tanks live, and its keepers write.

    Parameters
    ----------
    n_tanks : int
        At least 1.
    days : int
        At least 1.
    seed : int
        Not negative. Fixes the region and, with ``batch``, the tanks.
    start : date
        First day of every tank.
    batch : int
        Not negative. Another batch holds other tanks, of other names, of the same world.
    judged : float
        Share of tanks with judged phases, from 0 to 1; exact up to rounding.
    judge_accuracy : float
        Chance that a fresh judgement is right.
    weekly_tests : bool
        Ammonia and nitrite are tested at every check-in by those who have the kits.

    Returns
    -------
    World

    Raises
    ------
    ValueError
        Where an argument is none of these.
    """
    if n_tanks < 1 or days < 1 or seed < 0 or batch < 0:
        raise ValueError("needs a tank, a day, and a seed and batch of at least 0")
    if not (0 <= judged <= 1 and 0 <= judge_accuracy <= 1):
        raise ValueError("judged and judge_accuracy are shares, from 0 to 1")
    reg = draw_region(seed)
    eco = Tanks(n_tanks, reg, np.random.default_rng([seed, batch, 1]))
    by_day = []
    for d in range(days):
        live_a_day(eco, d, start + dt.timedelta(d))
        by_day.append(eco.snapshot())
    states = {name: np.stack([x[name] for x in by_day]) for name in by_day[0]}
    states["_sand"] = eco.sand
    phases = read_phases(states)
    tanks, kits, rows = _written(eco, states, days, (seed, batch), start, weekly_tests)
    chosen = np.random.default_rng([seed, batch, 5]).permutation(n_tanks)
    for i in sorted(chosen[: round(judged * n_tanks)]):
        g = np.random.default_rng([seed, batch, 6, int(i)])
        judge(rows[i], phases[:, i], judge_accuracy, g)
    checkins = [row for of_tank in rows for row, _ in of_tank]
    events = [
        {
            "tank": tanks[i]["tank"], "date": (start + dt.timedelta(d)).isoformat(),
            "event": kind, "amount": amount, "note": "",
        }
        for i, d, kind, amount in sorted(eco.log)
        if d < days
    ]  # fmt: skip
    return World(tanks, checkins, events, kits, phases, states)


def _owners(n: int, g: np.random.Generator) -> list[int]:
    # Some keepers have the next tank too.
    owner: list[int] = []
    for i in range(n):
        same = i > 0 and g.random() < 0.12
        owner.append(owner[-1] if same else i)
    return owner


def _written(
    eco: Tanks,
    states: dict[str, Floats],
    days: int,
    key: tuple[int, int],
    start: dt.date,
    weekly_tests: bool,
) -> tuple[list[Row], list[Row], list[list[tuple[Row, int]]]]:
    # Rows of tanks and of kits, and each tank's check-ins with their days. ``key`` is the seed
    # and the batch.
    mark = f"{key[1]}-" if key[1] else ""
    tanks, kits, rows = [], [], []
    people: dict[int, Keeper] = {}
    for i, o in enumerate(_owners(eco.n, np.random.default_rng([*key, 2]))):
        g = np.random.default_rng([*key, 3, i])
        if o not in people:
            drawn = np.random.default_rng([*key, 4, o])
            people[o] = Keeper(f"keeper-{mark}{o:04d}", drawn, eco.reg)
            # Some never say which kit they use.
            if g.random() < 0.85:
                kits += people[o].rows()
            else:
                people[o].tell_nothing()
        me = people[o]
        other = Keeper(f"{me.name}-b", g, eco.reg) if g.random() < 0.08 else None
        name = f"tank-{mark}{i:04d}"
        tanks.append(_tank_row(eco, i, name, me, f"club-{o % eco.reg.clubs}", start))
        rows.append(watch(Watched(i, name, me, other, states, start, g, weekly_tests), days))
    return tanks, kits, rows


def _tank_row(eco: Tanks, i: int, name: str, me: Keeper, club: str, start: dt.date) -> Row:
    return {
        "tank": name, "keeper": me.name, "club": club, "started": start.isoformat(),
        "volume_l": f"{eco.volume[i]:.0f}", "rock": ROCK[int(eco.rock[i])],
        "sand_depth_mm": f"{eco.sand[i]:.0f}",
    }  # fmt: skip
