"""What was not read of a logbook and may hold a keeper's no.

A no that stands in a refused row, a second table or under a misspelled column name cannot be
matched to its tank with certainty, so the whole logbook waits until its keeper has mended it.
"""

from __future__ import annotations

import re
from difflib import get_close_matches

from maturity_model.identity import fold, skeletons
from maturity_model.logbook import Logbook, Problem
from maturity_model.logbook.entries import nearly_a_table
from maturity_model.logbook.files import normal
from maturity_model.logbook.problems import MAX_SHOWN, shown
from maturity_model.logbook.tanks import TANK_COLUMNS

#: A column or file whose name holds one of these may say whether a tank may be pooled,
_WORDS = ("consent", "permission", "pool", "share")
#: and so may one with a word this close to one of these (0.75 passes "concent", not "comment").
_NEAR, _CLOSENESS = ("consent", "permission"), 0.75


def unread_consent(book: Logbook) -> Problem | None:
    """Find the first thing that was not read and may hold a no; None where there is none.

    Such are files, sheets and rows of a tanks table, its columns that are nameless, doubled or
    named like ``consent``, and files and sheets that could be any table. A cell of the column
    ``consent`` that cannot be read is not among them: it counts as a no of its tank.
    """
    itself = shown(book.path.name)
    found = [p for p in book.problems if _may_hold_a_no(p, itself)]
    # A row says more than that its table holds none that can be used.
    return min(found, key=lambda p: p.scope != "row", default=None)


def _may_hold_a_no(problem: Problem, itself: str) -> bool:
    if problem.scope in ("file", "logbook"):
        return problem.file != itself and _may_be_tanks(problem)
    if problem.table != "tanks" or problem.severity != "error":
        return False
    return problem.scope == "row" or (
        problem.scope == "column" and _column_may_ask(problem.column or "")
    )


def _may_be_tanks(problem: Problem) -> bool:
    """Whether a file or sheet that was not read, or not to its end, may be a tanks table."""
    name, _, sheet = problem.file.partition("!")
    if problem.severity == "settled":  # read all the same, or no part of the logbook
        return not problem.table and _asks(sheet or name)
    _, _, name = name.rpartition("/")  # of a file in a folder of the logbook
    meant = problem.table or nearly_a_table(sheet or name, is_sheet=bool(sheet))
    return meant in ("tanks", None)


def _column_may_ask(column: str) -> bool:
    # Without a name, or with one that is cut off in the problem, it may be any column.
    unnamed = re.fullmatch(r"number \d+", column) or len(column) >= MAX_SHOWN
    return bool(unnamed) or normal(column) in TANK_COLUMNS or _asks(column)


def _asks(name: str) -> bool:
    if any(word in shape for word in _WORDS for shape in (fold(name), *skeletons(name))):
        return True
    words = re.findall(r"[^\W\d_]+", fold(name))
    return any(get_close_matches(word, _NEAR, 1, _CLOSENESS) for word in words)
