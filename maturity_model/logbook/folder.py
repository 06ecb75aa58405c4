"""Finding a logbook's files, with a fate for every entry of its folder."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from maturity_model.identity import fold
from maturity_model.logbook.entries import (
    OWN_FILES,
    REQUIRED,
    TABLES,
    TEXTS,
    UNREAD_WORKBOOKS,
    WORKBOOKS,
    nearly_a_table,
    table_by_header,
)
from maturity_model.logbook.files import normal, read_csv, read_whole
from maturity_model.logbook.problems import Collector, Fault, LogbookError, shown
from maturity_model.logbook.types import OWN

NOT_A_TABLE = Fault(
    "is not part of a logbook and is not read",
    f"nothing to do, or give it one of the names {', '.join(TABLES)}",
)
#: Bytes in which the first line of a table stands.
_MAX_HEADER = 2**20
#: More than one for each table is no logbook.
MAX_WORKBOOKS = 6


class LogbookFiles:
    """The files of a logbook and their bytes."""

    def __init__(self, path: Path, problems: Collector):
        self.path, self.problems = path, problems
        #: Text tables, whatever parts their columns.
        self.csv: dict[str, tuple[str, bytes]] = {}
        #: By table: its text file, which may be unreadable.
        self.paths: dict[str, Path] = {}
        self.books: list[tuple[str, bytes]] = []
        self._read: list[tuple[str, bytes]] = []
        try:
            if path.is_dir():
                self._folder()
            elif fold(path.suffix) in WORKBOOKS and path.is_file():
                self._book(path.name, path)
            else:
                what = "is not a folder or a workbook" if path.exists() else "does not exist"
                self._fail(what, "give the folder that holds tanks.csv")
        except LogbookError:
            raise
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "the path is not usable"
            self._fail(f"cannot be read ({reason})", "check the path and its permissions")

    def _fail(self, what: str, mend: str) -> None:
        self.problems.logbook(shown(str(self.path)), what, mend)
        raise LogbookError(self.problems.all())

    def _folder(self) -> None:
        names = sorted(os.listdir(self.path), key=lambda n: (fold(n), n))
        if "datapackage.json" in names and "tanks.parquet" in names:
            self._fail(
                "is a pool of logbooks, which tells no dates and no names",
                "give it to the command fit, and a logbook to this one",
            )
        for name in names:
            self._entry(name, self.path / name)
        # Programs lengthen the name of a copy, so that the shortest is the keeper's own.
        books = [n for n in names if self._is_book(n)]
        for name in sorted(books, key=len):
            self._book(name, self.path / name)

    def _is_book(self, name: str) -> bool:
        hidden = name.startswith((".", "~$"))
        return not hidden and fold(name).endswith(WORKBOOKS) and (self.path / name).is_file()

    def _entry(self, name: str, path: Path) -> None:
        """Read a table, or say why this entry of the folder is not read."""
        stem, ending = os.path.splitext(fold(name))
        table = stem if stem in TABLES and ending in TEXTS else None
        file = shown(name)
        self.problems.found(file)
        if name in OWN_FILES:
            self.problems.set_aside(file, OWN)
        elif name.startswith((".", "~$")):
            self.problems.set_aside(file, "is hidden")
        elif not path.is_file():
            if table or ending in WORKBOOKS:
                # A folder of that name, a pipe, or a link to nowhere: its rows are missing.
                self.paths |= {table: path} if table else {}
                mend = "put a file in its place, or remove it"
                self.problems.file(file, "is not a file and cannot be read", mend)
            else:
                self.problems.set_aside(file, "is not a file")
                if path.is_dir():
                    self._subfolder(name, path)
        elif table in self.paths:
            self.problems.second(file, table, self.csv[table][0] if table in self.csv else "")
        elif table:
            self.paths[table] = path
            if read := self._bytes(path):
                self.csv[table] = read
        elif ending in UNREAD_WORKBOOKS:
            what = f"is a workbook of a kind that is not read ({ending})"
            self.problems.file(file, what, "save it as .xlsx or .ods, or move it elsewhere")
        elif ending not in WORKBOOKS:
            meant = nearly_a_table(name)
            if meant is None and ending in TEXTS:
                meant = _table_in(file, path)
            self._other(file, meant, ending)

    def _subfolder(self, name: str, path: Path) -> None:
        """Refuse what looks like a table in a folder of this one."""
        try:
            inside = sorted(os.listdir(path))
        except OSError as error:
            what = f"cannot be read ({error.strerror})"
            self.problems.file(shown(name), what, "check its permissions, or move it elsewhere")
            return
        for entry in inside:
            if fold(entry).endswith((*TEXTS, *WORKBOOKS)) and (meant := nearly_a_table(entry)):
                file = shown(f"{name}/{entry}")
                self.problems.found(file)
                what = f"looks like the table {meant} in a folder of the logbook, and is not read"
                mend = f"move its rows into {meant}.csv beside tanks.csv; then move it elsewhere"
                self.problems.file(file, what, mend)

    def _other(self, file: str, meant: str | None, ending: str) -> None:
        if meant:
            what = f"looks like the table {meant} under another name, and is not read"
            mend = f"save it as {meant}.csv; if that is there already, "
            if meant == "checkins":
                mend += "add it with `maturity-model add FILE LOGBOOK`, also where it holds "
                mend += "events, and then move it elsewhere"
            else:
                mend += "move its rows into that and remove it; else move it elsewhere"
            self.problems.file(file, what, mend)
            return
        self.problems.set_aside(file, "is not part of a logbook")
        if ending in TEXTS:
            self.problems.settle_file(file, *NOT_A_TABLE)

    def _book(self, name: str, path: Path) -> None:
        if not self.path.is_dir():
            self.problems.found(shown(name))
        if len(self.books) == MAX_WORKBOOKS:
            what = f"is beyond {MAX_WORKBOOKS} workbooks and is not read"
            self.problems.file(shown(name), what, "move those that are no tables elsewhere")
        elif read := self._bytes(path):
            self.books.append(read)

    def _bytes(self, path: Path) -> tuple[str, bytes] | None:
        """Read a whole file, within bounds."""
        data = read_whole(path)
        if isinstance(data, Fault):
            self.problems.file(shown(path.name), *data)
            return None
        self._read.append((path.name, data))
        return shown(path.name), data

    def sha256(self) -> str:
        """Hash over the names and bytes of the files read."""
        digest = hashlib.sha256()
        for name, data in sorted(self._read):
            raw = name.encode("utf-8", "surrogateescape")
            digest.update(b"%d:%s%d:" % (len(raw), raw, len(data)))
            digest.update(data)
        return digest.hexdigest()


def _table_in(file: str, path: Path) -> str | None:
    """Return the table that a text file is by its first line, whatever its name."""
    try:
        with path.open("rb") as handle:
            data = handle.read(_MAX_HEADER)
    except OSError:
        return None
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    text = data.decode(encoding, "replace").replace("\0", "")
    known = frozenset(c for columns in REQUIRED.values() for c in columns)
    raw = read_csv("", file, text.encode(), known, Collector())
    return None if raw is None else table_by_header([normal(c) for c in raw.header])
