"""Changing a logbook's tables: each final row is read before anything is written."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from maturity_model.catalogue import Catalogue
from maturity_model.identity import fold
from maturity_model.logbook.begin import table_columns
from maturity_model.logbook.checkins import read_checkins
from maturity_model.logbook.columns import Table
from maturity_model.logbook.csv_text import CsvText, CsvTextError
from maturity_model.logbook.entries import BACKUPS, LOCK, REQUIRED, WORKBOOKS
from maturity_model.logbook.events import EVENT_COLUMNS, read_events
from maturity_model.logbook.files import MAX_BYTES, RawTable, decode, find_separator
from maturity_model.logbook.formulas import without_formula
from maturity_model.logbook.problems import Collector, LogbookError, shown
from maturity_model.logbook.read import Reader
from maturity_model.logbook.types import CheckIn, Event, Problem
from maturity_model.whole_files import LockedError, locked, remove_leftovers, write_file

#: Seconds to wait for another process that is changing the logbook.
PATIENCE = 30.0
#: Older copies of a table are removed.
MAX_BACKUPS = 20
#: Tables with entries, which are added and corrected one by one.
TABLES = ("checkins", "events")
#: How sheets become files that can be changed.
TO_FILES = "turn it into CSV files with `maturity-model tables {} NEW-FOLDER`"
_FREE_TEXT = {"tank", "observer", "note"}


class EditError(ValueError):
    """Nothing was changed; each of ``lines`` gives one reason, with its place and remedy."""

    def __init__(self, *lines: str):
        self.lines = lines
        super().__init__("; ".join(lines[:5]))


@contextmanager
def editing(
    logbook: str | os.PathLike[str], catalogue: Catalogue | None, today: dt.date | None
) -> Iterator[LogEdit]:
    """Read a logbook, a folder of CSV files, and keep other programs from changing it meanwhile.

    Raises
    ------
    EditError
        When it cannot be read.
    LockedError
        When another process was changing it for half a minute.
    """
    folder = Path(logbook)
    if not folder.is_dir():
        if fold(folder.suffix) in WORKBOOKS:
            mend = f"{TO_FILES.format(shown(folder.name))}, and give that folder"
            raise EditError(f"{shown(folder.name)}: is a workbook; {mend}")
        raise EditError(f"{shown(str(folder))}: is not a folder; give the one with tanks.csv")
    busy = LockedError("another program is changing this logbook; try again later")
    with locked(folder / LOCK, busy, PATIENCE):
        try:
            yield LogEdit(folder, catalogue, today)
        except LogbookError as error:
            raise EditError(*map(str, error.problems)) from None


class TableEdit:
    """One table that is being changed: its text, and how a row of it will be read.

    ``columns`` are added where the table lacks them; ``new_columns`` are those. ``before`` is the
    file as it was read, None without one. Raises EditError when it cannot be changed, or may not
    have one of the columns.
    """

    def __init__(self, reader: Reader, name: str, path: Path, columns: Collection[str]):
        self.path, self.file = path, shown(path.name)
        self.before = reader.files.csv[name][1] if name in reader.files.csv else None
        self._reader, self._name = reader, name
        if name in reader.files.paths and self.before is None:
            raise EditError(f"{self.file}: cannot be read; check it with the command weekly")
        if name not in reader.files.paths and name in reader.sheets:
            mend = f"{TO_FILES.format(shown(reader.path.name))}, and use that folder"
            raise EditError(f"{reader.sheets[name].file}: stands in a workbook; {mend}")
        self._known = table_columns(reader.context.catalogue)[name]
        if unknown := [c for c in columns if c not in self._known]:
            what = f"{shown(unknown[0])!r} is not a column of {self.file}"
            raise EditError(f"{what}; write one of {', '.join(self._known)}")
        wanted = {*columns, *(EVENT_COLUMNS[:-1] if name == "events" else ())}
        order = [c for c in self._known if c in wanted]
        data = self.before or (",".join(order) + "\n").encode()
        try:
            decoded = decode(self.file, data, Collector()) or ""
            self.text = CsvText(data, find_separator(decoded, frozenset(self._known)))
            have = self.text.places
            if lacking := [c for c in REQUIRED[name] if c not in have]:
                raise CsvTextError(f"has no column {lacking[0]}; add it first")
            self.new_columns = tuple(c for c in order if c not in have)
            self.text.add_columns(self.new_columns)
        except CsvTextError as error:
            raise EditError(f"{self.file}: {error}") from None

    def compose(self, cells: Sequence[str], new: Mapping[str, str]) -> list[str]:
        """Put cells, by column, over those of a row; text is kept from being a formula."""
        safe = {c: without_formula(text) if c in _FREE_TEXT else text for c, text in new.items()}
        return self.text.overlaid(cells, safe)

    def read_row(
        self, cells: Sequence[str], stated: Collection[str], file: str, line: int
    ) -> CheckIn | Event:
        """Read a row as it is going to stand in the log.

        ``stated`` are the columns whose faults forbid the row (others were there before); ``file``
        and ``line`` say where its words come from. Raises EditError when the row, or a cell that is
        stated, could not be used.
        """
        problems = Collector()
        context = self._reader.context.reporting_to(problems)
        raw = RawTable(self._name, file, line, self.text.header, iter([(line, list(cells))]))
        one = Table(raw, self._known, context)
        entries: Sequence[CheckIn | Event]
        if self._name == "events":
            entries = read_events(one)
        else:
            entries = read_checkins(one, self._reader.kits)
        found = problems.all()
        faults = [p for p in found if p.severity == "error" and (
            p.scope == "row" or (p.scope == "cell" and p.column in stated))]  # fmt: skip
        if faults or not entries:
            raise EditError(*map(str, faults or found))
        return entries[0]


class LogEdit:
    """One change of a logbook.

    ``reader`` read it with the check-ins of a day apart: rows are changed, not days. ``entries``
    are the check-ins and events that could be used, ``tables`` those that were opened, by table.
    """

    def __init__(self, folder: Path, catalogue: Catalogue | None, today: dt.date | None):
        self.folder, self._read_with = folder, (catalogue, today)
        self.reader = Reader(folder, catalogue, today, one_look_a_day=False)
        self.book = self.reader.read()
        self.entries: dict[str, tuple[CheckIn | Event, ...]] = {
            "checkins": self.book.checkins,
            "events": self.book.events,
        }
        self.tables: dict[str, TableEdit] = {}
        self._paths = {
            t: self.reader.files.paths.get(t, folder / f"{t}.csv")
            for t in ("tanks", "kits", *TABLES)
        }
        for path in self._paths.values():
            remove_leftovers(path.resolve().parent, path.resolve().name)
        remove_leftovers(folder / BACKUPS)

    def open(self, name: str, columns: Collection[str]) -> TableEdit:
        """Open a table to change it; see :class:`TableEdit`."""
        self.tables[name] = TableEdit(self.reader, name, self._paths[name], columns)
        return self.tables[name]

    def write(self) -> tuple[str, ...]:
        """Write the tables that changed, each as a whole; return the copies of the old ones.

        Raises
        ------
        EditError
            When a row would not be read again, or another program changed a table.
        OSError
            When a file cannot be written. Each file is then the old or the new one.
        """
        changed = {name: table for name, table in self.tables.items() if table.text.changed}
        fresh = {name: table.text.to_bytes() for name, table in changed.items()}
        for name, data in fresh.items():
            if len(data) > MAX_BYTES:
                what = f"would be larger than {MAX_BYTES >> 20} MB"
                raise EditError(f"{changed[name].file}: {what}; split the logbook")
        self._read_again(fresh)
        for table in changed.values():
            if (table.path.read_bytes() if table.path.exists() else None) != table.before:
                raise EditError(f"{table.file}: was changed by another program; try again")
        backups = [
            self._backup(name, table.before)
            for name, table in changed.items()
            if table.before is not None
        ]
        for name, table in changed.items():
            write_file(table.path.resolve(), fresh[name], durable=True)
        return tuple(backups)

    def _read_again(self, fresh: Mapping[str, bytes]) -> None:
        """Read the new tables as the weekly command would; no row may get lost by a change."""
        if not fresh:
            return
        reader = Reader(self.folder, *self._read_with, one_look_a_day=False)
        for name, data in fresh.items():
            reader.files.csv[name] = (self.tables[name].file, data)
        after = reader.read()
        refused = {count.file: count.refused for count in self.book.rows}
        for name in fresh:
            file = self.tables[name].file
            now = next(count.refused for count in after.rows if count.file == file)
            if now > refused.get(file, 0):
                new = [str(p) for p in after.problems if _is_new(p, file, self.book.problems)]
                raise EditError(*new or [f"{file}: a row would not be read again; report this"])

    def _backup(self, table: str, data: bytes) -> str:
        """Keep the table as it was."""
        folder = self.folder / BACKUPS
        folder.mkdir(exist_ok=True)
        stamp = dt.datetime.now().strftime("%Y-%m-%d-%H%M%S")
        digest = hashlib.sha256(data).hexdigest()[:8]
        kept = sorted(p for p in folder.glob(f"{table}-*.csv") if p.is_file())
        if kept and kept[-1].stem.endswith(digest):
            path = kept[-1]
        else:
            path = folder / f"{table}-{stamp}-{digest}.csv"
            write_file(path, data, durable=True)
            for old in kept[: max(0, len(kept) + 1 - MAX_BACKUPS)]:
                old.unlink(missing_ok=True)
        return f"{BACKUPS}/{path.name}"


def _is_new(problem: Problem, file: str, before: Iterable[Problem]) -> bool:
    """Whether a row was not refused before, wherever it stood."""
    if problem.file != file or problem.scope != "row" or problem.severity != "error":
        return False
    return all(
        (p.file, p.column, p.value, p.what) != (file, problem.column, problem.value, problem.what)
        for p in before
    )
