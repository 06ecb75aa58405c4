"""What a command that reads a logbook says of its problems, and the exit code they lead to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.cli.common import DONE, LOG_ERRORS, MAX_LISTED, refuse, say_first

if TYPE_CHECKING:
    from maturity_model.logbook import Logbook, Problem

#: Columns of names: one that is read although it is written differently is listed too.
_NAMES = ("tank", "keeper", "observer", "club")


def list_problems(logbook: Logbook) -> None:
    """List errors, and names that are read although they are written differently."""
    problems = [p for p in logbook.problems if p.severity == "error" or p.column in _NAMES]
    say_first(problems, "more problems; the command weekly lists all")


def log_errors(logbook: Logbook, as_of: dt.date, done: str) -> int:
    """Say what the answers lack; the exit code. Refused tanks were not ``done``, say 'scored'."""
    if logbook.refused_tanks:
        names = ", ".join(logbook.refused_tanks[:MAX_LISTED])
        return refuse(f"not {done}, because of errors in the log: {names}", LOG_ERRORS)
    if refused := logbook.refused_lately(as_of):
        return refuse(f"the answers lack {_lacking(refused)}", LOG_ERRORS)
    return DONE


def _lacking(refused: Sequence[Problem]) -> str:
    """Count what was refused, and name the first of it."""
    from maturity_model.report.wording import plural

    files = len({p.file for p in refused if p.scope in ("file", "logbook")})
    counts = [plural(files, "file or sheet", "files or sheets")] if files else []
    for scope, name in (("column", "column"), ("row", "recent row"), ("cell", "recent cell")):
        if count := sum(p.scope == scope for p in refused):
            counts.append(plural(count, name))
    return f"{', '.join(counts)} of the log, {refused[0].place} first"
