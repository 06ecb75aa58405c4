"""Where did each row go? Counted here without the reader's own code."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from maturity_model.logbook import Logbook, LogbookError, Problem
from maturity_model.logbook.types import RowCount
from maturity_model.panel import Panel


@dataclass
class Row:
    """One row of a table: its first and last line, and its cells where they are clear."""

    first: int
    last: int
    cells: list[str] | None


@dataclass
class Case:
    """One logbook that was written, and the rows it should hold, by the name of the file."""

    path: Path
    #: Every row with anything in it, header first; not of a table whose rows are not known.
    tables: dict[str, list[Row]] = field(default_factory=dict)
    #: CSV files, whose rows are counted here.
    csv: dict[str, bytes] = field(default_factory=dict)
    #: Rows that the generator wrote, where nothing was broken that could merge or cut them.
    written: dict[str, int] = field(default_factory=dict)


LINE_END = re.compile(r"\r\n|\r|\n")
#: A cell in quotation marks, doubled ones inside; the last group is empty where it has no end.
QUOTED = re.compile(r' *"([^"]*(?:""[^"]*)*)("|\Z)')


def records(text: str, separator: str) -> Iterator[Row]:
    """Cut CSV text into records (RFC 4180, spaces behind a separator left out).

    A record whose quotation marks make no sense ends with its line and has no cells.
    """
    plain = re.compile(rf" *([^{separator}\r\n]*)")
    # What follows a closing quotation mark and should not.
    junk = re.compile(rf"[^{separator}\r\n][^\r\n]*")
    at, line = 0, 1
    while at < len(text):
        first, cells, good, more = line, [], True, True
        while more:
            quoted = QUOTED.match(text, at)
            cell = quoted or plain.match(text, at)
            assert cell
            at = cell.end()
            line += len(LINE_END.findall(cell[1]))
            cells.append(cell[1].replace('""', '"') if quoted else cell[1])
            if quoted:
                rest = junk.match(text, at)
                good = bool(quoted[2]) and not rest
                at = rest.end() if rest else at
            more = good and text[at : at + 1] == separator
            at += more
        yield Row(first, line, cells if good else None)
        if end := LINE_END.match(text, at):
            at, line = end.end(), line + 1


def csv_rows(text: str, separator: str) -> list[Row]:
    """The header and every row with anything in it."""
    out: list[Row] = []
    for row in records(text, separator):
        stated = not out and separator.join(row.cells or ()).strip() == f"sep={separator}"
        # A header of blanks is one; a row of blanks is none.
        if stated:
            continue
        if row.cells is None or any(c.strip() if out else c for c in row.cells):
            out.append(row)
    return out


def fold(text: str) -> str:
    return re.sub(r"[\s_-]+", "_", text.strip().lower()).strip("_")


def account(case: Case, book: Logbook) -> list[str]:
    """List everything that is not accounted for, one line each; an empty list is good."""
    out: list[str] = []
    counts = {c.file: c for c in book.rows}
    tables = dict(case.tables)
    for file, data in case.csv.items():
        text = decoded(data)
        if text is not None:
            tables[file] = csv_rows(text, _separator(file, book))
        elif _stop(file, book) == float("inf") or file in counts:
            out.append(f"{file}: is not text, and nothing says so")
    for file, rows in tables.items():
        out += [f"{file}: {x}" for x in _table(file, rows, book, counts.get(file))]
        written = case.written.get(file)
        if written is not None and rows and len(rows) - 1 != written:
            out.append(f"{file}: the generator wrote {written} rows, not {len(rows) - 1}")
    for file in counts.keys() - tables.keys():
        if tables:
            out.append(f"{file}: a table that nobody wrote")
    return out


def decoded(data: bytes) -> str | None:
    """Text of a CSV file, where it is text."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    else:
        encoding, data = "utf-8", data.removeprefix(b"\xef\xbb\xbf")
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return None
    return None if "\0" in text else text


def _separator(file: str, book: Logbook) -> str:
    """What the reader says that it took; one that is wrong loses every column."""
    said = {"semicolon": ";", "tab": "\t"}
    for p in book.problems:
        if p.file == file and "separated by a " in p.what:
            return said[p.what.rsplit(" ", 1)[1]]
    return ","


def _stop(file: str, book: Logbook) -> float:
    """Line from which on the table is reported as not read; infinite where all was."""
    stop = float("inf")
    for p in book.problems:
        if p.file == file and p.severity == "error" and p.scope in ("file", "logbook"):
            if "holds no tank" in p.what or "none of its rows is used" in p.what:
                continue
            stop = min(stop, p.line or 0)
    return stop


