"""Reading, panel and weekly report of one broken logbook, and of thousands."""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import io
import json
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import pandas as pd

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import LogbookError, read_logbook
from maturity_model.panel import build_panel

from .account import Case, account, account_panel, message_faults
from .book_kinds import KINDS

TODAY = dt.date(2026, 7, 1)
#: No small logbook may take more of a processor's time.
SECONDS = 20.0
CATALOGUE = load_catalogue()


def examine(case: Case) -> tuple[str, list[str]]:
    """Read a logbook: ``read`` or ``refused``, and the faults found."""
    began = time.process_time()
    try:
        book = read_logbook(case.path, CATALOGUE, today=TODAY)
        panel = build_panel(book)
        complaints = account(case, book) + account_panel(book, panel)
        outcome = "read"
    except LogbookError as error:
        outcome, complaints = "refused", message_faults(error)
    except Exception:
        return "traceback", [traceback.format_exc()]
    took = time.process_time() - began
    if took > SECONDS:
        complaints.append(f"took {took:.0f} s")
    return outcome, complaints


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not JSON")


def report(case: Case, out: Path) -> tuple[int, list[str]]:
    """Run the weekly command: its exit code, and the faults found."""
    from maturity_model.cli import main

    out.mkdir()
    before = set(out.parent.rglob("*"))
    said, printed = io.StringIO(), io.StringIO()
    target = out / "report"
    try:
        with contextlib.redirect_stderr(said), contextlib.redirect_stdout(printed):
            code = main(["weekly", str(case.path), "--out", str(target)])
    except SystemExit as error:
        code = int(error.code or 0)
    except BaseException:
        return -1, [traceback.format_exc()]
    complaints = []
    outside = {p for p in out.parent.rglob("*") if not p.is_relative_to(target)}
    if outside != before:
        complaints.append(f"files outside the output folder: {sorted(outside ^ before)}")
    if code not in (0, 3):
        complaints.append(f"exit code {code}: {said.getvalue()[:500]}")
    if code == 3 and not said.getvalue().strip():
        complaints.append("exit code 3 without a message")
    if "Traceback" in said.getvalue():
        complaints.append(said.getvalue())
    for page in target.glob("*.html"):
        text = page.read_text("utf-8")
        live = ("<script>alert", "<img src=x", "<svg/onload", '<a href="javascript')
        complaints += [f"{page.name} holds {bad!r} unescaped" for bad in live if bad in text]
        if "default-src 'none'" not in text:
            complaints.append(f"{page.name} forbids no script")
    for record in target.glob("*.json"):
        json.loads(record.read_text("utf-8"), parse_constant=_no_constant)
    return code, complaints


def run_one(number: int, seed: int, folder: Path, weekly: bool) -> tuple[str, str, int, list[str]]:
    """Write, read and remove logbook ``number``: its kind, outcome, exit code and complaints."""
    names = list(KINDS)
    name = names[number % len(names)]
    work = folder / f"run{number}"
    case = Case(work / f"log{number % 2}")
    case.path.mkdir(parents=True)
    try:
        KINDS[name](random.Random(repr((name, seed, number))), case)
        outcome, complaints = examine(case)
        code = -2
        if weekly:
            code, more = report(case, work / "out")
            complaints += more
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return name, outcome, code, complaints


def peak_mb() -> float:
    """Most memory this process has held, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def run_block(
    numbers: range, seed: int, folder: Path, weekly_every: int
) -> tuple[pd.DataFrame, int]:
    """Run some logbooks: what became of each kind, and how many had anything wrong."""
    counts, bad, weekly_runs = Counter[tuple[str, str]](), 0, 0
    for number in numbers:
        weekly = number % weekly_every == 0
        name, outcome, _, complaints = run_one(number, seed, folder, weekly)
        counts[name, outcome] += 1
        weekly_runs += weekly
        bad += bool(complaints)
        if complaints:
            print(f"{number} ({name}): " + "; ".join(complaints[:4]), file=sys.stderr)
    about = {"seed": seed, "first": numbers[0], "last": numbers[-1]}
    rest = {"unaccounted": bad, "weekly_runs": weekly_runs, "peak_mb": round(peak_mb())}
    outcomes = ("read", "refused", "traceback")
    rows = [
        about | {"kind": name} | {o: counts[name, o] for o in outcomes} | rest for name in KINDS
    ]
    return pd.DataFrame(rows), bad


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--count", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=1)
    said = "also run the whole weekly command on every Nth logbook"
    parser.add_argument("--weekly-every", type=int, default=101, metavar="N", help=said)
    said = "append results here by the thousand, and go on behind them"
    parser.add_argument("--out", type=Path, metavar="CSV", help=said)
    args = parser.parse_args()
    start, failed = 0, 0
    if args.out and args.out.exists():
        done = pd.read_csv(args.out)
        start = max(0, *done["last"][done["seed"] == args.seed] + 1)
    with tempfile.TemporaryDirectory() as folder:
        while start < args.count:
            numbers = range(start, min(start + 1_000, args.count))
            began = time.monotonic()
            counts, bad = run_block(numbers, args.seed, Path(folder), args.weekly_every)
            took = time.monotonic() - began
            start = numbers.stop
            said = f"{start} of {args.count}: {bad} bad, {peak_mb():.0f} MB, {took:.0f} s"
            print(said, flush=True)
            failed += bad
            if args.out and bad:
                break  # Not written down, so that the next run begins with it.
            if args.out:
                counts.to_csv(args.out, mode="a", header=not args.out.exists(), index=False)
    return 1 if failed else 0
