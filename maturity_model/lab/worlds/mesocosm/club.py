"""A club of this world, as the rows of a logbook and the truth behind them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from .history import History, run
from .kits import draw_kits, kit_rows, readings
from .looking import (
    LOOKS,
    SIGNS,
    CheckIns,
    Habits,
    Row,
    answers,
    draw_habits,
    judgements,
    text_date,
    visit,
)
from .region import PRESETS
from .tanks import ROCK, Ints


@dataclass(frozen=True)
class Club:
    """What the keepers wrote down, and what was true.

    Attributes
    ----------
    tanks, checkins, events, kits : list of dict of str to str
        Rows of the log format; a blank cell is left out.
    phases : int ndarray, shape (days, n_tanks)
        True phase at the end of each day: 0 cycling, 1 bloom, 2 colonising, 3 mature, by the
        rule of :mod:`.phases`. Column i is the tank of row i of ``tanks``.
    """

    tanks: list[Row]
    checkins: list[Row]
    events: list[Row]
    kits: list[Row]
    phases: Ints


def live(
    n_tanks: int,
    days: int,
    seed: int,
    start: dt.date,
    *,
    batch: int = 0,
    preset: str = "usual",
    judged: float = 0.0,
    judge_accuracy: float = 0.8,
    weekly_tests: bool = False,
) -> Club:
    """Let a club of tanks live, and its keepers write.

    Parameters
    ----------
    n_tanks : int
        At least 1.
    days : int
        At least 1.
    seed : int
        Not negative. Decides where in the preset's ranges this world lies, and all tanks.
    start : date
        First day of every tank.
    batch : int
        Not negative. Another batch holds other tanks, of other names, of the same world.
    preset : str
        A key of :data:`.region.PRESETS`.
    judged : float
        Share of tanks with judged phases, from 0 to 1; exact up to rounding.
    judge_accuracy : float
        Chance that a fresh judgement is right.
    weekly_tests : bool
        Ammonia and nitrite are tested at every check-in by those who have the kits.

    Returns
    -------
    Club

    Raises
    ------
    ValueError
        Where an argument is none of these.
    """
    if n_tanks < 1 or days < 1 or seed < 0 or batch < 0:
        raise ValueError("needs a tank, a day, and a seed and batch of at least 0")
    if preset not in PRESETS:
        raise ValueError(f"{preset!r} is not a preset; one of {', '.join(PRESETS)}")
    if not (0 <= judged <= 1 and 0 <= judge_accuracy <= 1):
        raise ValueError("judged and judge_accuracy are shares, from 0 to 1")
    history = run(n_tanks, days, seed, batch, preset)
    # Keepers draw from a stream of their own: judging more tanks changes nothing else.
    rng = np.random.default_rng([seed, 303, batch])
    middle = f"{batch}-" if batch else ""
    tanks = [f"tank-{middle}{i:04d}" for i in range(n_tanks)]
    keepers = [f"keeper-{middle}{i:04d}" for i in range(n_tanks)]
    habits = draw_habits(history, rng)
    at = visit(history, habits, rng)
    kits = draw_kits(n_tanks, rng)
    rows = _checkins(history, habits, at, rng)
    for row, cells in zip(rows, readings(history, at, kits, rng, weekly_tests), strict=True):
        row.update(cells)
    events = _events(history, start, tanks, rng)
    judge = np.random.default_rng([seed, 404, batch])
    phases = judgements(history, at, judged, judge_accuracy, judge)
    for k, row in enumerate(rows):
        tank = int(at.tank[k])
        row["tank"], row["date"] = tanks[tank], text_date(start, int(at.day[k]))
        row["observer"] = keepers[tank]
        if phases[k]:
            row["judged_phase"] = phases[k]
    # Who does not say what he reads with is taken to read the ion on a common chart.
    named = [i for i in range(n_tanks) if rng.random() < 0.9]
    return Club(
        tanks=_tanks(history, start, tanks, keepers),
        # A visit without one answer is no check-in.
        checkins=[row for row in rows if len(row) > 3 + ("look" in row)],
        events=events,
        kits=kit_rows([keepers[i] for i in named], [kits[i] for i in named]),
        phases=history.phases,
    )


def _tanks(history: History, start: dt.date, tanks: list[str], keepers: list[str]) -> list[Row]:
    setup = history.setup
    return [
        {
            "tank": tanks[i],
            "keeper": keepers[i],
            "club": "mesocosm",
            "started": start.isoformat(),
            "volume_l": f"{setup.volume[i]:g}",
            "rock": ROCK[int(setup.rock[i])],
            "sand_depth_mm": f"{setup.sand[i]:g}",
        }
        for i in range(setup.n)
    ]


def _checkins(
    history: History, habits: Habits, at: CheckIns, rng: np.random.Generator
) -> list[Row]:
    written = answers(history, habits, at, rng)
    rows = []
    for k, line in enumerate(written.tolist()):
        row = {sign: "ny"[v] for sign, v in zip(SIGNS, line, strict=True) if v >= 0}
        if habits.says_look[at.tank[k]]:
            row["look"] = LOOKS[int(at.look[k])]
        rows.append(row)
    return rows


#: How often an amount is left out, where the log allows that.
_LACKS_AMOUNT = {"overfeeding": 0.4, "livestock_added": 0.15}
#: Keepers log accidents less readily than what they do on purpose.
_CANDID = {"overfeeding": 0.75, "crash": 1.05, "deep_clean": 0.95, "sand_disturbed": 0.8}


def _events(
    history: History, start: dt.date, tanks: list[str], rng: np.random.Generator
) -> list[Row]:
    candour = np.clip(history.region.logging * np.exp(rng.normal(0.0, 0.2, len(tanks))), 0, 0.98)
    rows = []
    for day, tank, event, amount in history.diary.entries:
        u = rng.random(2)
        if u[0] > candour[tank] * _CANDID.get(event, 1.0):
            continue
        row = {"tank": tanks[tank], "date": text_date(start, day), "event": event}
        if amount > 0 and u[1] >= _LACKS_AMOUNT.get(event, 0.0):
            row["amount"] = f"{amount:g}"
        rows.append(row)
    return sorted(rows, key=lambda row: (row["tank"], row["date"], row["event"]))
