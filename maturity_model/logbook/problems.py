"""Collecting what is wrong in a logbook, one line each."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import NamedTuple

from maturity_model.logbook.types import Entry, Problem, Scope, Severity

#: Longest value shown in a problem.
MAX_SHOWN = 80
#: Problems that the message of an error lists.
_MAX_LISTED = 40


class Fault(NamedTuple):
    """Why a text cannot be used, and how to mend it."""

    what: str
    mend: str


class LogbookError(ValueError):
    """Nothing of a logbook can be read.

    Attributes
    ----------
    problems : tuple of Problem
        At least one.
    """

    def __init__(self, problems: tuple[Problem, ...]):
        self.problems = problems
        lines = [str(p) for p in problems if p.severity == "error"]
        if len(lines) > _MAX_LISTED:
            lines[_MAX_LISTED:] = [f"... and {len(lines) - _MAX_LISTED} more problems"]
        super().__init__("\n".join(lines))


def shown(text: str) -> str:
    """Return ``text`` fit for a message: printable, at most 80 characters."""
    if len(text) > MAX_SHOWN:
        text = text[: MAX_SHOWN - 1] + "…"
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


class Collector:
    """Problems of one reading of a logbook, given back in file order."""

    def __init__(self) -> None:
        self._ranked: list[tuple[int, int, Problem]] = []
        self._order: dict[str, int] = {}
        self._counts: Counter[str] = Counter()
        #: By file, column and rule: first line, value and remedy, and how often it was used.
        self._settled: dict[tuple[str, str, str], tuple[int, str, str]] = {}
        self._uses: Counter[tuple[str, str, str]] = Counter()
        self._tables: dict[str, str] = {}
        self._found: list[str] = []
        self._aside: dict[str, str] = {}

    def found(self, file: str) -> None:
        """Enter a file or sheet into the account; it counts as used until a problem refuses it."""
        self._found.append(file)

    def set_aside(self, file: str, why: str) -> None:
        """Say that a file or sheet has nothing to do with the logbook."""
        self._aside[file] = why

    def entries(self) -> tuple[Entry, ...]:
        """Return what became of each file and sheet."""
        refused = {
            p.file: p.what
            for _, _, p in reversed(self._ranked)
            if p.severity == "error" and p.scope in ("file", "logbook")
        }

        def entry(file: str) -> Entry:
            if file in refused:
                return Entry(file, "refused", refused[file])
            return Entry(file, *(("set aside", self._aside[file]) if file in self._aside else ()))

        return tuple(map(entry, self._found))

    def begin(self, file: str, table: str = "") -> None:
        """Place a file in the order; one that is never begun stands at its first problem."""
        self._order.setdefault(file, len(self._order))
        self._tables[file] = table

    def add(
        self,
        severity: Severity,
        scope: Scope,
        file: str,
        line: int | None,
        column: str | None,
        value: str,
        fault: Fault,
        tank: str | None = None,
        date: dt.date | None = None,
        withholds: bool = False,
    ) -> None:
        """Add one problem."""
        column = None if column is None else shown(column)
        problem = Problem(
            severity, scope, file, line, column, shown(value), *fault,
            tank=tank, table=self._tables.get(file, ""), date=date, withholds=withholds,
        )  # fmt: skip
        rank = self._order.setdefault(file, len(self._order))
        self._ranked.append((rank, line or 0, problem))
        self._counts[file] += 1

    def count(self, file: str) -> int:
        """Return how many problems a file has so far."""
        return self._counts[file]

    def logbook(self, file: str, what: str, mend: str) -> None:
        """Add an error of the logbook as a whole."""
        self.add("error", "logbook", file, None, None, "", Fault(what, mend))

    def file(
        self, file: str, what: str, mend: str, *, line: int | None = None, value: str = ""
    ) -> None:
        """Add an error of a file, all or the rest of which is not used."""
        self.add("error", "file", file, line, None, value, Fault(what, mend))

    def second(self, file: str, table: str, first: str) -> None:
        """Refuse a file or sheet of a table that was found already."""
        beside = f" beside {first}" if first else ""
        what = f"is a second {table} table{beside} and is not read"
        mend = "move the rows that only it holds into the other, and remove it"
        self.logbook(file, what, mend)

    def settle_file(self, file: str, what: str, mend: str) -> None:
        """Add how a file is read, or that it is not."""
        self.add("settled", "file", file, None, None, "", Fault(what, mend))

    def row(
        self,
        file: str,
        line: int,
        column: str | None,
        value: str,
        fault: Fault,
        tank: str | None = None,
        date: dt.date | None = None,
    ) -> None:
        """Add a row that is not used; ``date`` is the day it is about, where that can be read."""
        fault = fault._replace(what=f"{fault.what}, so the row is not used")
        self.add("error", "row", file, line, column, value, fault, tank, date)

    def settle(self, file: str, line: int, column: str, value: str, how: str, mend: str) -> None:
        """Count one use of a rule; each (file, column, rule) makes one problem in the end."""
        self._settled.setdefault((file, column, how), (line, value, mend))
        self._uses[file, column, how] += 1

    def all(self) -> tuple[Problem, ...]:
        """Return every problem: by file in reading order, then by line."""
        for rule, (line, value, mend) in self._settled.items():
            file, column, how = rule
            times = self._uses[rule]
            what = how if times == 1 else f"{how} ({times} times, here first)"
            self.add("settled", "cell", file, line, column, value, Fault(what, mend))
        self._settled.clear()
        self._uses.clear()
        return tuple(p for _, _, p in sorted(self._ranked, key=lambda ranked: ranked[:2]))
