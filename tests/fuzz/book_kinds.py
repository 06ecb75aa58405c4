"""The ways in which workbooks are broken, one function each; ``KINDS`` holds all kinds."""

from __future__ import annotations

import random

from .account import Case, fold
from .books import Sheet, pack, parts
from .csv_kinds import KINDS, Table, kind, spoil, tables
from .nasty import EVERYTHING, HEADERS

__all__ = ["KINDS"]

SHEETS = "xl/worksheets/"
FIRST = f"{SHEETS}sheet1.xml"


def _sheets(rng: random.Random, made: dict[str, Table], spoil: float) -> list[Sheet]:
    return [Sheet(name, [t[0], *t[1]], rng, spoil) for name, t in made.items()]


def _book(case: Case, sheets: list[Sheet], data: bytes, known: bool = True) -> None:
    path = case.path / "log.xlsx"
    path.write_bytes(data)
    if case.path.name.endswith("1"):
        case.path = path
    if known:
        case.tables = {f"log.xlsx!{s.title}": s.rows for s in sheets}
        case.written = {f: len(r) - 1 for f, r in case.tables.items()}


@kind
def sheets(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    if rng.random() < 0.5:
        spoil(rng, made, EVERYTHING, 0.1)
    book = _sheets(rng, made, rng.choice((0.0, 0.2)))
    _book(case, book, pack(parts(book), rng))


@kind
def merged_cells(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    for _, rows in made.values():
        # Only the first cell of a merged range holds anything.
        a, b = sorted((rng.randrange(len(rows)), rng.randrange(len(rows))))
        column = rng.randrange(len(rows[0]))
        for row in rows[a + 1 : b + 1]:
            row[column] = ""
    book = _sheets(rng, made, 0.0)
    merged = b'</sheetData><mergeCells count="1"><mergeCell ref="A2:A9"/></mergeCells>'
    pieces = parts(book)
    for name in (n for n in pieces if n.startswith(SHEETS)):
        pieces[name] = pieces[name].replace(b"</sheetData>", merged)
    _book(case, book, pack(pieces, rng))


@kind
def sheet_names(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    book = _sheets(rng, made, 0.0)
    extra = rng.choice(book)
    match rng.randint(0, 3):
        case 0:
            other = Sheet(extra.title.upper(), [["tank"], ["x"]], rng)
            book.append(other)
        case 1:
            book.append(Sheet(rng.choice([t for t in EVERYTHING if 0 < len(t) < 40]), [["x"]], rng))
        case 2:
            extra.title = extra.title.title() + " "
        case _:
            book.append(Sheet("Legend", [["a", "b"]] * 5, rng))
    _book(case, book, pack(parts(book), rng))
    case.tables = {f: r for f, r in case.tables.items() if fold(f.split("!")[1]) in HEADERS}
    case.written.clear()


@kind
def zip_noise(rng: random.Random, case: Case) -> None:
    book = _sheets(rng, tables(rng), 0.1)
    data = bytearray(pack(parts(book), rng))
    match rng.randint(0, 3):
        case 0:
            data = data[: rng.randint(0, len(data))]
        case 1:
            data += b"tail" * rng.randint(1, 99)
        case _:
            for _ in range(rng.randint(1, 8)):
                data[rng.randrange(len(data))] = rng.randint(0, 255)
    _book(case, book, bytes(data), known=False)


@kind
def xml_cut(rng: random.Random, case: Case) -> None:
    """A sheet that ends before its end, in a zip that is whole: no row may vanish unsaid."""
    book = _sheets(rng, tables(rng), 0.0)
    pieces = parts(book)
    name = rng.choice([n for n in pieces if n.startswith(SHEETS)])
    xml = pieces[name]
    start, end = xml.index(b"<sheetData>") + 11, xml.index(b"</sheetData>")
    pieces[name] = xml[: rng.randint(start, end)]
    _book(case, book, pack(pieces, rng))


@kind
def xml_noise(rng: random.Random, case: Case) -> None:
    book = _sheets(rng, tables(rng), 0.1)
    pieces = parts(book)
    name = rng.choice(list(pieces))
    text = pieces[name].decode()
    junk = (
        "<", ">", "&", "&#0;", "&x;", "<c", "</row>", '"', "<!DOCTYPE x [<!ENTITY a 'b'>]>", "<v>",
        "99999999999", "-1", "A1048577", "XFE1", 't="d"', 't="s"', "<is>", "]]>", "\ufffe", " r=",
        '<row r="1048576">', '<c r="A1"><v>1</v></c>', "<f>1</f>", "é", "xml:space",
    )  # fmt: skip
    for _ in range(rng.randint(1, 5)):
        a = rng.randint(0, len(text))
        b = a + rng.choice((0, 0, 1, 5, 40))
        text = text[:a] + rng.choice((rng.choice(junk), "")) + text[b:]
    pieces[name] = text.encode()
    _book(case, book, pack(pieces, rng), known=False)


@kind
def zip_bombs(rng: random.Random, case: Case) -> None:
    """Small ones by the thousand; large ones are tested once."""
    book = _sheets(rng, tables(rng), 0.0)
    pieces = parts(book)
    sheet = pieces[FIRST]
    known = False
    match rng.randint(0, 6):
        case 0:
            pieces["xl/media/x.png"] = b"\0" * (9 << 20)
        case 1:
            for i in range(2_001):
                pieces[f"xl/x{i}"] = b""
        case 2:
            laughs = b'<!DOCTYPE l [<!ENTITY a "' + b"ha" * 50 + b'">'
            for a, b in zip("abcdefgh", "bcdefghi", strict=True):
                laughs += f'<!ENTITY {b} "{f"&{a};" * 10}">'.encode()
            pieces[FIRST] = laughs + b"]>" + sheet.replace(b"reef", b"&i;")
        case 3:
            far = rng.choice((b"XFD1048576", b"A60000", b"XFD1", b"ZZZ9999999", b"A0", b"a1:b2"))
            pieces[FIRST] = sheet.replace(
                b"</sheetData>", b'<row><c r="' + far + b'"><v>1</v></c></row></sheetData>'
            )
        case 4:
            pieces["../../../up.xml"] = pieces["/etc/x"] = b"x"
            known = True
        case 5:
            pieces["xl/sharedStrings.xml"] = b"<sst><si><t>" + b"x" * (1 << 20) + b"</t></si></sst>"
        case _:
            wide = b"".join(b"<c><v>1</v></c>" for _ in range(rng.choice((2_500, 40_000))))
            pieces[FIRST] = sheet.replace(b"<sheetData>", b"<sheetData><row>" + wide + b"</row>")
    _book(case, book, pack(pieces, rng), known)
