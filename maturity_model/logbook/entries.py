"""What the entries of a logbook are, by their names: a table, nearly one, or something else."""

from __future__ import annotations

import re
from difflib import get_close_matches

from maturity_model.identity import fold, look_alike

#: Names of the tables, in the order in which they are read.
TABLES = ("logbook", "signs", "tanks", "kits", "checkins", "events")
#: Columns without which a table cannot be read.
REQUIRED = {
    "logbook": ("setting", "value"),
    "signs": ("sign",),
    "tanks": ("tank", "started"),
    "kits": ("analyte",),
    "checkins": ("tank", "date"),
    "events": ("tank", "date", "event"),
}
#: How the tables of a report begin, which may lie beside the log.
_REPORT = ["tank", "week", "date"]
#: What this program itself puts beside the tables.
README, BACKUPS, LOCK, PHOTOS = "README.txt", "backup", ".maturity-model.lock", "photos"
OWN_FILES = (README, BACKUPS, LOCK, PHOTOS)
#: Endings of tables as text, and of workbooks.
TEXTS = (".csv", ".tsv")
WORKBOOKS = (".xlsx", ".xlsm", ".ods", ".xls")
#: Workbooks that are not read, whatever their names.
UNREAD_WORKBOOKS = (".xlsb", ".numbers", ".gsheet")
#: Endings that a table gets by being opened, packed or kept by another program.
_ALSO = ("txt", "tab", "bak", "old", "orig", "tmp", "gz", "zip", "fods")
#: Endings of what may hold a table as a text; the name must be exactly a table's.
_DOCUMENTS = ("md", "json", "xml", "yaml", "yml", "doc", "docx", "odt", "rtf", "pdf")
_ENDINGS = {e[1:] for e in (*TEXTS, *WORKBOOKS, *UNREAD_WORKBOOKS)} | set(_ALSO)


def table_by_header(names: list[str]) -> str | None:
    """Return the table that has all it needs under these column names, written as normal."""
    if names[:3] == _REPORT:
        return None
    return next((t for t in reversed(TABLES) if set(REQUIRED[t]) <= set(names)), None)


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
    stem, *endings = [e.rstrip("~") for e in ([fold(name)] if is_sheet else fold(name).split("."))]
    if stem in TABLES and set(endings) & set(_DOCUMENTS):
        return stem
    words = re.findall(r"[^\W\d_]+", fold(name))
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
