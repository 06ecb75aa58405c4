"""``python -m maturity_model.lab.benchmarks [--write] [--only PART ...] [--rounds N] [--tanks N]``.

Each part stands on the page with its own date, load and versions, so that one can be measured
again without the others.
"""

from __future__ import annotations

import os

# Before anything that starts threads is imported.
os.environ.update(
    NUMBA_NUM_THREADS="1", OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1"
)

import argparse
import datetime
import re
from pathlib import Path

from maturity_model.lab.benchmarks import engine, machine, reading, sampler, scoring, weekly
from maturity_model.lab.page import bullets
from maturity_model.whole_files import write_file

RESULTS = Path(__file__).with_name("RESULTS.md")
PARTS = {
    "engine": ("Value and gradient", engine.measure),
    "weekly": ("Weekly command", weekly.measure),
    "reading": ("Reading a large logbook", reading.measure),
    "sampler": ("Pooled fit", sampler.measure),
    "scoring": ("Scoring pools", scoring.measure),
}


def measured(name: str, options: argparse.Namespace) -> str:
    """One part of the page, measured now."""
    title, measure = PARTS[name]
    more = (options.tanks,) if name == "scoring" else ()
    head = [f"## {title}", f"{datetime.date.today()}\n{bullets(machine.describe())}"]
    return "\n\n".join([*head, measure(options.rounds, *more)]) + "\n"


def page(found: dict[str, str], before: str) -> str:
    """The page so far with some parts, by name, replaced; the others stay as they were."""
    old = {m[1]: m[0] for m in re.finditer(r"(?ms)^## ([^\n]+)\n.*?(?=^## |\Z)", before)}
    parts = (found.get(name) or old.get(title) for name, (title, _) in PARTS.items())
    return "\n".join(["# What was measured\n", *(p.rstrip("\n") + "\n" for p in parts if p)])


def main() -> None:
    """Measure, print, and write if asked."""
    parser = argparse.ArgumentParser(
        prog="python -m maturity_model.lab.benchmarks", description="Speed beside named peers."
    )
    parser.add_argument("--write", action="store_true", help=f"also write {RESULTS.name}")
    parser.add_argument("--only", choices=PARTS, action="append", help="may be repeated")
    parser.add_argument("--rounds", type=int, default=9, help="at least 7")
    parser.add_argument(
        "--tanks", type=int, default=scoring.SIZES[-1],
        help="in the largest pool that is scored (100000 takes 35 minutes; default: %(default)s)",
    )  # fmt: skip
    options = parser.parse_args()
    if options.rounds < 7:
        parser.error("fewer than 7 rounds say little")
    for name in PARTS:
        if not options.only or name in options.only:
            part = measured(name, options)
            print(part, flush=True)
            if options.write:
                # After each: a later part that fails loses nothing.
                before = RESULTS.read_text(encoding="utf-8") if RESULTS.is_file() else ""
                write_file(RESULTS, page({name: part}, before))


if __name__ == "__main__":
    main()
