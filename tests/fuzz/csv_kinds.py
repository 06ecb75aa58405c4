"""The ways in which CSV files are broken, one function each; good rows to begin with."""

from __future__ import annotations

import os
import random
from collections.abc import Callable

from .account import Case
from .books import Sheet, pack, parts
from .nasty import EVERYTHING, FORMULAS, HEADERS, NAMES, PATHS, SCRIPTS, good_row

#: Writes a broken logbook into the folder of a case.
Kind = Callable[[random.Random, Case], None]
KINDS: dict[str, Kind] = {}
Table = tuple[list[str], list[list[str]]]


def kind(function: Kind) -> Kind:
    KINDS[function.__name__] = function
    return function


def tables(rng: random.Random, names: tuple[str, ...] = NAMES) -> dict[str, Table]:
    """A whole logbook of good rows."""
    tanks = rng.sample(names, rng.randint(1, min(4, len(names))))
    out: dict[str, Table] = {}
    sizes = {"tanks": len(tanks), "checkins": rng.randint(1, 14)}
    for table, chance in (("events", 0.7), ("kits", 0.4), ("signs", 0.3), ("logbook", 0.3)):
        if rng.random() < chance:
            sizes[table] = rng.randint(1, 6 if table == "events" else 2)
    for table, size in sizes.items():
        rows = [good_row(table, rng, i, tanks) for i in range(size)]
        header = [h for h in HEADERS[table] if h in ("tank", "started", "date", "event", "analyte",
                  "sign", "setting", "value") or rng.random() < 0.9]  # fmt: skip
        if table == "signs":
            header = list(HEADERS["signs"])
        rng.shuffle(header)
        out[table] = (header, [[row[h] for h in header] for row in rows])
    return out


def quote(cell: str, separator: str) -> str:
    if any(c in cell for c in (separator, '"', "\r", "\n")) or cell[:1] == " ":
        return '"' + cell.replace('"', '""') + '"'
    return cell


def csv_text(table: Table, separator: str = ",", end: str = "\n") -> str:
    header, rows = table
    lines = [separator.join(quote(c, separator) for c in row) for row in [header, *rows]]
    return end.join(lines) + end


def write(case: Case, name: str, data: bytes | str) -> None:
    """Write one CSV file; its rows are counted later."""
    data = data.encode("utf-8") if isinstance(data, str) else data
    (case.path / name).write_bytes(data)
    stem, ending = os.path.splitext(name.lower())
    if ending == ".csv" and stem in HEADERS:
        case.csv[name] = data


def rewrite(case: Case, name: str, data: bytes | str) -> None:
    """Write a broken file over a good one; how many rows it has is no longer known."""
    write(case, name, data)
    case.written.pop(name, None)


def put(case: Case, made: dict[str, Table], separator: str = ",", end: str = "\n") -> None:
    for name, table in made.items():
        write(case, f"{name}.csv", csv_text(table, separator, end))
        full = [r for r in table[1] if any(c.strip() for c in r)]
        case.written[f"{name}.csv"] = len(full)


def some(rng: random.Random, made: dict[str, Table]) -> str:
    """A table to break: mostly the check-ins."""
    return rng.choice([*made, "checkins", "checkins"])


def file_kind(function: Callable[[random.Random, bytes], bytes]) -> None:
    """A kind that changes the bytes of one CSV file of a good logbook."""

    def damage(rng: random.Random, case: Case) -> None:
        made = tables(rng)
        put(case, made)
        name = f"{some(rng, made)}.csv"
        rewrite(case, name, function(rng, case.csv[name]))

    KINDS[function.__name__] = damage


@kind
def clean(rng: random.Random, case: Case) -> None:
    put(case, tables(rng), rng.choice(",,;\t"), rng.choice(("\n", "\r\n", "\r")))


def spoil(rng: random.Random, made: dict[str, Table], texts: tuple[str, ...], share: float) -> None:
    for _, rows in made.values():
        for row in rows:
            for i in range(len(row)):
                if rng.random() < share:
                    row[i] = rng.choice(texts)


