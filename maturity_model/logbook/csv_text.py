"""A CSV file as its own text: rows are added and replaced, everything else stays as it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from maturity_model.logbook.files import Record, normal, records, states_separator

_MARKS = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}


class CsvTextError(ValueError):
    """A file to which nothing can safely be added; the message says why."""


class CsvText:
    """The text of one CSV file that the reader has accepted: UTF-8, or UTF-16 with its mark.

    ``header`` holds the column names as written; ``changed`` whether any row is another now.
    """

    def __init__(self, data: bytes, separator: str):
        self._mark = next((m for m in _MARKS if data.startswith(m)), b"")
        self._encoding = _MARKS.get(self._mark, "utf-8")
        self._separator = separator
        text = data[len(self._mark) :].decode(self._encoding)
        self._records = list(records(text, separator))
        for record in self._records:
            if "unexpected end" in record.error or "field limit" in record.error:
                what = f"has a quotation mark that is never closed (line {record.line})"
                raise CsvTextError(f"{what}; close it, or remove it")
        self._lines = {record.line: i for i, record in enumerate(self._records)}
        for at, record in enumerate(self._records):
            if any(record.cells) and not states_separator(record.cells, separator):
                self._header_at, self.header = at, record.cells
                break
        else:
            raise CsvTextError("has no header; write the column names in its first line")
        self._end = _line_end(self._records[self._header_at].text) or "\n"
        self.changed = False

    @property
    def places(self) -> dict[str, int]:
        """Place of each column, by its normal name; the first of two that share one."""
        return {normal(name): i for i, name in reversed([*enumerate(self.header)])}

    def add_columns(self, names: Sequence[str]) -> None:
        """Add columns at the end of the header; the rows, shorter now, stay as they are."""
        if not names:
            return
        width = len(self.header)
        for record in self._records[self._header_at + 1 :]:
            if any(cell.strip() for cell in record.cells[width:]):  # a new name would claim it
                what = f"has more cells in line {record.line} than column names"
                raise CsvTextError(f"{what}; name the columns, or remove the cells")
        record = self._records[self._header_at]
        end = _line_end(record.text)
        more = "".join(self._separator + self._quote(name) for name in names)
        self.header = [*self.header, *names]
        text = record.text.removesuffix(end) + more + end
        self._records[self._header_at] = record._replace(text=text, cells=self.header)

    def cells(self, line: int) -> list[str]:
        """Cells of the row that begins in ``line``, one for each column at least."""
        return self._filled(self._records[self._lines[line]].cells)

    def has_row(self, line: int) -> bool:
        """Whether a row below the header begins in ``line``, with anything in it."""
        at = self._lines.get(line, 0)
        return at > self._header_at and any(c.strip() for c in self._records[at].cells)

    def overlaid(self, cells: Sequence[str], new: Mapping[str, str]) -> list[str]:
        """A row's cells with some of them, by column name, replaced."""
        out, places = self._filled(cells), self.places
        for name, value in new.items():
            out[places[name]] = value
        return out

    def append(self, cells: Sequence[str]) -> None:
        """Add a row at the end."""
        last = self._records[-1]
        if not _line_end(last.text):
            self._records[-1] = last._replace(text=last.text + self._end)
        self._records.append(Record(0, 0, self._row(cells) + self._end, list(cells)))
        self.changed = True

    def replace(self, line: int, cells: Sequence[str]) -> None:
        """Put other cells into the row that begins in ``line``."""
        at = self._lines[line]
        record = self._records[at]
        text = self._row(cells) + _line_end(record.text)
        self._records[at] = record._replace(text=text, cells=list(cells), error="")
        self.changed = True

    def remove(self, line: int) -> None:
        """Remove the row that begins in ``line``."""
        at = self._lines[line]
        self._records[at] = self._records[at]._replace(text="", cells=[])
        self.changed = True

    def to_bytes(self) -> bytes:
        """The file's new content."""
        return self._mark + "".join(r.text for r in self._records).encode(self._encoding)

    def _filled(self, cells: Sequence[str]) -> list[str]:
        return [*cells, *[""] * (len(self.header) - len(cells))]

    def _row(self, cells: Iterable[str]) -> str:
        return self._separator.join(map(self._quote, cells))

    def _quote(self, cell: str) -> str:
        if any(c in cell for c in (self._separator, '"', "\r", "\n")) or cell != cell.strip():
            return '"' + cell.replace('"', '""') + '"'
        return cell


def _line_end(text: str) -> str:
    return next((end for end in ("\r\n", "\n", "\r") if text.endswith(end)), "")
