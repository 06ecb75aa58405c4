"""Small logbooks made in memory."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from maturity_model.catalogue import LOOKS, Catalogue, load_catalogue
from maturity_model.logbook import CheckIn, Event, Logbook, Reading, Tank

START = dt.date(2025, 3, 4)


def day(n: int) -> dt.date:
    """Day n after the start."""
    return START + dt.timedelta(days=n)


def make_log(
    tanks: Iterable[Tank],
    checkins: Iterable[CheckIn] = (),
    events: Iterable[Event] = (),
    catalogue: Catalogue | None = None,
) -> Logbook:
    """A logbook as the reader would have made it."""
    return Logbook(
        path=Path("memory"),
        catalogue=catalogue or load_catalogue(),
        tanks={t.name: t for t in tanks},
        checkins=tuple(sorted(checkins, key=lambda c: c.date)),
        events=tuple(sorted(events, key=lambda e: e.date)),
        kits=(),
        problems=(),
        rows=(),
        refused_tanks=(),
        sha256="",
    )


def look(n: int, signs: str = "", tank: str = "a", **more: object) -> CheckIn:
    """A check-in on day n; ``signs`` as in ``'diatoms=y hair_algae=n'``."""
    seen = {s.split("=")[0]: s.endswith("=y") for s in signs.split()}
    return CheckIn(tank, day(n), signs=seen, **more)  # type: ignore[arg-type]


def each_checkin(logbook: Logbook, change: Callable[[CheckIn], CheckIn]) -> Logbook:
    return replace(logbook, checkins=tuple(map(change, logbook.checkins)))


def member_rows(logbook: Logbook) -> list[tuple[Tank, str, list[CheckIn], list[Event]]]:
    """Each tank with its keeper and rows, as :func:`make_members` takes them."""
    return [
        (
            tank,
            tank.keeper,
            [c for c in logbook.checkins if c.tank == tank.name],
            [e for e in logbook.events if e.tank == tank.name],
        )
        for tank in logbook.tanks.values()
    ]


def reading(low: float, high: float, best: float) -> Reading:
    return Reading(f"{best:g}", low, high, best, "mg/L", "colour_chart")


def random_log(seed: int, weeks: int = 9) -> tuple[Logbook, dt.date]:
    """Two tanks of one keeper and one of nobody; everything that a log can hold, at random."""
    rng = np.random.default_rng([77, seed])
    catalogue = load_catalogue()
    last = 7 * weeks - int(rng.integers(1, 7))
    tanks = [
        Tank("a", START, keeper="k", rock=str(rng.choice(["dry", "mixed", "live"]))),
        Tank("b", day(int(rng.integers(0, 12))), keeper="k", rock=None),
        Tank("c", START, keeper="", rock="live"),
    ]
    checkins, events = [], []
    for tank in tanks:
        first = (tank.started - START).days
        for _ in range(int(rng.integers(1, 2 * weeks))):
            # Some days twice, some weeks several times or not at all.
            n = int(rng.integers(first, last + 8))
            signs = {s: bool(rng.random() < 0.5) for s in catalogue.signs if rng.random() < 0.4}
            readings = {}
            for name in ("ammonia", "nitrite", "nitrate", "phosphate", "ph"):
                if rng.random() < 0.4:
                    steps = np.concatenate([[0.0], np.sort(rng.exponential(3.0, 4)), [np.inf]])
                    i = int(rng.integers(5))
                    best = float(
                        steps[i] if np.isinf(steps[i + 1]) else (steps[i] + steps[i + 1]) / 2
                    )
                    readings[name] = reading(float(steps[i]), float(steps[i + 1]), best)
            judged = str(rng.choice(list(catalogue.phases))) if rng.random() < 0.4 else None
            checkins.append(
                CheckIn(
                    tank.name,
                    day(n),
                    look=str(rng.choice(LOOKS)),
                    judged_phase=judged,
                    signs=signs,
                    readings=readings,
                )
            )
        for kind in catalogue.events.values():
            for _ in range(int(rng.integers(0, 3))):
                amount = None
                if kind.reference_amount is not None:
                    amount = float(kind.reference_amount * rng.uniform(0.2, 4))
                n = int(rng.integers(first, last + 8))
                # Tank c has no water change logged: unknown.
                if not (tank.name == "c" and kind.name == "water_change"):
                    events.append(Event(tank.name, day(n), kind.name, amount))
    return make_log(tanks, checkins, events), day(last)
