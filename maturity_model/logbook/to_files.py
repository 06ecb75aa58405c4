"""A workbook as CSV files, which ``add`` can change; the log stays the same, row for row."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

from maturity_model.catalogue import Catalogue
from maturity_model.logbook.begin import BeginError, csv_text, make_files
from maturity_model.logbook.columns import cell_text
from maturity_model.logbook.entries import TABLES
from maturity_model.logbook.files import BadRow, RawTable, normal
from maturity_model.logbook.formulas import without_formula
from maturity_model.logbook.problems import Collector, LogbookError
from maturity_model.logbook.read import Reader, read_logbook
from maturity_model.logbook.sheets import read_sheets
from maturity_model.logbook.types import Logbook

_FREE_TEXT = {"tank", "keeper", "club", "observer", "note"}


class NotTheSameError(ValueError):
    """The files would not hold the same log as the workbook; nothing was made."""


def to_files(
    source: Path,
    folder: Path,
    *,
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> tuple[list[Path], list[str]]:
    """Write the tables of a logbook as CSV files into a new folder.

    Parameters
    ----------
    source : Path
        A workbook, or a folder with one; text tables beside it are copied as they are.
    folder : Path
        Made if it is not there.
    catalogue : Catalogue, optional
    today : date, optional

    Returns
    -------
    made : list of Path
    left : list of str
        Sheets and files that are not part of the log, and stay behind.

    Raises
    ------
    BeginError
        When ``folder`` holds a logbook already, or ``source`` no workbook.
    LogbookError
        When the source, or a sheet that may be part of the log, cannot be read.
    NotTheSameError
    OSError
    """
    reader = Reader(source, catalogue, today)
    book = reader.read()
    if not reader.files.books:
        raise BeginError(f"{source} holds no workbook: its tables are text files already")
    if refused := book.account.names("refused"):
        unread = (p for p in book.problems if p.file in refused and p.scope == "file")
        raise LogbookError(tuple(unread))
    comma = reader.context.decimal == "comma"
    content: dict[str, str | bytes] = {}
    for name, data in reader.files.books:
        for table, sheet in read_sheets(name, data, Collector()).items():
            content.setdefault(f"{table}.csv", _text(sheet, comma))
    for table, (_, data) in reader.files.csv.items():
        content[f"{table}.csv"] = data
    trial = Path(tempfile.mkdtemp())
    try:
        make_files(trial / "log", content)
        if _entries(read_logbook(trial / "log", catalogue, today=today)) != _entries(book):
            raise NotTheSameError("its files would be read otherwise than its sheets; report this")
    except LogbookError as error:
        raise NotTheSameError(f"its files could not be read: {error}") from None
    finally:
        shutil.rmtree(trial)
    order = sorted(content, key=lambda name: TABLES.index(name.removesuffix(".csv")))
    made = make_files(folder, {name: content[name] for name in order})
    return made, book.account.names("set aside")


def _text(sheet: RawTable, comma: bool) -> str:
    names = [cell_text(c, False).strip() for c in sheet.header]
    guarded = {i for i, name in enumerate(names) if normal(name) in _FREE_TEXT}
    rows = [names]
    for _, cells in sheet.rows:
        if not isinstance(cells, BadRow):
            texts = [cell_text(c, comma).strip() for c in cells]
            rows.append([without_formula(t) if i in guarded else t for i, t in enumerate(texts)])
    return csv_text(rows)


def _entries(book: Logbook) -> object:
    """What a log says, without the places where it says so."""
    return (
        [replace(tank, line=0) for tank in book.tanks.values()],
        [replace(c, file="", line=0) for c in book.checkins],
        [replace(e, file="", line=0) for e in book.events],
        book.kits,
        book.refused_tanks,
        sum(count.refused for count in book.rows),
    )
