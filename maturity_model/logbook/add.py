"""Adding a check-in file to a logbook: all of it or nothing, and twice is the same as once."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.logbook.begin import table_columns
from maturity_model.logbook.csv_text import CsvText, CsvTextError
from maturity_model.logbook.events import EVENT_COLUMNS
from maturity_model.logbook.files import MAX_BYTES, decode, find_separator, normal, read_still
from maturity_model.logbook.formulas import without_formula
from maturity_model.logbook.incoming import Row, read_incoming
from maturity_model.logbook.problems import Collector, LogbookError, shown
from maturity_model.logbook.read import Reader
from maturity_model.logbook.types import CheckIn, Event, Logbook
from maturity_model.whole_files import LockedError, locked, remove_leftovers, write_file

#: How a row is treated that contradicts the logbook.
Conflict = Literal["refuse", "replace", "beside"]
BACKUPS = "backup"
LOCK = ".maturity-model.lock"
#: Seconds to wait for another process that is adding.
PATIENCE = 30.0
#: Older copies of a table are removed.
MAX_BACKUPS = 20
_ALWAYS = {"checkins": ("tank", "date"), "events": ("tank", "date", "event")}


class AddError(ValueError):
    """Nothing was added; each of ``lines`` gives one reason."""

    def __init__(self, lines: Iterable[str]):
        self.lines = tuple(lines)
        super().__init__("; ".join(self.lines[:5]))


@dataclass(frozen=True, slots=True)
class Added:
    """What adding a file did.

    Attributes
    ----------
    checkins, events : int
        Rows added.
    replaced : int
    already : int
        Rows of which the logbook held every word.
    columns : tuple of str
        Columns that the logbook's check-ins had not had before.
    backups : tuple of str
        Copies of the tables as they were, relative to the logbook.
    remarks : tuple of str
        How dates in other forms were read, and the like.
    """

    checkins: int = 0
    events: int = 0
    replaced: int = 0
    already: int = 0
    columns: tuple[str, ...] = ()
    backups: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def add_file(
    file: str | os.PathLike[str],
    logbook: str | os.PathLike[str],
    *,
    conflict: Conflict = "refuse",
    catalogue: Catalogue | None = None,
    today: dt.date | None = None,
) -> Added:
    """Add a check-in file to a logbook.

    Parameters
    ----------
    file : str or path
        As the form writes it; see :mod:`maturity_model.logbook.incoming`.
    logbook : str or path
        A folder of CSV files.
    conflict : {'refuse', 'replace', 'beside'}
        What to do where the logbook has a check-in of the same tank, day and observer, or an
        event of the same tank, day and kind, with other values: refuse the whole file, put
        the new answers in its place (its other cells stay), or keep both.
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    today : date, optional
        Later dates are refused. Default: the day on this computer's clock.

    Returns
    -------
    Added

    Raises
    ------
    AddError
        When anything in the file cannot be used; the logbook is then as it was.
    LockedError
        When another process was adding to it for half a minute.
    OSError
        If a file cannot be written. Each file is then the old or the new one, and adding
        the same file again finishes the work.
    """
    file, folder = Path(file), Path(logbook)
    if not folder.is_dir():
        if folder.suffix.lower() == ".xlsx":
            mend = "save each of its sheets as a CSV file in one folder, and give that folder"
            raise AddError([f"{shown(folder.name)}: is a workbook; {mend}"])
        raise AddError([f"{shown(str(folder))}: is not a folder; give the one with tanks.csv"])
    data = _read(file)
    catalogue = catalogue or load_catalogue()
    busy = LockedError("another program is adding to this logbook; try again later")
    with locked(folder / LOCK, busy, PATIENCE):
        adding = _Adding(folder, catalogue, today or dt.date.today(), conflict)
        return adding.add(shown(file.name), data)


def _read(file: Path) -> bytes:
    try:
        data = read_still(file)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the path is not usable"
        raise AddError([f"{shown(str(file))}: cannot be read ({reason})"]) from None
    if data is None:
        raise AddError([f"{shown(file.name)}: was changed while it was read; run this again"])
    if len(data) > MAX_BYTES:
        raise AddError([f"{shown(file.name)}: is larger than {MAX_BYTES >> 20} MB"])
    return data


class _Adding:
    """Adds one file, under the lock."""

    def __init__(self, folder: Path, catalogue: Catalogue, today: dt.date, conflict: Conflict):
        self.folder, self.catalogue, self.today, self.conflict = folder, catalogue, today, conflict
        self.paths = {t: _path_of(folder, t) for t in ("checkins", "events")}
        self.faults: list[str] = []
        #: By table: rows to add, and (line, row) to replace.
        self.new: dict[str, list[Row]] = {"checkins": [], "events": []}
        self.over: dict[str, list[tuple[int, Row]]] = {"checkins": [], "events": []}
        self.already = 0
        self.columns: tuple[str, ...] = ()
        #: Columns of each table in their usual order, the club's own signs included.
        self.usual: dict[str, tuple[str, ...]] = {}
        #: Identities of the rows of the file itself.
        self.of_file: set[int] = set()

    def _reader(self) -> Reader:
        # Check-ins of a day stay apart, because rows are compared and replaced, not days.
        return Reader(self.folder, self.catalogue, self.today, one_look_a_day=False)

    def add(self, name: str, data: bytes) -> Added:
        for path in self.paths.values():
            remove_leftovers(path.resolve().parent, path.resolve().name)
        remove_leftovers(self.folder / BACKUPS)
        try:
            reader = self._reader()
            book = reader.read()
        except LogbookError as error:
            raise AddError(map(str, error.problems)) from None
        self.usual = table_columns(reader.context.catalogue)
        incoming = read_incoming(name, data, reader.context, reader.kits)
        if incoming.errors:
            raise AddError(map(str, incoming.errors))
        self.already = incoming.repeats
        self._compare(name, book, incoming.rows)
        if self.faults:
            raise AddError(self.faults)
        old = {t: data for t, (_, data) in reader.files.csv.items() if t in self.paths}
        tables = [t for t in self.paths if self.new[t] or self.over[t]]
        for table in tables:
            if table in reader.files.named and table not in old:
                raise AddError([f"{self.paths[table].name}: cannot be read; mend that first"])
            if table not in reader.files.named and table in reader.sheets:
                what = "stands in a workbook; save its sheets as CSV files instead of it"
                raise AddError([f"{reader.sheets[table].file}: {what}"])
        fresh = {t: self._compose(t, old.get(t)) for t in tables}
        self._check(book, fresh)
        for table in tables:
            path = self.paths[table]
            if (path.read_bytes() if path.exists() else None) != old.get(table):
                raise AddError([f"{path.name}: was changed by another program; try again"])
        backups = [self._backup(t, old[t]) for t in tables if t in old]
        for table in tables:
            write_file(self.paths[table].resolve(), fresh[table], durable=True)
        return Added(
            checkins=len(self.new["checkins"]),
            events=len(self.new["events"]),
            replaced=sum(map(len, self.over.values())),
            already=self.already,
            columns=self.columns,
            backups=tuple(backups),
            remarks=tuple(str(p) for p in incoming.problems if p.column == "date"),
        )

    def _compare(self, name: str, book: Logbook, rows: Iterable[Row]) -> None:
        """Sort the rows: in the logbook already, new, or contradicting it."""
        known = _by_key([*book.checkins, *book.events])
        for row in rows:
            new = row.entry
            table = "events" if isinstance(new, Event) else "checkins"
            there = [x for x in known.get(_key(new), ()) if _same_person(x, new)]
            odds = [differences(x, new) for x in there]
            if not all(odds):
                self.already += 1
            elif not there or self.conflict == "beside":
                self.new[table].append(row)
            elif self.conflict == "replace" and (place := self._place(there, new)) is not None:
                self.over[table].append((place, row))
            else:
                self.faults.append(self._fault(name, there, odds, row))
            known.setdefault(_key(new), []).append(new)
            self.of_file.add(id(new))

    def _place(self, there: list[CheckIn | Event], new: CheckIn | Event) -> int | None:
        """Line of the row that a new one replaces; None where that is not clear."""
        if any(id(x) in self.of_file for x in there):
            return None
        if len(there) > 1 and isinstance(new, CheckIn):
            there = [x for x in there if isinstance(x, CheckIn) and x.look == new.look]
        return there[0].line if len(there) == 1 else None

    def _fault(self, name: str, there: list[CheckIn | Event], odds: list[str], row: Row) -> str:
        new, old = row.entry, there[0]
        what = f" {new.kind}" if isinstance(new, Event) else ""
        twice = "" if id(old) not in self.of_file else " of this same file"
        fault = f"{name}, line {new.line}: {shown(new.tank)!r} on {new.date}{what} stands in "
        fault += f"{old.file}, line {old.line}{twice}, with other values ({odds[0]}); "
        if self.conflict == "replace":
            return fault + "more than one row could be meant: correct the logbook itself"
        if twice:
            return fault + "keep one of the two rows, or --beside keeps both"
        return fault + "--replace takes the new values, --beside keeps both rows"

    def _compose(self, table: str, data: bytes | None) -> bytes:
        """The table's new content."""
        rows = [*self.new[table], *(row for _, row in self.over[table])]
        named = {c for row in rows for c in row.cells}
        if table == "events":
            named |= {*EVENT_COLUMNS} - {"note"}
        order = [c for c in self.usual[table] if c in named]
        if data is None:
            data = (",".join(order) + "\n").encode()
        path = self.paths[table]
        try:
            decoded = decode(path.name, data, Collector()) or ""
            text = CsvText(data, find_separator(decoded, frozenset(self.usual[table])))
            have = set(map(normal, text.header))
            if lacking := [c for c in _ALWAYS[table] if c not in have]:
                raise CsvTextError(f"has no column {lacking[0]}; mend that first")
            added = tuple(c for c in order if c not in have)
            text.add_columns(added)
        except CsvTextError as error:
            raise AddError([f"{path.name}: {error}"]) from None
        if table == "checkins":
            self.columns = added
        for line, row in self.over[table]:
            text.replace(line, row.cells)
        for row in self.new[table]:
            text.append(row.cells)
        made = text.to_bytes()
        if len(made) > MAX_BYTES:
            raise AddError([f"{path.name}: would be larger than {MAX_BYTES >> 20} MB; split it"])
        return made

    def _check(self, book: Logbook, fresh: dict[str, bytes]) -> None:
        """Read the new tables as the weekly command would; every row must come back."""
        if not fresh:
            return
        reader = self._reader()
        for table, data in fresh.items():
            reader.files.named.add(table)
            reader.files.csv[table] = (shown(self.paths[table].name), data)
        after = reader.read()
        read: dict[str, tuple[CheckIn | Event, ...]]
        read = {"checkins": after.checkins, "events": after.events}
        for table, rows in read.items():
            before = len(book.checkins if table == "checkins" else book.events)
            known = _by_key(rows)
            for row in (*self.new[table], *(r for _, r in self.over[table])):
                if all(differences(x, row.entry) for x in known.get(_key(row.entry), ())):
                    raise AddError([f"line {row.entry.line}: would not read back; see 'weekly'"])
            if len(rows) != before + len(self.new[table]):
                raise AddError([f"{self.paths[table].name}: its rows would not all read back"])

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


