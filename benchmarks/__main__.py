"""``python -m benchmarks [--write] [--only PART] [--rounds N] [--tanks N]``."""

from __future__ import annotations

import os

# Before anything that starts threads is imported.
os.environ.update(
    NUMBA_NUM_THREADS="1",
    OMP_NUM_THREADS="1",
    OPENBLAS_NUM_THREADS="1",
    MKL_NUM_THREADS="1",
    XLA_FLAGS="--xla_cpu_multi_thread_eigen=false intra_op_parallelism_threads=1",
    JAX_PLATFORMS="cpu",
)

import argparse
import contextlib
import datetime
from pathlib import Path

from benchmarks import engine, filtering, machine, peak, reading, sampler, scoring, symbolic, weekly

RESULTS = Path(__file__).with_name("RESULTS.md")
PARTS = {
    "engine": ("Value and gradient", engine.measure),
    "symbolic": ("Value and gradient by symbolic tools", symbolic.measure),
    "peak": ("Value and gradient against this machine's peak", peak.measure),
    "filter": ("Filter of one tank", filtering.measure),
    "weekly": ("Weekly command", weekly.measure),
    "reading": ("Reading a large logbook", reading.measure),
    "sampler": ("Pooled fit", sampler.measure),
    "scoring": ("Scoring pools", scoring.measure),
}


def main() -> None:
    """Measure, print, and write if asked."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=engine.__doc__)
    parser.add_argument("--write", action="store_true", help=f"also write {RESULTS.name}")
    parser.add_argument("--only", choices=PARTS, help="one part instead of all")
    parser.add_argument("--rounds", type=int, default=9, help="at least 7")
    parser.add_argument(
        "--tanks", type=int, default=scoring.SIZES[-1],
        help="in the largest pool that is scored (100000 takes 35 minutes; default: %(default)s)",
    )  # fmt: skip
    options = parser.parse_args()
    if options.rounds < 7:
        parser.error("fewer than 7 rounds say little")
    with contextlib.suppress(AttributeError):
        # XLA starts threads all the same; one core keeps it to one.
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    lines = ["# What was measured", "", datetime.date.today().isoformat(), ""]
    lines += [f"- {line}" for line in machine.describe()]
    print("\n".join(lines), flush=True)
    for name, (title, measure) in PARTS.items():
        if options.only in (None, name):
            more = (options.tanks,) if name == "scoring" else ()
            part = ["", f"## {title}", "", *measure(options.rounds, *more)]
            print("\n".join(part), flush=True)
            lines += part
    if options.write:
        RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")


main()
