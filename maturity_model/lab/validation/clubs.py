"""Simulated clubs: a log that the program sees, and the truth that it does not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Ints
from maturity_model.lab.worlds import simulate
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel


class World(NamedTuple):
    """Where logs come from.

    Attributes
    ----------
    source : str
        A world of :mod:`maturity_model.lab.worlds`.
    preset : str
        Range of its parameters; each club lies elsewhere in it.
    broken : tuple of str
        Assumptions of the model that are broken in it.
    """

    source: str
    preset: str
    broken: tuple[str, ...] = ()


@dataclass(frozen=True)
class Club:
    """One club.

    Attributes
    ----------
    logbook : Logbook
    followed : int ndarray, shape (N, F)
        True phase at the end of each week since each tank's start; -1 where it was not run.
    weeks : int
        W <= F: weeks whose statements are scored. The rest is what was to come.
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


def simulate_club(
    world: World,
    n_tanks: int,
    weeks: int,
    seed: int,
    judged: float = 0.0,
    after: int = 0,
    batch: int = 0,
) -> Club:
    """Run one club of a world.

    Parameters
    ----------
    world : World
    n_tanks, weeks, seed : int
    judged : float
        Share of the tanks whose keeper judges the phase.
    after : int
        Further weeks that each tank is followed.
    batch : int
        Another holds other tanks of the same parameters.
    """
    found = simulate(
        world.source,
        n_tanks,
        weeks + after - 1,  # The last week is run to its end.
        seed,
        preset=world.preset,
        broken=world.broken,
        judged=judged,
        batch=batch,
    )
    return Club(found.logbook, np.asarray(found.truth, dtype=np.int64), weeks)


def simulate_clubs(
    world: World,
    clubs: int,
    n_tanks: int,
    weeks: int,
    seed: int,
    judged: float = 0.0,
    after: int = 0,
    batch: int = 0,
) -> list[Club]:
    """Several clubs of a world, each with a seed of its own; ``n_tanks`` in all."""
    sizes = [len(part) for part in np.array_split(np.arange(n_tanks), clubs)]
    return [
        simulate_club(world, size, weeks, seed * 1000 + i, judged, after, batch)
        for i, size in enumerate(sizes)
        if size
    ]


def merged(clubs: Sequence[Club]) -> Club:
    """All clubs as one log, tanks and keepers renamed by club."""
    first = clubs[0].logbook
    tanks, checkins, events, kits = {}, [], [], []
    for i, club in enumerate(clubs):
        book, mark = club.logbook, f"c{i:03d}-"
        for tank in book.tanks.values():
            named = replace(tank, name=mark + tank.name, keeper=mark + (tank.keeper or tank.name))
            tanks[named.name] = named
        for c in book.checkins:
            observer = mark + c.observer if c.observer else ""
            checkins.append(replace(c, tank=mark + c.tank, observer=observer))
        events += [replace(e, tank=mark + e.tank) for e in book.events]
        kits += [replace(k, keeper=mark + k.keeper) for k in book.kits if k.keeper]
    checkins.sort(key=lambda c: c.date)
    events.sort(key=lambda e: e.date)
    book = replace(
        first, tanks=tanks, checkins=tuple(checkins), events=tuple(events), kits=tuple(kits)
    )
    return Club(book, np.concatenate([c.followed for c in clubs]), clubs[0].weeks)
