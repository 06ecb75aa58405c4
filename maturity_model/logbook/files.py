"""Reading a file whole, and cutting a text table into rows with true line numbers."""

from __future__ import annotations

import csv
import io
import os
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from maturity_model.identity import fold
from maturity_model.logbook.formulas import as_typed
from maturity_model.logbook.problems import Collector, Fault

MAX_BYTES = 64 * 2**20
MAX_COLUMNS = 2_000
MAX_ROWS = 1_000_000
MAX_CELL = 10_000
#: A line of at least the first length may hold at most the second number of separators.
_LONG_LINE, _MAX_SEPARATORS = 2**20, 100_000
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


class BadRow(NamedTuple):
    """A row that cannot be cut into cells; with ``last``, reading ends there."""

    fault: Fault
    last: bool = False


class RawTable(NamedTuple):
    """One table before its columns are understood.

    ``rows`` gives the true line and the cells of each; those of a sheet may be other than text.
    """

    name: str
    file: str
    header_line: int
    header: list[Any]
    rows: Iterator[tuple[int, list[Any] | BadRow]]


def normal(text: str) -> str:
    """Fold a header or a fixed word: ``Hair Algae`` becomes ``hair_algae``."""
    return "_".join(fold(text.replace("-", " ").replace("_", " ")).split())


def clean_name(text: str) -> str:
    """Return a free name as it is kept: stripped, NFC, without a guard against formulas."""
    text = as_typed(text.strip())
    if text.isascii():
        return text
    # A name made only of invisible characters is blank.
    return unicodedata.normalize("NFC", text) if fold(text) else ""


def read_whole(path: Path) -> bytes | Fault:
    """Read a file within bounds, and not while another program is writing to it."""
    for _ in range(3):
        try:
            with path.open("rb") as handle:
                before = os.fstat(handle.fileno())
                data = handle.read(MAX_BYTES + 1)
                after = os.fstat(handle.fileno())
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "the path is not usable"
            return Fault(f"cannot be read ({reason})", "check its path and its permissions")
        if len(data) > MAX_BYTES:
            return Fault(f"is larger than {MAX_BYTES >> 20} MB", "split it")
        same = (before.st_mtime_ns, before.st_size) == (after.st_mtime_ns, after.st_size)
        if same and len(data) == after.st_size:
            return data
    return Fault("was changed while it was read", "run this again when it is saved")


