"""The logs of a fit: several clubs' as one, and who was in them."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.logbook import Logbook
    from maturity_model.population.members import Members


def pool_logbooks(logbooks: list[Logbook]) -> Logbook:
    """Join several clubs' logbooks.

    With more than one, names of tanks, keepers and observers are prefixed by the number of
    their logbook, because two clubs may well have a tank of the same name.

    Raises
    ------
    ValueError
        When the clubs' own signs differ between the logbooks.
    """
    if len(logbooks) == 1:
        return logbooks[0]
    first = logbooks[0]
    for i, other in enumerate(logbooks[1:], start=2):
        if other.catalogue != first.catalogue:
            raise ValueError(
                f"logbook {i} has signs of its own that differ from those of logbook 1; "
                "logbooks are pooled only with the same signs.csv"
            )
    from maturity_model.panel import water_known_from

    tanks, checkins, events, kits = {}, [], [], []
    for i, book in enumerate(logbooks, start=1):

        def name(text: str, i: int = i) -> str:
            # A blank keeper or observer stays blank.
            return f"{i}:{text}" if text else text

        for tank in book.tanks.values():
            tanks[name(tank.name)] = replace(tank, name=name(tank.name), keeper=name(tank.keeper))
        checkins += [
            replace(c, tank=name(c.tank), observer=name(c.observer)) for c in book.checkins
        ]
        events += [replace(e, tank=name(e.tank)) for e in book.events]
        # Kits without a keeper are dropped: after pooling they would apply to every club. Only
        # predictive draws are affected, because readings carry their intervals.
        kits += [replace(k, keeper=name(k.keeper)) for k in book.kits if k.keeper]
    digest = hashlib.sha256("".join(b.sha256 for b in logbooks).encode()).hexdigest()
    return replace(
        first,
        tanks=tanks,
        checkins=tuple(sorted(checkins, key=lambda c: c.date)),
        events=tuple(sorted(events, key=lambda e: e.date)),
        kits=tuple(kits),
        problems=tuple(p for b in logbooks for p in b.problems),
        rows=tuple(r for b in logbooks for r in b.rows),
        refused_tanks=tuple(t for b in logbooks for t in b.refused_tanks),
        sha256=digest,
        # From each logbook alone: a pool among them states it for its own tanks.
        water_known_from={
            f"{i}:{name}": day
            for i, book in enumerate(logbooks, start=1)
            for name, day in water_known_from(book).items()
        },
    )


def read_logs(paths: list[Path]) -> list[Logbook]:
    """Read logbooks and pools, in the order given.

    A pool has no dates; its logs are placed so that they end on the last day of the
    logbooks beside it.

    Raises
    ------
    LogbookError, PoolError
    """
    from maturity_model.logbook import read_logbook
    from maturity_model.panel import last_day
    from maturity_model.pooling import is_pool, read_pool
    from maturity_model.pooling.as_logbook import LAST_DAY

    books = {path: read_logbook(path) for path in paths if not is_pool(path)}
    ends = max(map(last_day, books.values()), default=LAST_DAY)
    return [books[path] if path in books else read_pool(path, ends=ends) for path in paths]


def pool_members(result: FitResult, logbooks: list[Logbook], secret: bytes = b"") -> Members:
    """Who was in a fit (:func:`.members.make_members`), with a fresh salt each time.

    The fit is of :func:`pool_logbooks` of the same logbooks, in the same order. Without a secret,
    anyone who has the file can try names against it.
    """
    from maturity_model.fitting.design import keepers_of
    from maturity_model.fitting.pooled_fit import stack_chains, thin
    from maturity_model.population.members import SALT_BYTES, make_members

    panel = result.panel
    own = {
        (f"{i}:{name}" if len(logbooks) > 1 else name): (tank, book)
        for i, book in enumerate(logbooks, start=1)
        for name, tank in book.tanks.items()
    }
    keepers, keeper = keepers_of(panel)
    skill: dict[str, np.ndarray] = {}
    if "skill" in result.posterior:
        # Those draws that the population holds, in its order.
        draws = stack_chains(thin(result.posterior), ["skill"])["skill"]
        skill = dict(zip(keepers, np.ascontiguousarray(draws.T), strict=True))
    tanks = []
    for pooled, k in zip(panel.tanks, keeper, strict=True):
        # Under its name in its own logbook.
        tank, book = own[pooled.name]
        checkins = [c for c in book.checkins if c.tank == tank.name]
        events = [e for e in book.events if e.tank == tank.name]
        tanks.append((tank, keepers[k], checkins, events))
    salt = os.urandom(SALT_BYTES)
    return make_members(tanks, skill, panel.as_of, salt=salt, secret=secret)