@kind
def cells(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    spoil(rng, made, EVERYTHING, rng.choice((0.02, 0.1, 0.4)))
    put(case, made, rng.choice(",,;\t"), rng.choice(("\n", "\r\n", "\r")))


@kind
def scripts(rng: random.Random, case: Case) -> None:
    """HTML, formulas and paths in every text field, tank names that work included."""
    texts = (*SCRIPTS, *FORMULAS, *PATHS)
    made = tables(rng, tuple(rng.sample([t for t in texts if len(t) <= 80], 8)))
    for header, rows in made.values():
        for row in rows:
            for i, name in enumerate(header):
                if name in ("note", "observer", "keeper", "club", "label", "where"):
                    row[i] = rng.choice(texts)
    put(case, made)


@kind
def empty(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    put(case, made)
    for _ in range(rng.randint(1, 2)):
        name = some(rng, made)
        data = rng.choice(
            (b"", b"\xef\xbb\xbf", b"\xff\xfe", b"\n\n\n", b" \n\t\n", b",,,\n", b'""\n', b'"',
             csv_text((made[name][0], [])).encode(), b"\r", b"\0")
        )  # fmt: skip
        rewrite(case, f"{name}.csv", data)


@file_kind
def truncated(rng: random.Random, content: bytes) -> bytes:
    return content[: rng.randint(0, len(content))]


@kind
def encodings(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    put(case, made)
    for table in made:
        text = csv_text(made[table])
        code = rng.choice(
            ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1",
             "cp1252", "cp437", "utf-7", "shift_jis", "mixed", "odd", "utf-16-be-mark")
        )  # fmt: skip
        if code == "mixed":
            data = text.encode() + "übrig,2026-01-01\n".encode("latin-1")
        elif code == "odd":
            data = text.encode("utf-16")[: rng.choice((-1, -3))]
        elif code == "utf-16-be-mark":
            data = b"\xfe\xff" + text.encode("utf-16-be")
        else:
            data = text.encode(code, "replace")
        write(case, f"{table}.csv", data)
        if not code.startswith("utf") or code == "utf-7":
            case.written.pop(f"{table}.csv", None)


@kind
def control_bytes(rng: random.Random, case: Case) -> None:
    """NUL and other bytes that no text holds; they part no rows."""
    made = tables(rng)
    put(case, made)
    name = f"{some(rng, made)}.csv"
    data = bytearray(case.csv[name])
    for _ in range(rng.randint(1, 4)):
        data.insert(
            rng.randint(0, len(data) - 3), rng.choice((0, 0, 1, 8, 11, 12, 26, 27, 28, 31, 127))
        )
    write(case, name, bytes(data))


@file_kind
def quotes(rng: random.Random, content: bytes) -> bytes:
    lines = content.decode().split("\n")
    for _ in range(rng.randint(1, 4)):
        i = rng.randrange(len(lines))
        at = rng.choice((0, len(lines[i]), rng.randint(0, len(lines[i]))))
        mark = rng.choice(('"', '"', '""', '"a"b', ',"', '",', '"\n"', "“", "'"))
        lines[i] = lines[i][:at] + mark + lines[i][at:]
    return "\n".join(lines).encode()


@kind
def separators(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    put(case, made)
    name = some(rng, made)
    header, rows = made[name]
    marks = (",", ";", "\t", "|", " ", ", ", " ;")
    lines = []
    for row in [header, *rows]:
        mark = rng.choice(marks) if rng.random() < 0.3 else ","
        lines.append(mark.join(quote(c, mark.strip() or ",") for c in row))
    rewrite(case, f"{name}.csv", rng.choice(("", "sep=;\n")) + "\n".join(lines))


@file_kind
def line_ends(rng: random.Random, content: bytes) -> bytes:
    ends = ("\n", "\r", "\r\n", "\n\r", "\n\n", "\r\r\n", "\x0b\n", "\x0c\n", "\x85\n", "\u2028\n")
    return "".join(line + rng.choice(ends) for line in content.decode().split("\n")).encode()


@kind
def headers(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    for _ in range(rng.randint(1, 3)):
        header, rows = made[some(rng, made)]
        i = rng.randrange(len(header))
        match rng.randint(0, 5):
            case 0:
                header.insert(i, rng.choice(header))
                for row in rows:
                    row.insert(i, rng.choice(EVERYTHING))
            case 1:
                header[i] = rng.choice(EVERYTHING)
            case 2 if len(header) > 1:
                del header[i]
                for row in rows:
                    del row[i : i + 1]
            case 3:
                header[i] = ""
            case 4:
                header[i] = header[i].upper().replace("_", rng.choice((" ", "-", "  ")))
            case _:
                header += [rng.choice(EVERYTHING)] * rng.choice((1, 5, 1000, 3000))
    put(case, made)
    case.written.clear()


@kind
def ragged(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    for _, rows in made.values():
        for row in list(rows):
            match rng.randint(0, 9):
                case 0:
                    row += [""] * rng.randint(1, 4)
                case 1:
                    row += [rng.choice(("", "x", " "))] * rng.randint(1, 9)
                case 2:
                    del row[rng.randint(1, len(row)) :]
                case 3:
                    rows.insert(rng.randrange(len(rows)), list(row))
                case 4:
                    rows.insert(rng.randrange(len(rows)), [rng.choice(("", " ", "\t"))] * len(row))
    put(case, made)


@file_kind
def noise(rng: random.Random, content: bytes) -> bytes:
    """Bytes flipped, dropped, doubled, moved."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 24)):
        a = rng.randint(0, len(data))
        b = min(len(data), a + rng.choice((1, 1, 2, 10, 60)))
        match rng.randint(0, 4):
            case 0 if a < len(data):
                data[a] ^= 1 << rng.randint(0, 7)
            case 1:
                del data[a:b]
            case 2:
                data[a:a] = data[a:b]
            case 3:
                data[a:a] = rng.choice((b'"', b",", b"\n", b"\r", b";", b"\xff", b"<", b"\\", b" "))
            case 4:
                piece = bytes(data[a:b])
                del data[a:b]
                c = rng.randint(0, len(data))
                data[c:c] = piece
    return bytes(data)


@kind
def long_lines(rng: random.Random, case: Case) -> None:
    made = tables(rng)
    name = some(rng, made)
    header, rows = made[name]
    i = rng.randrange(len(header))
    size = rng.choice((10_000, 10_001, 131_071, 131_072, 131_073, 400_000))
    rng.choice(rows)[i] = rng.choice(("x", "9", "ü", "\n", '"', ",")) * size
    put(case, made)
    case.written.pop(f"{name}.csv", None)


@kind
def old_dates(rng: random.Random, case: Case) -> None:
    """Dates before the start, in the future, and tanks that started long ago."""
    made = tables(rng)
    days = ("1970-01-01", "1985-06-30", "2019-01-01", "2026-06-30", "2026-07-01", "2026-07-02",
            "2099-01-01", "0001-01-01", "2025-12-19", "2025-12-31")  # fmt: skip
    for name in ("tanks", "checkins", "events"):
        if name in made:
            header, rows = made[name]
            at = header.index("started" if name == "tanks" else "date")
            for row in rows:
                if rng.random() < 0.5:
                    row[at] = rng.choice(days)
    put(case, made)


@kind
def files(rng: random.Random, case: Case) -> None:
    """Other files, folders and links where a table is looked for."""
    made = tables(rng)
    put(case, made)
    name = rng.choice(list(made))
    file = case.path / f"{name}.csv"
    match rng.randint(0, 9):
        case 0:
            file.unlink()
            del case.csv[file.name]
        case 1:
            file.unlink()
            file.mkdir()
        case 2:
            file.unlink()
            file.symlink_to(case.path / "nowhere")
        case 3:
            file.unlink()
            file.symlink_to(file)
        case 4:
            file.unlink()
            os.mkfifo(file)
        case 5:
            other = case.path / f"{name.upper()}.CSV"
            other.write_bytes(case.csv[file.name])
            case.csv[other.name] = case.csv[file.name]
        case 6:
            for other_name in rng.sample([t for t in (*SCRIPTS, *FORMULAS) if "/" not in t], 3):
                (case.path / f"{other_name}.csv").write_bytes(b"x")
            (case.path / os.fsdecode(b"\xff\xfe.csv")).write_bytes(b"x")
        case 7:
            sheet = Sheet(name, [made[name][0], *made[name][1]], rng)
            (case.path / "b.xlsx").write_bytes(pack(parts([sheet]), rng))
            case.tables[f"b.xlsx!{name}"] = sheet.rows
        case 8:
            (case.path / "a.xlsx").write_bytes(b"")
            (case.path / "b.xlsx").write_bytes(b"PK\3\4")
        case _:
            real = case.path / "elsewhere"
            file.rename(real)
            file.symlink_to(real)
    case.written.clear()