def decode(file: str, data: bytes, problems: Collector) -> str | None:
    """Decode UTF-8 or, with its mark, UTF-16; None, and a problem, where that fails."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    mend = "save the file as CSV UTF-8"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        # An utf-8-sig error counts from behind the mark.
        start = error.start + (3 if data[:3] == b"\xef\xbb\xbf" else 0)
        before = data[:start].decode(encoding, "ignore")
        bad = f"byte 0x{data[start]:02X}" if start < len(data) else ""
        what = f"is not {encoding[:6].rstrip('-').upper()} text"
        meant = data[start : start + 1].decode("cp1252", "ignore")
        if encoding == "utf-8-sig" and meant.isprintable() and meant:
            what += f" (in Windows-1252, as older spreadsheets save it, that byte is {meant})"
        problems.file(file, what, mend, line=_line(before), value=bad)
        return None
    at = text.find("\0")
    if at >= 0:
        what = "holds a NUL character, so it is not a text file"
        problems.file(file, what, mend, line=_line(text[:at]))
        return None
    return text


def _line(before: str) -> int:
    """Line number of what follows ``before``."""
    return 1 + before.count("\n") + before.count("\r") - before.count("\r\n")


def read_csv(
    name: str, file: str, data: bytes, known: frozenset[str], problems: Collector
) -> RawTable | None:
    """Cut a CSV file into rows; None, and a problem, where no header can be read.

    The separator is the one that finds the most columns that are ``known``.
    """
    text = decode(file, data, problems)
    if text is None:
        return None
    separator = find_separator(text, known)
    if separator != ",":
        what = f"has its columns separated by a {_SEPARATORS[separator]}"
        problems.settle_file(file, what, "nothing to do")
    if crowded := _crowded(text, separator):
        what = f"has more than {_MAX_SEPARATORS:,} cells in one line"
        mend = "save the file as CSV UTF-8 again, one line for each row"
        problems.file(file, what, mend, line=crowded)
        return None
    rows = _cut(text, separator)
    for line, cells in rows:
        if isinstance(cells, BadRow):
            problems.file(file, *cells.fault, line=line)
            return None
        if any(cells) and not states_separator(cells, separator):
            return raw_table(name, file, line, cells, rows, problems)
    problems.file(file, "is empty", "write the column names in its first line")
    return None


def raw_table(
    name: str,
    file: str,
    line: int,
    header: list[Any],
    rows: Iterator[tuple[int, list[Any] | BadRow]],
    problems: Collector,
) -> RawTable | None:
    """Make a table, unless it has too many columns: None, and a problem."""
    if len(header) <= MAX_COLUMNS:
        return RawTable(name, file, line, header, rows)
    what = f"has {len(header)} columns, more than {MAX_COLUMNS}"
    problems.file(file, what, "remove those that are not needed", line=line)
    return None


def _crowded(text: str, separator: str) -> int | None:
    """Find a line that would fill the memory when cut: even an empty cell takes 8 bytes."""
    at = 0
    while at + _LONG_LINE <= len(text):
        end = at + _LONG_LINE
        last = max(text.rfind("\n", at, end), text.rfind("\r", at, end))
        if last < 0 and text.count(separator, at, end) > _MAX_SEPARATORS:
            return _line(text[:at])
        at = end if last < 0 else last + 1
    return None


def find_separator(text: str, known: frozenset[str]) -> str:
    """Choose the separator that the first line states, or that finds most known columns in it."""
    header = next((line for line in io.StringIO(text[: 2**20]) if line.strip()), "")
    for separator in _SEPARATORS:
        if states_separator([header.strip(' "\r\n')], separator):
            return separator

    def score(separator: str) -> tuple[int, int]:
        names = header.split(separator)
        return sum(normal(n.strip(' "\r\n')) in known for n in names), len(names)

    return max(_SEPARATORS, key=score)  # the comma comes first and wins a tie


def states_separator(cells: list[str], separator: str) -> bool:
    """Whether a first line only says how the file is separated: ``sep=;``."""
    return separator.join(cells).strip().lower() == f"sep={separator}".strip()


class Record(NamedTuple):
    """A row of a CSV text, from its first to its last line, with the end of that.

    ``error`` says why it cannot be cut into cells; it then has none.
    """

    line: int
    last_line: int
    text: str
    cells: list[str]
    error: str = ""


def records(text: str, separator: str) -> Iterator[Record]:
    """Cut a CSV text into records; together they are the whole text."""
    lines: list[str] = []

    def feed() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            lines.append(line)
            yield line

    reader = csv.reader(feed(), delimiter=separator, strict=True, skipinitialspace=True)
    while True:
        first = reader.line_num + 1
        lines.clear()
        cells: list[str] = []
        problem = ""
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            problem = str(error)
        yield Record(first, reader.line_num, "".join(lines), cells, problem)


def _cut(text: str, separator: str) -> Iterator[tuple[int, list[Any] | BadRow]]:
    """Line and cells of the rows, as far as they can be read."""
    count = 0
    for record in records(text, separator):
        if record.error:
            bad = _bad_row(record)
            yield record.line, bad
            if bad.last:
                return
        elif record.cells:
            count += 1
            if count > MAX_ROWS + 1:  # the header is one of them
                yield record.line, too_many_rows()
                return
            yield record.line, record.cells


def too_many_rows() -> BadRow:
    """Return the end of a table that is too long."""
    what = f"is beyond {MAX_ROWS:,} rows; nothing from here on is read"
    return BadRow(Fault(what, "split the logbook"), last=True)


def _bad_row(record: Record) -> BadRow:
    error, first, last = record.error, record.line, record.last_line
    lines = f"lines {first} to {last}" if last > first else "the line"
    if "field limit" in error:
        what = "holds a cell that is far too long; nothing from here on is read"
        return BadRow(Fault(what, "look for a quotation mark that is never closed"), last=True)
    if "unexpected end" in error:
        what = f"has a quotation mark that is never closed; {lines} cannot be told apart"
        return BadRow(Fault(what, "close it, or remove it"))
    what = f"has a quotation mark in the middle of a cell; {lines} cannot be cut into cells"
    return BadRow(Fault(what, 'write each quotation mark inside a cell twice, as ""'))
