"""Workbooks written part by part, so that any part can be broken."""

from __future__ import annotations

import datetime as dt
import io
import random
import zipfile
from xml.sax.saxutils import escape, quoteattr

from openpyxl.utils import get_column_letter

from .account import Row

NS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
TYPES = (
    '<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/'
    'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
    'relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-'
    'officedocument.spreadsheetml.sheet.main+xml"/></Types>'
)
STYLES = (
    f'<styleSheet {NS}><numFmts count="1"><numFmt numFmtId="164" formatCode="yyyy\\-mm\\-dd"/>'
    '</numFmts><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="164" applyNumberFormat="1"/>'
    "</cellXfs></styleSheet>"
)


def xml_text(text: str) -> str:
    """Text that XML can hold; the rest is left out by :func:`clean`."""
    return escape(clean(text))


def clean(text: str) -> str:
    """Return what XML 1.0 can hold (section 2.2)."""
    return "".join(
        c
        for c in text
        if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    )


class Sheet:
    """One sheet: its XML, and the rows that a reader ought to find."""

    def __init__(self, title: str, rows: list[list[str]], rng: random.Random, spoil: float = 0.0):
        self.title, self.rng, self.strings = title, rng, []
        lines, self.rows = [], []
        number = 0
        for cells in rows:
            number += 1 if not spoil or rng.random() > 0.1 else rng.randint(2, 4)
            shown, parts = [], []
            for c, text in enumerate(cells):
                value, xml = self._cell(f"{get_column_letter(c + 1)}{number}", text, spoil)
                shown.append(value)
                parts.append(xml)
            lines.append(f'<row r="{number}">{"".join(parts)}</row>')
            if any(v.strip() for v in shown) or not self.rows:
                self.rows.append(Row(number, number, shown))
        self.xml = f"<worksheet {NS}><sheetData>{''.join(lines)}</sheetData></worksheet>"

    def _cell(self, name: str, text: str, spoil: float) -> tuple[str, str]:
        rng, text = self.rng, clean(text).replace("\r", "\n")
        if text == "":
            return "", ("" if rng.random() < 0.7 else f'<c r="{name}"/>')
        if spoil and rng.random() < spoil:
            kind = rng.randint(0, 4)
            if kind == 0:
                error = rng.choice(("#DIV/0!", "#N/A", "#REF!", "#VALUE!"))
                return error, f'<c r="{name}" t="e"><v>{error}</v></c>'
            if kind == 1:
                value = rng.choice("01")
                return value, f'<c r="{name}" t="b"><v>{value}</v></c>'
            if kind == 2:
                formula = escape(rng.choice(("1+1", "A1&B1", 'HYPERLINK("x")')))
                return text, (f'<c r="{name}" t="str"><f>{formula}</f>'
                              f"<v>{xml_text(text)}</v></c>")  # fmt: skip
            if kind == 3:
                value = rng.choice(
                    ("1e308", "-1e308", "0.30000000000000004", "45000", "-1", "1e15")
                )
                return value, f'<c r="{name}"><v>{value}</v></c>'
            half = len(text) // 2
            return text, (f'<c r="{name}" t="inlineStr"><is><r><t xml:space="preserve">'
                          f'{xml_text(text[:half])}</t></r><r><t xml:space="preserve">'
                          f"{xml_text(text[half:])}</t></r></is></c>")  # fmt: skip
        if len(text) == 10 and text[4] == text[7] == "-" and rng.random() < 0.7:
            try:
                day = dt.date.fromisoformat(text)
            except ValueError:
                day = dt.date.min
            if day > dt.date(1901, 1, 1):
                serial = (day - dt.date(1899, 12, 30)).days
                return text, f'<c r="{name}" s="1"><v>{serial}</v></c>'
        if rng.random() < 0.5 and text.isascii() and text.isdecimal() and len(text) < 6:
            return text, f'<c r="{name}"><v>{text}</v></c>'
        if rng.random() < 0.5:
            self.strings.append(text)
            return text, f'<c r="{name}" t="s"><v>@{len(self.strings) - 1}@</v></c>'
        return text, (f'<c r="{name}" t="inlineStr"><is><t xml:space="preserve">'
                      f"{xml_text(text)}</t></is></c>")  # fmt: skip


def parts(sheets: list[Sheet]) -> dict[str, str]:
    """Parts of the zip, by name."""
    shared: list[str] = []
    out = {
        "[Content_Types].xml": TYPES,
        "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
        f'relationships"><Relationship Id="rId1" Type="{REL}/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>',
    }
    names, relations = [], []
    for i, sheet in enumerate(sheets, 1):
        title = quoteattr(clean(sheet.title))
        names.append(f'<sheet name={title} sheetId="{i}" r:id="rId{i}"/>')
        relations.append(f'<Relationship Id="rId{i}" Type="{REL}/worksheet" '
                         f'Target="worksheets/sheet{i}.xml"/>')  # fmt: skip
        xml = sheet.xml
        for j, text in enumerate(sheet.strings):
            xml = xml.replace(f"<v>@{j}@</v>", f"<v>{len(shared)}</v>", 1)
            shared.append(text)
        out[f"xl/worksheets/sheet{i}.xml"] = xml
    relations += [
        f'<Relationship Id="rIdS" Type="{REL}/sharedStrings" Target="sharedStrings.xml"/>',
        f'<Relationship Id="rIdT" Type="{REL}/styles" Target="styles.xml"/>',
    ]
    out["xl/workbook.xml"] = (
        f'<workbook {NS} xmlns:r="{REL}"><sheets>{"".join(names)}</sheets></workbook>'
    )
    out["xl/_rels/workbook.xml.rels"] = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + "".join(relations) + "</Relationships>"
    )  # fmt: skip
    out["xl/sharedStrings.xml"] = (
        f"<sst {NS}>"
        + "".join(f'<si><t xml:space="preserve">{xml_text(t)}</t></si>' for t in shared)
        + "</sst>"
    )
    out["xl/styles.xml"] = STYLES
    return out


def pack(pieces: dict[str, str] | dict[str, bytes], rng: random.Random) -> bytes:
    """Zip the parts."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, text in pieces.items():
            data = text.encode("utf-8") if isinstance(text, str) else text
            how = zipfile.ZIP_DEFLATED if rng.random() < 0.8 else zipfile.ZIP_STORED
            archive.writestr(zipfile.ZipInfo(name), data, compress_type=how)
    return out.getvalue()
