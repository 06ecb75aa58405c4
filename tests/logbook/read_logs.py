"""What the tests of reading share."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from maturity_model.logbook import Logbook, LogbookError, Problem, read_logbook

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


def check_reads_or_says_why(path: Path) -> None:
    """Anything but a LogbookError with problems, or a logbook that adds up, fails."""
    problems = None
    try:
        book = read_logbook(path, today=TODAY)
    except LogbookError as error:
        problems = error.problems
    if problems is None:
        assert all(c.read == c.used + c.refused for c in book.rows)
    else:
        assert all(p.what and p.mend for p in problems)
        assert problems


def fates(book: Logbook) -> dict[str, str]:
    """What became of each file and sheet."""
    return {e.name: e.fate for e in book.account.entries}
