"""The ways in which a logbook is broken, in the order in which they are numbered."""

from __future__ import annotations

import random
from pathlib import Path

from . import book_kinds
from .account import Case
from .csv_kinds import KINDS, kind, put, tables

__all__ = ["KINDS", "book_kinds", "make"]


@kind
def old_dates(rng: random.Random, case: Case) -> None:
    """Dates before the start, in the future, and tanks that started long ago."""
    made = tables(rng)
    days = ("1970-01-01", "1985-06-30", "2019-01-01", "2026-06-30", "2026-07-01", "2026-07-02",
            "2099-01-01", "0001-01-01", "2025-12-19", "2025-12-31")  # fmt: skip
    for name in ("tanks", "checkins", "events"):
        if name in made:
            header, rows = made[name]
            at = header.index("started" if name == "tanks" else "date")
            for row in rows:
                if rng.random() < 0.5:
                    row[at] = rng.choice(days)
    put(case, made)


def make(kind_name: str, seed: tuple[object, ...], folder: Path) -> Case:
    """Write one broken logbook into an empty folder."""
    folder.mkdir(parents=True)
    rng = random.Random(repr((kind_name, *seed)))
    case = Case(kind_name, folder)
    KINDS[kind_name](rng, case)
    return case
