"""What the tests of reading share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from maturity_model.logbook import Logbook, Problem

TODAY = dt.date(2026, 12, 31)
Read = Callable[..., Logbook]


def write_tables(folder: Path, files: dict[str, str | bytes]) -> None:
    for name, content in files.items():
        data = content.encode() if isinstance(content, str) else content
        (folder / f"{name}.csv").write_bytes(data)


def errors(book: Logbook) -> list[Problem]:
    return [p for p in book.problems if p.severity == "error"]


def settled(book: Logbook) -> list[Problem]:
    return [p for p in book.problems if p.severity == "settled"]


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, problems
    return problems[0]


def fates(book: Logbook) -> dict[str, str]:
    """What became of each file and sheet."""
    return {e.name: e.fate for e in book.account.entries}
