"""A club of tanks: the ecology run, looked at, and written down as rows of a logbook."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic.husbandry import (
    Happened,
    History,
    parameters_of,
    run,
)
from maturity_model.lab.worlds.mechanistic.judges import Judge
from maturity_model.lab.worlds.mechanistic.keepers import SIGNS, Broken, Keepers, Row
from maturity_model.lab.worlds.mechanistic.phases import Rules, read_phases
from maturity_model.lab.worlds.mechanistic.ranges import ANIMALS, KEEPERS, PRESETS, ROCKS, draw
from maturity_model.lab.worlds.mechanistic.tank import Tanks

Ints = NDArray[np.int64]

#: Bare bottoms, and depths of sand in mm. P.
SAND_MM = (0.0, 20.0, 30.0, 40.0, 60.0)
_SAND_SHARES = (0.15, 0.2, 0.3, 0.25, 0.1)
#: Tanks of one keeper: most have one.
_SECOND_TANK = 0.2


@dataclass(frozen=True)
class Club:
    """What was written down, and what was true.

    Attributes
    ----------
    tanks, checkins, events, kits : list of dict of str to str
        Rows of the logbook's tables.
    phases : int ndarray, shape (D, N)
        True phase at the end of each day.
    history : History
    happened, unnoticed : list of Happened
    """

    tanks: list[Row]
    checkins: list[Row]
    events: list[Row]
    kits: list[Row]
    phases: Ints
    history: History
    happened: list[Happened]
    unnoticed: list[Happened]


def _keepers(n: int, rng: np.random.Generator) -> Ints:
    new = rng.random(n) >= _SECOND_TANK
    new[0] = True
    return np.asarray(np.cumsum(new) - 1)


def live(
    n_tanks: int,
    days: int,
    seed: int,
    start: dt.date,
    *,
    batch: int = 0,
    preset: str = "typical",
    scaled: Mapping[str, float] | None = None,
    missing: str = "",
    broken: Broken | None = None,
    judged: float = 0.0,
    judge_accuracy: float = 0.8,
    weekly_tests: bool = False,
    rules: Rules | None = None,
) -> Club:
    """Let a club of tanks live.

    Parameters
    ----------
    n_tanks, days, seed : int
        The seed decides the world and everything in it.
    start : date
        Day 0 of every tank.
    batch : int
        Another batch holds other tanks of the same world.
    preset : str
        A key of :data:`maturity_model.lab.worlds.mechanistic.ranges.PRESETS`.
    scaled : mapping of str to float, optional
        Further factors on parameters.
    missing : str
        A sign that no tank of the region has.
    broken : Broken, optional
    judged, judge_accuracy : float
        Share of tanks that an experienced keeper judges, and how often rightly.
    weekly_tests : bool
        Keepers test ammonia and nitrite at every check-in.
    rules : Rules, optional
        How the phase is read off.

    Returns
    -------
    Club
    """
    of_tanks, of_looks, of_judges = (
        np.random.default_rng([seed, part, batch]) for part in range(3)
    )
    family = PRESETS[preset]
    p = draw(family, n_tanks, np.random.default_rng([seed, 3]), of_tanks, scaled or {})
    rock = of_tanks.choice(len(ROCKS), n_tanks, p=family.rocks)
    sand = of_tanks.choice(SAND_MM, n_tanks, p=_SAND_SHARES)
    for name in _parameters_without(missing):
        p[name] = np.zeros(n_tanks)
    tanks = Tanks(p, rock, sand, of_tanks)
    if missing in ANIMALS:
        kind = ANIMALS.index(missing)
        tanks.arrives[kind] = False
        tanks.animals[kind] = 0.0
        tanks.ledger = {"nitrogen": tanks.nitrogen(), "phosphorus": tanks.phosphorus()}
    history, happened, unnoticed = run(days, tanks, of_tanks)
    phases = read_phases(history, tanks.arrives, rules)

    keeper = _keepers(n_tanks, of_looks)
    first = np.searchsorted(keeper, keeper)  # tanks of a keeper stand together
    shared = {name: p[name] for name in p} | parameters_of({k: p[k] for k in KEEPERS}, first)
    mark = f"{batch}-" if batch else ""
    eyes = Keepers(
        shared, keeper, of_looks, broken or Broken(), f"keeper-{mark}", weekly_tests=weekly_tests
    )
    names = [f"tank-{mark}{i:04d}" for i in range(n_tanks)]
    checkins = list(eyes.checkins(history, start, names))
    _judge(checkins, phases, names, start, judged, judge_accuracy, of_judges)
    rows = [
        {
            "tank": names[i],
            "keeper": eyes.name(i),
            "club": f"{preset} {seed}",
            "started": start.isoformat(),
            "rock": ROCKS[rock[i]],
            "sand_depth_mm": f"{sand[i]:g}",
        }
        for i in range(n_tanks)
    ]
    events = eyes.log_events(happened, days, start, names)
    return Club(rows, checkins, events, eyes.kit_rows(), phases, history, happened, unnoticed)


def _parameters_without(missing: str) -> tuple[str, ...]:
    # What must be nothing so that a sign that is no animal does not exist.
    known = {
        "": (), "coralline_algae": ("coralline_spores",), "diatoms": ("diatom_growth",),
        "film_algae": ("film_growth",), "hair_algae": ("hair_growth",),
        "cyanobacteria": ("cyano_growth",),
    }  # fmt: skip
    if missing in known:
        return known[missing]
    if missing in ANIMALS:
        return ()
    raise ValueError(f"{missing!r} cannot be missing; one of {', '.join(SIGNS[:-1])}")


def _judge(
    checkins: list[Row],
    phases: Ints,
    names: list[str],
    start: dt.date,
    share: float,
    accuracy: float,
    rng: np.random.Generator,
) -> None:
    # A share of the tanks, as exactly as it can be met.
    chosen = rng.permutation(len(names))[: round(share * len(names))]
    judges = {names[i]: (Judge(accuracy, rng), phases[:, i]) for i in chosen}
    for row in checkins:
        if row["tank"] in judges:
            judge, truth = judges[row["tank"]]
            said = judge.judge((dt.date.fromisoformat(row["date"]) - start).days, truth)
            if said:
                row["judged_phase"] = said
