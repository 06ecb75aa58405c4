"""Add thousands of check-in files to logbooks, and correct entries: no row may get lost.

``python -m tests.fuzz.adds --count 5000 --out reports/fuzz/adds.csv``
"""

from __future__ import annotations

import argparse
import csv
import io
import random
import resource
import shutil
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

import pandas as pd

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import read_logbook
from maturity_model.logbook.add import add_file
from maturity_model.logbook.correct import correct_entry
from maturity_model.logbook.edit import EditError

from .account import Case, records
from .csv_kinds import put, tables
from .nasty import ANALYTES, EVERYTHING, HEADERS, NAMES, good_row
from .run import TODAY, peak_mb

CATALOGUE = load_catalogue()
#: Address space of the process: more would mean that a small file takes it all.
MAX_BYTES = 2**30
CONFLICTS = ("refuse", "replace", "beside")
OBSERVERS = ("", "", "ann", "bo", "Ann", "b\u043e", "=cmd|x", "'=cmd|x", "=" + "x" * 79,
             "x" * 80, "x" * 81, "+1", "-rf", "@SUM(A1)")  # fmt: skip
FILE_COLUMNS = [*HEADERS["checkins"][:-1], "event", "amount", "note"]
#: Cells that the log writes in its own way.
_REWRITTEN = {"tank", "date", "observer"}


def spelled(rng: random.Random, name: str) -> str:
    """A tank's name, sometimes in another spelling."""
    how = rng.random()
    if how < 0.9:
        return name
    return rng.choice(
        (name.upper(), name + "\u200b", name.replace(" ", "\u00a0"), name.replace("e", "\u0435"),
         f" {name}", name.replace(" ", "  "), rng.choice(NAMES))
    )  # fmt: skip


def incoming_row(rng: random.Random, log: Case, tanks: list[str]) -> dict[str, str]:
    """A good row, one that repeats or contradicts the log's, or one with anything in it."""
    table = "events" if rng.random() < 0.25 else "checkins"
    row = good_row(table, rng, rng.randint(0, 99), tanks)
    old = log.csv.get(f"{table}.csv")
    if old and rng.random() < 0.6:
        header, *rows = [r.cells or [] for r in records(old.decode(), ",") if r.cells]
        if rows:
            row |= dict(zip(header, rng.choice(rows), strict=False))
            for column in rng.sample(sorted(row), rng.randint(0, 3)):
                if column not in ("tank", "date", "event"):
                    other = good_row(table, rng, rng.randint(0, 99), tanks)
                    row[column] = rng.choice(("", other.get(column, "")))
    row["tank"] = spelled(rng, row["tank"])
    if table == "checkins":
        row["observer"] = rng.choice((row.get("observer", ""), rng.choice(OBSERVERS)))
        row["look"] = rng.choice((row.get("look", ""), "", "torch", "glance"))
    if rng.random() < 0.04:
        row[rng.choice(FILE_COLUMNS)] = rng.choice(EVERYTHING)
    return row


def make_log(rng: random.Random, folder: Path) -> tuple[Case, list[str]]:
    """A logbook with kits in several units; its tanks."""
    folder.mkdir()
    case = Case(folder)
    made = tables(rng)
    header, rows = made["checkins"]
    if "observer" in header and rng.random() < 0.5:
        for row in rows:
            row[header.index("observer")] = rng.choice(OBSERVERS[:8])
    if rng.random() < 0.5:
        units = ("", "mg/L", "mg/L N", "furlongs", "mg/L NO3")
        kits = [[rng.choice(("ann", "bo", "")), rng.choice(ANALYTES),
                 rng.choice(("", "strip", "photometer")), rng.choice(units)]
                for _ in range(4)]  # fmt: skip
        made["kits"] = (["keeper", "analyte", "method", "unit"], kits)
    made.pop("logbook", None)  # a decimal comma would make every reading a fault
    put(case, made)
    tank_header, tank_rows = made["tanks"]
    return case, [row[tank_header.index("tank")] for row in tank_rows]


