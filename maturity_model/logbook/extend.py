"""Tanks and kits that join a logbook, by the same change as check-ins: whole, with a backup."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from dataclasses import replace

from maturity_model.catalogue import Catalogue
from maturity_model.logbook.begin import (
    BeginError,
    NewKit,
    NewTank,
    check_kit,
    check_tank,
    row_cells,
)
from maturity_model.logbook.edit import EditError, LogEdit, editing
from maturity_model.logbook.entries import REQUIRED
from maturity_model.logbook.kit_table import KIT_COLUMNS
from maturity_model.logbook.problems import shown
from maturity_model.logbook.read import Reader


def reader_to_extend(logbook: str | os.PathLike[str], table: str) -> Reader:
    """Read a logbook to ask for rows of one table, before :func:`add_tanks`.

    Raises
    ------
    EditError
        When that table cannot be changed.
    """
    with editing(logbook, None, None) as edit:
        edit.open(table, REQUIRED[table])
        return edit.reader


def add_tanks(
    logbook: str | os.PathLike[str],
    rows: Sequence[NewTank],
    *,
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> tuple[str, ...]:
    """Add tanks to a logbook; return the copies of the table as it was, relative to it.

    Raises
    ------
    EditError
        When a row cannot be used, or there is such a tank. The log then stays as it was.
    LockedError, OSError
        As for :func:`maturity_model.logbook.add.add_file`.
    """
    with editing(logbook, catalogue, today) as edit:
        context = edit.reader.context.apart()
        try:
            started = [check_tank(row, context).started.isoformat() for row in rows]
        except BeginError as error:
            raise EditError(str(error)) from None
        dated = [replace(r, started=day) for r, day in zip(rows, started, strict=True)]
        return _append(edit, "tanks", dated)


def add_kits(
    logbook: str | os.PathLike[str],
    rows: Sequence[NewKit],
    *,
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> tuple[str, ...]:
    """Add kits to a logbook; see :func:`add_tanks`.

    A second kit of one keeper for one analyte is refused, and so is one of a keeper whom the
    log does not know.
    """
    with editing(logbook, catalogue, today) as edit:
        reader, people = edit.reader, edit.reader.context.people
        known = []
        for row in rows:
            keeper = people.same(row.keeper) if row.keeper else ""
            if keeper is None:
                raise EditError(
                    f"{shown(row.keeper)!r} keeps no tank of this log, and looked at none"
                )
            try:
                kit = check_kit(row, reader.context.apart())
            except BeginError as error:
                raise EditError(str(error)) from None
            if line := reader.kits.lines.get((keeper, kit.analyte)):
                whose = f"{shown(keeper)}'s" if keeper else "everybody's"
                what = f"kits.csv, line {line}: is {whose} kit for {kit.analyte} already"
                mend = "change that line by hand; it counts for older readings too"
                raise EditError(f"{what}; {mend}")
            unit = row.unit or kit.unit
            known.append(replace(row, keeper=keeper, analyte=kit.analyte, unit=unit))
        return _append(edit, "kits", known)


def _append(edit: LogEdit, name: str, rows: Sequence[NewTank | NewKit]) -> tuple[str, ...]:
    cells = [{c: text for c, text in row_cells(row).items() if text} for row in rows]
    columns = {column for row in cells for column in row}
    if name == "kits" and name not in edit.reader.files.paths:
        columns |= {*KIT_COLUMNS}
    table = edit.open(name, columns)
    for row in cells:
        table.text.append(table.compose([], row))
    return edit.write()