def _table(file: str, rows: list[Row], book: Logbook, count: RowCount | None) -> Iterator[str]:
    stop = _stop(file, book)
    mine = [p for p in book.problems if p.file == file]
    if count is None:
        if stop == float("inf") and rows:
            yield "not read, and nothing says so"
        return
    header, body = rows[0], rows[1:]
    known = {r.first for r in body if r.first < stop}
    refused = {p.line for p in mine if p.scope == "row" and p.severity == "error"}
    merged = {p.line for p in mine if p.scope == "row" and p.severity == "settled"}
    used = [x.line for x in (*book.checkins, *book.events) if x.file == file]
    if _is_table(file, "tanks"):
        used += [tank.line for tank in book.tanks.values()]
    if any("none of its rows is used" in p.what for p in mine):
        if used or count.read != len(known) or count.refused != len(known):
            yield f"{count} of {len(known)} rows of a table that lacks a column"
        return
    if len(set(used)) < len(used):
        yield "a row was used twice"
    used_lines = set(used) | merged
    if both := used_lines & refused:
        yield f"lines {sorted(both)[:5]} are used and refused"
    if invented := (used_lines | refused) - known:
        yield f"lines {sorted(invented)[:5]} hold no row"
    if any(_is_table(file, t) for t in ("tanks", "checkins", "events")):
        if lost := known - used_lines - refused:
            yield f"lines {sorted(lost)[:5]} are neither used nor reported"
        if count.used != len(used_lines):
            yield f"{count.used} rows count as used, {len(used_lines)} were"
    elif count.refused != len(refused & known):
        yield f"{count} but {len(refused & known)} rows are reported"
    if count.read != count.used + count.refused:
        yield f"{count} does not add up"
    if count.read != len(known):
        yield f"{count.read} rows read of {len(known)}"
    if header.cells is not None and _is_table(file, "checkins"):
        yield from _answers(file, header.cells, body, book, mine)


def _is_table(file: str, table: str) -> bool:
    stem = file.rsplit("!", 1)[-1] if "!" in file else file.rsplit(".", 1)[0]
    return fold(stem) == table


def _answers(
    file: str, header: list[str], body: list[Row], book: Logbook, problems: list[Problem]
) -> Iterator[str]:
    """Each answer and reading of a used row is used or reported, and none is made up."""
    names = [fold(h) for h in header]
    signs, analytes = set(book.catalogue.signs), set(book.catalogue.analytes)
    reported = {(p.line, p.column) for p in problems if p.scope == "cell" and p.severity == "error"}
    looks = [c for c in book.checkins if c.file == file]
    by_line = {c.line: c for c in looks}
    # A row may have been merged into another look of its day.
    days = {p.line: p.value for p in problems if p.scope == "row" and p.severity == "settled"}
    written: dict[int, set[str]] = {}
    for row in body:
        if row.cells is None:
            continue
        look = by_line.get(row.first)
        if look is None and row.first in days:
            texts = {unicodedata.normalize("NFC", x.strip()) for x in row.cells}
            day = days[row.first]
            look = next((c for c in looks if c.date.isoformat() == day and c.tank in texts), None)
        if look is None:
            continue
        here = written.setdefault(id(look), set())
        # Of a column that occurs twice the first counts.
        for name, cell in dict(reversed([*zip(names, row.cells, strict=False)])).items():
            if not cell.strip() or name not in signs | analytes:
                continue
            if reported & {(row.first, name), (row.first, None)}:
                continue
            here.add(name)
            if name not in (look.signs if name in signs else look.readings):
                yield f"line {row.first}: {name} {cell[:20]!r} is neither used nor reported"
    for c in looks:
        if made_up := ({*c.signs, *c.readings} - written.get(id(c), set())):
            yield f"line {c.line}: {sorted(made_up)[:3]} stand nowhere"


def account_panel(book: Logbook, panel: Panel) -> list[str]:
    """The panel holds as many observations as the logbook, no more and no fewer."""
    out = []
    informative = set(book.catalogue.informative)
    wanted = {
        "signs": sum(len(c.signs) for c in book.checkins),
        "readings": sum(len(informative & c.readings.keys()) for c in book.checkins),
        "judgements": sum(c.judged_phase is not None for c in book.checkins),
    }
    for what, number in wanted.items():
        if len(getattr(panel, what).row) != number:
            out.append(f"panel: {len(getattr(panel, what).row)} {what} of {number}")
    size = sum(book.catalogue.events[e.kind].size(e.amount) for e in book.events)
    placed = float(panel.impulse.sum() + panel.pending.sum())
    if abs(placed - size) > 1e-9 * max(size, 1.0):
        out.append(f"panel: events of size {placed} placed of {size}")
    return out


def message_faults(error: LogbookError) -> list[str]:
    """What is wrong with how a whole logbook was refused."""
    bad = [p for p in error.problems if not p.what or not p.mend or not str(p).isprintable()]
    return [f"an unclear message: {p!r}" for p in bad] or (
        [] if error.problems else ["refused without a reason"]
    )
