"""A log that files are added to, and what a refused file says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import EditError

TODAY = dt.date(2026, 12, 31)
TANKS = "tank,keeper,started\nReef,ann,2026-01-01\nNook,ann,2026-02-01\n"
CHECKINS = "tank,date,observer,look,diatoms,ammonia,note\nReef,2026-03-01,ann,careful,y,0.25,ok\n"
EVENTS = "tank,date,event,amount,note\nReef,2026-03-02,water_change,20,\n"
FILE = "tank,date,observer,diatoms,ammonia,event,amount,note\n"

Make = Callable[..., Path]


def tables(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix == ".csv"}


def refused(path: Path, folder: Path, **how: object) -> tuple[str, ...]:
    """Lines that refuse a file; nothing may have changed."""
    before = tables(folder)
    with pytest.raises(EditError) as caught:
        add_file(path, folder, today=TODAY, **how)  # type: ignore[arg-type]
    assert tables(folder) == before
    assert not (folder / "backup").exists()
    return caught.value.lines
