"""What the entries of a logbook are, by their names: a table, nearly one, or something else."""

from __future__ import annotations

import re
from difflib import get_close_matches

from maturity_model.identity import fold, look_alike

#: Names of the tables, in the order in which they are read.
TABLES = ("logbook", "signs", "tanks", "kits", "checkins", "events")
#: What this program itself puts beside the tables.
README, BACKUPS, LOCK = "README.txt", "backup", ".maturity-model.lock"
OWN_FILES = (README, BACKUPS, LOCK)
#: Endings of tables as text, and of workbooks.
TEXTS = (".csv", ".tsv")
WORKBOOKS = (".xlsx", ".xlsm", ".ods", ".xls")
#: Workbooks that are not read, whatever their names.
UNREAD_WORKBOOKS = (".xlsb", ".numbers", ".gsheet")
#: Endings that a table gets by being opened, packed or kept by another program.
_ALSO = ("txt", "tab", "bak", "old", "orig", "tmp", "gz", "zip", "fods")
_ENDINGS = {e[1:] for e in (*TEXTS, *WORKBOOKS, *UNREAD_WORKBOOKS)} | set(_ALSO)


def nearly_a_table(name: str, *, is_sheet: bool = False) -> str | None:
    """Return the table that a file or sheet was probably meant for.

    Parameters
    ----------
    name : str
        Of a file, with its endings, or of a sheet.
    is_sheet : bool

    Returns
    -------
    str or None
        One of :data:`TABLES` for ``event.csv``, ``events.csv.txt``, ``Check-ins``, ``Copy of
        events``, ``events (1).csv`` and the like; None where the name has nothing to do with
        a table, or the ending cannot hold one.
    """
    words = re.findall(r"[^\W\d_]+", fold(name))
    endings = [] if is_sheet else [e.rstrip("~") for e in fold(name).split(".")[1:]]
    if endings and not _ENDINGS.intersection(endings):
        return None  # a photograph, a letter
    words = [w for w in words if is_sheet or w not in _ENDINGS]
    whole = "".join(words)
    candidates = [whole]
    if is_sheet or {"csv", "tsv"}.intersection(endings):
        # A copy: what other programs add stands before or behind the name.
        candidates += [*words[:1], *words[-1:], "".join(words[:2]), "".join(words[-2:])]
    for candidate in candidates:
        for table in TABLES:
            if candidate == table or (not candidate.isascii() and look_alike(candidate, table)):
                return table
    return next(iter(get_close_matches(whole, TABLES, 1, 0.8)), None)
