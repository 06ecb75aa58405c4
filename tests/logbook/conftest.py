"""A logbook in a folder, made of a few lines."""

from __future__ import annotations

from pathlib import Path

import pytest
from logbook.adding import CHECKINS, EVENTS, Log, Make
from logbook.adding import TANKS as TWO_TANKS
from logbook.read_logs import TODAY, Read, write_tables

from maturity_model.logbook import Logbook, read_logbook

TANKS = "tank,started\nReef,2026-01-01\n"


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write the files given as ``name=text or bytes`` and read them."""

    def _read(**files: str | bytes) -> Logbook:
        write_tables(tmp_path, {"tanks": TANKS, "checkins": "tank,date\n"} | files)
        book = read_logbook(tmp_path, today=TODAY)
        for count in book.rows:
            assert count.read == count.used + count.refused
        return book

    return _read


@pytest.fixture
def read_cells(read: Read) -> Read:
    """Read one check-in of Reef on 2026-03-01 with the cells given."""

    def _read(files: dict[str, str] | None = None, **cells: str) -> Logbook:
        quoted = ['"' + c.replace('"', '""') + '"' for c in cells.values()]
        text = f"tank,date,{','.join(cells)}\nReef,2026-03-01,{','.join(quoted)}\n"
        return read(checkins=text, **(files or {}))

    return _read


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Make a log that can be added to, of the files given as ``name=text or bytes``."""

    def _make(**files: str | bytes) -> Log:
        folder = tmp_path / "log"
        folder.mkdir(exist_ok=True)
        write_tables(folder, {"tanks": TWO_TANKS, "checkins": CHECKINS, "events": EVENTS} | files)
        return Log(folder)

    return _make
