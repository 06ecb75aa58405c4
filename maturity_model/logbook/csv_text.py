"""A CSV file as its own text: rows are added and replaced, everything else stays as it is."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence

from maturity_model.logbook.files import normal, states_separator

_MARKS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


class CsvTextError(ValueError):
    """A file to which nothing can safely be added; the message says why."""


class CsvText:
    """The text of one CSV file that the reader has accepted.

    Parameters
    ----------
    data : bytes
        UTF-8, or UTF-16 with its mark.
    separator : str

    Attributes
    ----------
    header : list of str
        As written.
    """

    def __init__(self, data: bytes, separator: str):
        self._mark = next((m for m in _MARKS if data.startswith(m)), b"")
        self._encoding = _MARKS.get(self._mark, "utf-8")
        self._separator = separator
        text = data[len(self._mark) :].decode(self._encoding)
        self._records = list(_records(text, separator))
        at = next(
            (
                i
                for i, (_, _, cells) in enumerate(self._records)
                if any(cells) and not states_separator(cells, separator)
            ),
            None,
        )
        if at is None:
            raise CsvTextError("has no header; write the column names in its first line")
        self._header_at = at
        self.header: list[str] = self._records[at][2]
        self._lines = {line: i for i, (line, _, _) in enumerate(self._records)}
        self._end = _line_end(self._records[at][1]) or "\n"

    def widest(self) -> tuple[int, int]:
        """Line and number of cells of the row with the most cells that are not blank."""
        best = (0, 0)
        for line, _, cells in self._records[self._header_at + 1 :]:
            used = max((i for i, c in enumerate(cells, 1) if c.strip()), default=0)
            if used > best[1]:
                best = (line, used)
        return best

    def add_columns(self, names: Iterable[str]) -> None:
        """Add columns at the end of the header; the rows, shorter now, stay as they are.

        Raises
        ------
        CsvTextError
            If a row has more cells than the header: the new name would claim one.
        """
        names = list(names)
        if not names:
            return
        line, width = self.widest()
        if width > len(self.header):
            what = f"has more cells in line {line} than column names"
            raise CsvTextError(f"{what}; name the columns, or remove the cells")
        first, raw, _ = self._records[self._header_at]
        end = _line_end(raw)
        more = "".join(self._separator + self._quote(name) for name in names)
        self.header = [*self.header, *names]
        self._records[self._header_at] = (first, raw[: len(raw) - len(end)] + more + end,
                                          self.header)  # fmt: skip

    def cells(self, line: int) -> list[str]:
        """Cells of the row that begins in ``line``, one for each column at least."""
        return self._filled(self._records[self._lines[line]][2])

    def has_row(self, line: int) -> bool:
        """Whether a row below the header begins in ``line``, with anything in it."""
        at = self._lines.get(line, 0)
        return at > self._header_at and any(c.strip() for c in self._records[at][2])

    def overlaid(self, cells: Sequence[str], new: Mapping[str, str]) -> list[str]:
        """A row's cells with some of them, by column name, replaced."""
        places: dict[str, int] = {}
        for index, text in enumerate(self.header):
            places.setdefault(normal(text), index)
        out = self._filled(cells)
        for name, value in new.items():
            out[places[name]] = value
        return out

    def append(self, cells: Sequence[str]) -> None:
        """Add a row at the end."""
        line, raw, last = self._records[-1]
        if not _line_end(raw):
            self._records[-1] = (line, raw + self._end, last)
        self._records.append((0, self._row(cells) + self._end, list(cells)))

    def replace(self, line: int, cells: Sequence[str]) -> None:
        """Put other cells into the row that begins in ``line``."""
        at = self._lines[line]
        _, raw, _ = self._records[at]
        self._records[at] = (line, self._row(cells) + _line_end(raw), list(cells))

    def remove(self, line: int) -> None:
        """Remove the row that begins in ``line``."""
        self._records[self._lines[line]] = (line, "", [])

    def to_bytes(self) -> bytes:
        """The file's new content."""
        text = "".join(raw for _, raw, _ in self._records)
        return self._mark + text.encode(self._encoding)

    def _filled(self, cells: Sequence[str]) -> list[str]:
        return [*cells, *[""] * (len(self.header) - len(cells))]

    def _row(self, cells: Iterable[str]) -> str:
        return self._separator.join(map(self._quote, cells))

    def _quote(self, cell: str) -> str:
        if any(c in cell for c in (self._separator, '"', "\r", "\n")) or cell != cell.strip():
            return '"' + cell.replace('"', '""') + '"'
        return cell


def _line_end(raw: str) -> str:
    return next((end for end in ("\r\n", "\n", "\r") if raw.endswith(end)), "")


def _records(text: str, separator: str) -> Iterator[tuple[int, str, list[str]]]:
    """First line, raw text and cells of each record; together they are the whole text."""
    lines: list[str] = []

    def feed() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            lines.append(line)
            yield line

    reader = csv.reader(feed(), delimiter=separator, strict=True, skipinitialspace=True)
    while True:
        first = reader.line_num + 1
        lines.clear()
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            if "unexpected end" in str(error) or "field limit" in str(error):
                what = f"has a quotation mark that is never closed (line {first})"
                raise CsvTextError(f"{what}; close it, or remove it") from None
            cells = []
        yield first, "".join(lines), cells
