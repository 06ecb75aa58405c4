"""Changing a logbook's check-ins and events: each final row is read before anything is written."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.identity import fold
from maturity_model.logbook.begin import table_columns
from maturity_model.logbook.checkins import read_checkins
from maturity_model.logbook.columns import Table
from maturity_model.logbook.csv_text import CsvText, CsvTextError
from maturity_model.logbook.entries import BACKUPS, LOCK, WORKBOOKS
from maturity_model.logbook.events import EVENT_COLUMNS, read_events
from maturity_model.logbook.files import MAX_BYTES, RawTable, decode, find_separator, normal
from maturity_model.logbook.formulas import without_formula
from maturity_model.logbook.problems import Collector, LogbookError, shown
from maturity_model.logbook.read import Reader
from maturity_model.logbook.types import CheckIn, Event, Problem
from maturity_model.whole_files import LockedError, locked, remove_leftovers, write_file

#: Seconds to wait for another process that is changing the logbook.
PATIENCE = 30.0
#: Older copies of a table are removed.
MAX_BACKUPS = 20
TABLES = ("checkins", "events")
_NEEDED = {"checkins": ("tank", "date"), "events": ("tank", "date", "event")}
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
            mend = "save each of its sheets as a CSV file in one folder, and give that folder"
            raise EditError(f"{shown(folder.name)}: is a workbook; {mend}")
        raise EditError(f"{shown(str(folder))}: is not a folder; give the one with tanks.csv")
    busy = LockedError("another program is changing this logbook; try again later")
    with locked(folder / LOCK, busy, PATIENCE):
        yield LogEdit(folder, catalogue or load_catalogue(), today or dt.date.today())


class LogEdit:
    """One change of a logbook.

    Attributes
    ----------
    reader : Reader
        As the logbook was read, with the check-ins of a day apart: rows are changed, not days.
    book : Logbook
    """

    def __init__(self, folder: Path, catalogue: Catalogue, today: dt.date):
        self.folder, self._catalogue, self._today = folder, catalogue, today
        try:
            self.reader = self._reader()
            self.book = self.reader.read()
        except LogbookError as error:
            raise EditError(*map(str, error.problems)) from None
        self._paths = {
            table: self.reader.files.paths.get(table, folder / f"{table}.csv") for table in TABLES
        }
        for path in self._paths.values():
            remove_leftovers(path.resolve().parent, path.resolve().name)
        remove_leftovers(folder / BACKUPS)
        self._usual = table_columns(self.reader.context.catalogue)
        self._texts: dict[str, CsvText] = {}
        #: By table: its bytes as read, or None without a file.
        self._before: dict[str, bytes | None] = {}
        self._new_columns: dict[str, tuple[str, ...]] = {}
        self._changed: set[str] = set()

    def _reader(self) -> Reader:
        return Reader(self.folder, self._catalogue, self._today, one_look_a_day=False)

    def file(self, table: str) -> str:
        """Name of a table's file, for messages."""
        return shown(self._paths[table].name)

    def text(self, table: str) -> CsvText:
        """Text of a table that is open."""
        return self._texts[table]

    def new_columns(self, table: str) -> tuple[str, ...]:
        """Columns that a table that changed did not have before."""
        return self._new_columns[table] if table in self._changed else ()

    def known_columns(self, table: str) -> tuple[str, ...]:
        """Columns that a table may have, in their usual order."""
        return self._usual[table]

    def open(self, table: str, columns: Collection[str]) -> CsvText:
        """Return the text of a table, with these columns at least; it is made where it lacks."""
        reader, file = self.reader, self.file(table)
        if table in reader.files.paths and table not in reader.files.csv:
            raise EditError(f"{file}: cannot be read; check it with the command weekly")
        if table not in reader.files.paths and table in reader.sheets:
            what = "stands in a workbook; save its sheets as CSV files instead of it"
            raise EditError(f"{reader.sheets[table].file}: {what}")
        wanted = {*columns, *((*EVENT_COLUMNS[:-1],) if table == "events" else ())}
        order = [c for c in self._usual[table] if c in wanted]
        self._before[table] = reader.files.csv[table][1] if table in reader.files.csv else None
        data = self._before[table] or (",".join(order) + "\n").encode()
        try:
            decoded = decode(file, data, Collector()) or ""
            text = CsvText(data, find_separator(decoded, frozenset(self._usual[table])))
            have = set(map(normal, text.header))
            if lacking := [c for c in _NEEDED[table] if c not in have]:
                raise CsvTextError(f"has no column {lacking[0]}; add it first")
            self._new_columns[table] = tuple(c for c in order if c not in have)
            text.add_columns(self._new_columns[table])
        except CsvTextError as error:
            raise EditError(f"{file}: {error}") from None
        self._texts[table] = text
        return text

    def compose(self, table: str, cells: Sequence[str], new: Mapping[str, str]) -> list[str]:
        """Put cells, by column, over those of a row; text is kept from being a formula."""
        safe = {c: without_formula(text) if c in _FREE_TEXT else text for c, text in new.items()}
        return self._texts[table].overlaid(cells, safe)

    def read_row(
        self, table: str, cells: Sequence[str], stated: Collection[str], file: str, line: int
    ) -> CheckIn | Event:
        """Read a row as it is going to stand in the log.

        Parameters
        ----------
        table : str
        cells : sequence of str
            By the columns of the table.
        stated : collection of str
            Columns whose faults forbid the row; others were there before.
        file, line
            Where its words come from, for messages.

        Raises
        ------
        EditError
            When the row, or a cell that is stated, could not be used.
        """
        problems = Collector()
        context = self.reader.context.reporting_to(problems)
        rows = iter([(line, list(cells))])
        raw = RawTable(table, file, line, self._texts[table].header, rows)
        one = Table(raw, self._usual[table], _NEEDED[table], problems,
                    date_order=context.date_order)  # fmt: skip
        entries: Sequence[CheckIn | Event]
        if table == "events":
            entries = read_events(context, one)
        else:
            entries = read_checkins(context, one, self.reader.kits)
        found = problems.all()
        faults = [p for p in found if p.severity == "error" and (
            p.scope == "row" or (p.scope == "cell" and p.column in stated))]  # fmt: skip
        if faults or not entries:
            raise EditError(*map(str, faults or found))
        return entries[0]

    def append(self, table: str, cells: Sequence[str]) -> None:
        """Add a row."""
        self._texts[table].append(cells)
        self._changed.add(table)

    def replace(self, table: str, line: int, cells: Sequence[str]) -> None:
        """Replace the row that begins in ``line``."""
        self._texts[table].replace(line, cells)
        self._changed.add(table)

    def remove(self, table: str, line: int) -> None:
        """Remove the row that begins in ``line``."""
        self._texts[table].remove(line)
        self._changed.add(table)

    def write(self) -> tuple[str, ...]:
        """Write the tables that changed, each as a whole; return the copies of the old ones.

        Raises
        ------
        EditError
            When a row would not be read again, or another program changed a table.
        OSError
            When a file cannot be written. Each file is then the old or the new one.
        """
        tables = [t for t in TABLES if t in self._changed]
        fresh = {table: self._texts[table].to_bytes() for table in tables}
        for table, data in fresh.items():
            if len(data) > MAX_BYTES:
                what = f"would be larger than {MAX_BYTES >> 20} MB"
                raise EditError(f"{self.file(table)}: {what}; split the logbook")
        self._read_again(fresh)
        for table in tables:
            path = self._paths[table]
            if (path.read_bytes() if path.exists() else None) != self._before[table]:
                raise EditError(f"{self.file(table)}: was changed by another program; try again")
        backups = [self._backup(t, old) for t in tables if (old := self._before[t]) is not None]
        for table in tables:
            write_file(self._paths[table].resolve(), fresh[table], durable=True)
        return tuple(backups)

    def _read_again(self, fresh: Mapping[str, bytes]) -> None:
        """Read the new tables as the weekly command would; no row may get lost by a change."""
        if not fresh:
            return
        reader = self._reader()
        for table, data in fresh.items():
            reader.files.csv[table] = (self.file(table), data)
        after = reader.read()
        counts = {r.file: r for r in self.book.rows}
        for table in fresh:
            file = self.file(table)
            now = next(r for r in after.rows if r.file == file)
            refused = counts[file].refused if file in counts else 0
            if now.refused > refused:
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