def incoming_file(rng: random.Random, log: Case, tanks: list[str]) -> bytes:
    """A file of one to six rows, as the form or a hand writes it."""
    rows = [incoming_row(rng, log, tanks) for _ in range(rng.choice((1, 1, 1, 2, 3, 6)))]
    named = [c for c in FILE_COLUMNS if any(row.get(c) for row in rows)]
    out = io.StringIO()
    end = rng.choice(("\n", "\r\n"))
    writer = csv.writer(out, delimiter=rng.choice(",,,;\t"), lineterminator=end)
    writer.writerow(named)
    writer.writerows([[row.get(c, "") for c in named] for row in rows])
    data = bytearray(out.getvalue().encode(rng.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16"))))
    if rng.random() < 0.03:
        data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix == ".csv"}


def used(folder: Path) -> dict[str, int]:
    """Rows that are used, by file."""
    return {r.file: r.used for r in read_logbook(folder, CATALOGUE, today=TODAY).rows}


def unclear(error: EditError) -> list[str]:
    """What is wrong with the lines of a refusal: each names a place and a remedy."""
    return [f"says only {line!r}" for line in error.lines if ": " not in line or "; " not in line]


def lost_cells(data: bytes, folder: Path) -> list[str]:
    """Cells of an added file that stand in no row of the log; found by another CSV splitter."""
    text = data.decode("utf-16" if data[:1] in (b"\xff", b"\xfe") else "utf-8-sig")
    separator = max(",;\t", key=text.split("\n")[0].count)
    header, *rows = [r.cells or [] for r in records(text, separator) if r.cells]
    # A blank look is a careful one.
    there = {"careful"} | {
        cell.strip().removeprefix("'")
        for name in ("checkins.csv", "events.csv") if (folder / name).exists()
        for r in records((folder / name).read_text("utf-8"), ",") for cell in r.cells or []
    }  # fmt: skip
    return [
        f"{column} {cell!r} got lost"
        for row in rows
        for column, cell in zip(header, row, strict=False)
        if cell.strip() and column not in _REWRITTEN and cell.strip().removeprefix("'") not in there
    ]


def check_added(data: bytes, path: Path, folder: Path, conflict: str) -> tuple[str, list[str]]:
    """Add a file; the outcome, and what is wrong with it."""
    before, rows = contents(folder), used(folder)
    try:
        added = add_file(path, folder, conflict=conflict, catalogue=CATALOGUE, today=TODAY)  # type: ignore[arg-type]
    except EditError as error:
        changed = contents(folder) != before or (folder / "backup").exists()
        return "refused", unclear(error) + ["changed though refused"] * changed
    complaints = [] if conflict == "replace" else lost_cells(data, folder)
    now = used(folder)
    for file, count in (("checkins.csv", added.checkins), ("events.csv", added.events)):
        if now.get(file, 0) != rows.get(file, 0) + count:
            complaints.append(f"{file}: {now.get(file, 0)} rows used, not {rows} and {count}")
    kept = {(folder / name).read_bytes() for name in added.backups}
    after = contents(folder)
    for name, old in before.items():
        if after[name] != old and old not in kept:
            complaints.append(f"{name} is not in the backup")
    again = add_file(path, folder, conflict=conflict, catalogue=CATALOGUE, today=TODAY)  # type: ignore[arg-type]
    if (again.checkins, again.events, again.replaced) != (0, 0, 0) or contents(folder) != after:
        complaints.append(f"adding again changed something: {again}")
    return "added", complaints


def check_corrected(rng: random.Random, folder: Path) -> tuple[str, list[str]]:
    """Correct a random entry; the outcome, and what is wrong with it."""
    table = rng.choice(("checkins", "checkins", "events"))
    before, rows = contents(folder), used(folder)
    where = (table, rng.randint(1, 12))
    row = good_row(table, rng, 0, list(NAMES))
    cells = {c: rng.choice((row[c], rng.choice(EVERYTHING))) for c in rng.sample(sorted(row), 2)}
    remove = rng.random() < 0.1
    try:
        done = correct_entry(
            folder, {} if remove else cells, row=where, remove=remove, catalogue=CATALOGUE,
            today=TODAY,
        )  # fmt: skip
    except EditError as error:
        return "not corrected", unclear(error) + ["changed though refused"] * (
            contents(folder) != before
        )
    file, now = f"{table}.csv", used(folder)
    complaints = []
    if now[file] - rows.get(file, 0) not in ((-1, 0) if remove else (0, 1)):
        complaints.append(f"{file}: {rows} rows used, then {now}, by {where} {cells}")
    if any(now.get(name) != count for name, count in rows.items() if name != file):
        complaints.append("another table changed")
    if done.changes and before[file] not in {(folder / b).read_bytes() for b in done.backups}:
        complaints.append("the old table is not in the backup")
    return "corrected", complaints


def run_one(number: int, seed: int, work: Path) -> tuple[str, list[tuple[str, list[str]]]]:
    """Add file ``number``, and correct an entry of the same log; the outcomes and complaints."""
    rng = random.Random(repr(("add", seed, number)))
    conflict = CONFLICTS[number % 3]
    work.mkdir()
    try:
        log, tanks = make_log(rng, work / "log")
        data = incoming_file(rng, log, tanks)
        path = work / "in.csv"
        path.write_bytes(data)
        outcomes = []
        for step in (
            lambda: check_added(data, path, work / "log", conflict),
            lambda: check_corrected(rng, work / "log"),
        ):
            try:
                outcomes.append(step())
            except Exception:
                outcomes.append(("traceback", [traceback.format_exc()]))
        return conflict, outcomes
    finally:
        shutil.rmtree(work)


def run(count: int, seed: int) -> tuple[pd.DataFrame, int]:
    """Add files; how many ended how, and how many had anything wrong."""
    counts, bad = Counter[tuple[str, str]](), 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            conflict, outcomes = run_one(number, seed, Path(folder) / "run")
            for outcome, complaints in outcomes:
                counts[conflict, outcome] += 1
                bad += bool(complaints)
                if complaints:
                    print(f"{number} ({conflict}): " + "; ".join(complaints[:3]), file=sys.stderr)
    names = ("added", "refused", "corrected", "not corrected", "traceback")
    rows = [{"conflict": c} | {name: counts[c, name] for name in names} for c in CONFLICTS]
    about = {"seed": seed, "unaccounted": bad, "peak_mb": round(peak_mb())}
    return pd.DataFrame([row | about for row in rows]), bad


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.adds", description=__doc__)
    parser.add_argument("--count", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, metavar="CSV")
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_DATA, (MAX_BYTES, MAX_BYTES))
    table, bad = run(args.count, args.seed)
    print(table.to_string(index=False))
    if args.out and not bad:
        table.to_csv(args.out, index=False)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
