"""Simulated clubs: a log that the program sees, and the truth that it does not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np

from maturity_model._typing import Ints
from maturity_model.lab.worlds import simulate
from maturity_model.logbook import CheckIn, Event, Logbook
from maturity_model.panel import Panel, build_panel

Entry = TypeVar("Entry", CheckIn, Event)


class World(NamedTuple):
    """Where logs come from: a world of :mod:`maturity_model.lab.worlds` and its preset.

    Each club lies elsewhere in the preset's ranges. ``broken`` are assumptions of the model.
    """

    source: str
    preset: str
    broken: tuple[str, ...] = ()


@dataclass(frozen=True)
class Club:
    """One club, or several merged.

    ``followed``, shape (N, F), is the true phase at the end of each week since each tank's start,
    -1 where it was not run; the first ``weeks`` are scored, the rest is what was to come.
    """

    logbook: Logbook
    followed: Ints
    weeks: int

    @property
    def truth(self) -> Ints:
        """True phase in the scored weeks, shape (N, W)."""
        return self.followed[:, : self.weeks]

    def panel(self) -> Panel:
        """The log of the scored weeks on the weekly grid."""
        starts = [t.started for t in self.logbook.tanks.values()]
        end = max(starts) + dt.timedelta(days=7 * self.weeks - 1)
        return build_panel(self.logbook, self.logbook.catalogue, end)

    def dated(self, entries: Iterable[Entry]) -> Iterator[tuple[int, int, Entry]]:
        """Number of the tank and days since its start, with each check-in or event."""
        tanks = {t.name: (i, t.started) for i, t in enumerate(self.logbook.tanks.values())}
        for entry in entries:
            tank, started = tanks[entry.tank]
            yield tank, (entry.date - started).days, entry


def simulate_club(
    world: World, n_tanks: int, weeks: int, seed: int, *, after: int = 0, **options: Any
) -> Club:
    """Simulate a club whose tanks are followed for ``after`` further weeks.

    Options are those of :func:`maturity_model.lab.worlds.simulate`: ``judged``, ``batch``.
    """
    options = {"preset": world.preset, "broken": world.broken, **options}
    # The last week is run to its end.
    club = simulate(world.source, n_tanks, weeks + after - 1, seed, **options)
    return Club(club.logbook, np.asarray(club.truth, dtype=np.int64), weeks)


def simulate_clubs(
    world: World, clubs: int, n_tanks: int, weeks: int, seed: int, **options: Any
) -> list[Club]:
    """Simulate several clubs, each with its own seed; ``n_tanks`` in all."""
    sizes = [len(part) for part in np.array_split(np.arange(n_tanks), clubs)]
    return [
        simulate_club(world, size, weeks, seed * 1000 + i, **options)
        for i, size in enumerate(sizes)
        if size
    ]


def club_of_tanks(clubs: Sequence[Club]) -> Ints:
    """Number of the club of each tank, in the order of :func:`merge_clubs`."""
    return np.repeat(np.arange(len(clubs)), [len(c.followed) for c in clubs])


def merge_clubs(clubs: Sequence[Club]) -> Club:
    """Join clubs to one log; tanks and keepers get a prefix for their club."""
    tanks, checkins, events, kits = {}, [], [], []
    for i, club in enumerate(clubs):
        book, prefix = club.logbook, f"c{i:03d}-"
        for tank in book.tanks.values():
            keeper = prefix + (tank.keeper or tank.name)
            tanks[prefix + tank.name] = replace(tank, name=prefix + tank.name, keeper=keeper)
        for c in book.checkins:
            observer = prefix + c.observer if c.observer else ""
            checkins.append(replace(c, tank=prefix + c.tank, observer=observer))
        events += [replace(e, tank=prefix + e.tank) for e in book.events]
        kits += [replace(k, keeper=prefix + k.keeper) for k in book.kits if k.keeper]
    book = replace(
        clubs[0].logbook,
        tanks=tanks,
        checkins=tuple(sorted(checkins, key=lambda c: c.date)),
        events=tuple(sorted(events, key=lambda e: e.date)),
        kits=tuple(kits),
    )
    return Club(book, np.concatenate([c.followed for c in clubs]), clubs[0].weeks)
