"""A log that files are added to, and what a refused file says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from maturity_model.logbook import Logbook, read_logbook
from maturity_model.logbook.add import Added, add_file
from maturity_model.logbook.edit import EditError

TODAY = dt.date(2026, 12, 31)
TANKS = "tank,keeper,started\nReef,ann,2026-01-01\nNook,ann,2026-02-01\n"
CHECKINS = "tank,date,observer,look,diatoms,ammonia,note\nReef,2026-03-01,ann,careful,y,0.25,ok\n"
EVENTS = "tank,date,event,amount,note\nReef,2026-03-02,water_change,20,\n"
FILE = "tank,date,observer,diatoms,ammonia,event,amount,note\n"


class Log:
    """A logbook in a folder, and the files beside it that are added to it."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.backup = folder / "backup"

    def file(self, text: str | bytes, name: str = "in.csv") -> Path:
        path = self.folder.parent / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    def add(self, text: str | bytes, **how: Any) -> Added:
        return add_file(self.file(text), self.folder, today=TODAY, **how)

    def refused(self, text: str | bytes, **how: Any) -> tuple[str, ...]:
        """Lines that refuse a file."""
        return self.unchanged(lambda: self.add(text, **how))

    def unchanged(self, edit: Callable[[], object]) -> tuple[str, ...]:
        """Lines that refuse an edit; nothing may have changed."""
        before = self.tables()
        kept = self.backup.exists()
        with pytest.raises(EditError) as caught:
            edit()
        assert self.tables() == before
        assert self.backup.exists() == kept
        return caught.value.lines

    def read(self) -> Logbook:
        return read_logbook(self.folder, today=TODAY)

    def text(self, table: str) -> str:
        return (self.folder / f"{table}.csv").read_text()

    def tables(self) -> dict[str, bytes]:
        return {p.name: p.read_bytes() for p in self.folder.iterdir() if p.suffix == ".csv"}


Make = Callable[..., Log]
