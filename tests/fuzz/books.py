"""Workbooks, and their parts, so that any part can be broken."""

from __future__ import annotations

import datetime as dt
import io
import random
import re
import zipfile
from xml.sax.saxutils import quoteattr

import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from .account import Row

#: What XML 1.0 cannot hold (section 2.2).
NO_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
ERRORS = ("#DIV/0!", "#N/A", "#REF!", "#VALUE!")
NUMBERS = (1e308, -1e308, 0.30000000000000004, 45000, -1, 1e15)


class Sheet:
    """One sheet of texts, and the rows that a reader ought to find."""

    def __init__(self, title: str, cells: list[list[str]], rng: random.Random, spoil: float = 0.0):
        self.title, self.rng, self.spoil = title, rng, spoil
        self.cells: list[tuple[int, list[str]]] = []
        number = 0
        for texts in cells:
            number += 1 if not spoil or rng.random() > 0.1 else rng.randint(2, 4)
            self.cells.append((number, [NO_XML.sub("", t).replace("\r", "\n") for t in texts]))
        self.rows: list[Row] = []

    def write(self, sheet: Worksheet, day_format: object) -> None:
        """Write the cells; some become other than plain text."""
        for number, texts in self.cells:
            shown = [self._write(sheet, number - 1, c, t, day_format) for c, t in enumerate(texts)]
            if any(v.strip() for v in shown) or not self.rows:
                self.rows.append(Row(number, number, shown))

    def _write(self, sheet: Worksheet, row: int, column: int, text: str, day_format: object) -> str:
        rng, place = self.rng, (row, column)
        if text == "":
            return ""
        if rng.random() < self.spoil:
            match rng.randint(0, 3):
                case 0:
                    error = rng.choice(ERRORS)
                    sheet.write_formula(*place, "=1/0", None, error)
                    return error
                case 1:
                    value = rng.choice((False, True))
                    sheet.write_boolean(*place, value)
                    return str(int(value))
                case 2:
                    formula = rng.choice(("=1+1", "=A1&B1", '=HYPERLINK("x")'))
                    sheet.write_formula(*place, formula, None, text)
                    return text
                case _:
                    number = rng.choice(NUMBERS)
                    sheet.write_number(*place, number)
                    return str(number)
        day = _day(text)
        if day and rng.random() < 0.7:
            sheet.write_datetime(*place, day, day_format)
        elif rng.random() < 0.5 and text.isascii() and text.isdecimal() and len(text) < 6:
            sheet.write_number(*place, int(text))
        else:
            sheet.write_string(*place, text)
        return text


def _day(text: str) -> dt.date | None:
    if not re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
        return None
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        return None
    return day if day > dt.date(1901, 1, 1) else None


def parts(sheets: list[Sheet]) -> dict[str, bytes]:
    """Parts of a workbook's zip, by name; texts stand in the sheets or are shared by them."""
    out = io.BytesIO()
    inline = sheets[0].rng.random() < 0.5
    with xlsxwriter.Workbook(out, {"in_memory": True, "constant_memory": inline}) as book:
        day_format = book.add_format({"num_format": "yyyy\\-mm\\-dd"})
        for i, sheet in enumerate(sheets):
            sheet.write(book.add_worksheet(f"sheet{i}"), day_format)
    with zipfile.ZipFile(out) as archive:
        # The rest nobody reads, and it names the time.
        wanted = [n for n in archive.namelist() if not n.startswith(("docProps", "xl/theme"))]
        made = {name: archive.read(name) for name in wanted}
    # Names that a program would not let anyone give a sheet.
    names = made["xl/workbook.xml"].decode()
    for i, sheet in enumerate(sheets):
        names = names.replace(f'name="sheet{i}"', f"name={quoteattr(NO_XML.sub('', sheet.title))}")
    return made | {"xl/workbook.xml": names.encode()}


def pack(pieces: dict[str, bytes], rng: random.Random) -> bytes:
    """Zip the parts."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in pieces.items():
            how = zipfile.ZIP_DEFLATED if rng.random() < 0.8 else zipfile.ZIP_STORED
            archive.writestr(zipfile.ZipInfo(name), data, compress_type=how)
    return out.getvalue()