def _path_of(folder: Path, table: str) -> Path:
    """Path of a table, whatever the case of its name."""
    for name in sorted(os.listdir(folder), key=lambda n: (n.lower(), n)):
        if name.lower() in (f"{table}.csv", f"{table}.tsv") and (folder / name).is_file():
            return folder / name
    return folder / f"{table}.csv"


def _key(row: CheckIn | Event) -> tuple[object, ...]:
    return (row.tank, row.date, row.kind if isinstance(row, Event) else None)


def _by_key(rows: Iterable[CheckIn | Event]) -> dict[tuple[object, ...], list[CheckIn | Event]]:
    out: dict[tuple[object, ...], list[CheckIn | Event]] = {}
    for row in rows:
        out.setdefault(_key(row), []).append(row)
    return out


def _same_person(old: CheckIn | Event, new: CheckIn | Event) -> bool:
    """Whether one may have written both: a blank observer may be anybody."""
    if isinstance(old, Event) or isinstance(new, Event) or not new.observer:
        return True
    return old.observer in ("", new.observer)


def differences(old: CheckIn | Event, new: CheckIn | Event) -> str:
    """List what a new row states that the old one does not; a blank states nothing.

    Returns
    -------
    str
        Empty where the old row holds all of it.
    """
    out = []

    def differ(what: str, here: object, there: object) -> None:
        out.append(f"{what}: {shown(str(there or 'blank'))} there, {shown(str(here))} here")

    note = without_formula(new.note)
    if note and note not in (old.note, without_formula(old.note)):
        out.append("the note")
    if isinstance(new, Event):
        assert isinstance(old, Event)
        if new.amount is not None and new.amount != old.amount:
            differ("amount", f"{new.amount:g}", None if old.amount is None else f"{old.amount:g}")
        return "; ".join(out)
    assert isinstance(old, CheckIn)
    if new.observer and old.observer != new.observer:
        differ("observer", new.observer, old.observer)
    if new.look != old.look:
        differ("look", new.look, old.look)
    if new.judged_phase and new.judged_phase != old.judged_phase:
        differ("judged_phase", new.judged_phase, old.judged_phase)
    words = {True: "y", False: "n", None: "blank"}
    for sign, seen in new.signs.items():
        if old.signs.get(sign) is not seen:
            differ(sign, words[seen], words[old.signs.get(sign)])
    for analyte, reading in new.readings.items():
        was = old.readings.get(analyte)
        if was is None or (was.low, was.high) != (reading.low, reading.high):
            differ(analyte, reading.text, was.text if was else None)
    return "; ".join(out)
