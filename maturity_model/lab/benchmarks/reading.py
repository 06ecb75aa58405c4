"""Reading and checking 1,000 tanks of 100 check-ins, beside pandas' own read of the same CSV."""

from __future__ import annotations

import csv
import datetime as dt
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from maturity_model.lab.benchmarks.timing import in_turn, missing, ratios

TANKS, LOOKS = 1000, 100
OURS, PANDAS = "read_logbook", "pandas.read_csv of checkins.csv"
#: At most this many times pandas, plus seconds; and megabytes of the whole process.
TIMES, SECONDS, MEGABYTES = 3.0, 2.0, 500
_RESULTS = {
    "ammonia": "0 0.25 <0.25 0.5", "nitrite": "0 0.25 0.5", "nitrate": "5 10 20 25",
    "phosphate": "0.03 0.1 <0.02 0.05", "ph": "8.1 8.2 8.05", "salinity": "35 34.5 35.2",
    "temperature": "25.0 24.8 25.4", "alkalinity": "8 8.5 9",
}  # fmt: skip
_MEMORY = (
    "import resource, sys; from maturity_model.logbook import read_logbook; "
    "n = len(read_logbook(sys.argv[1]).checkins); "
    "print(n, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
)


def make(folder: Path, tanks: int = TANKS, looks: int = LOOKS) -> None:
    """Write a large logbook; the same each time."""
    from maturity_model.catalogue import load_catalogue

    rng = random.Random(20)
    signs = list(load_catalogue().signs)
    first = dt.date(2021, 1, 3)
    starts = [first + dt.timedelta(days=rng.randrange(600)) for _ in range(tanks)]
    with (folder / "tanks.csv").open("w", newline="") as handle:
        out = csv.writer(handle)
        out.writerow("tank keeper started volume_l rock".split())
        for i, start in enumerate(starts):
            rock = rng.choice(["dry", "mixed", "live"])
            out.writerow([f"Tank {i}", f"keeper {i // 3}", start, rng.choice([60, 300]), rock])
    results = {name: text.split() for name, text in _RESULTS.items()}
    with (folder / "checkins.csv").open("w", newline="") as handle:
        out = csv.writer(handle)
        out.writerow(["tank", "date", "observer", "look", *signs, *results, "note"])
        for k in range(looks):
            for i, start in enumerate(starts):
                date = start + dt.timedelta(days=7 * k + rng.randrange(7))
                answers = [rng.choice(["y", "n", "n", ""]) for _ in signs]
                found = [rng.choice(r) if rng.random() < 0.6 else "" for r in results.values()]
                note = f"note {rng.randrange(10**6)}" if rng.random() < 0.3 else ""
                how = rng.choice(["", "careful", "torch", "glance"])
                out.writerow([f"Tank {i}", date, f"keeper {i // 3}", how, *answers, *found, note])


def megabytes(folder: Path) -> float:
    """Most memory of a process that does nothing but read the logbook."""
    words = [sys.executable, "-c", _MEMORY, str(folder)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    checkins, most = map(int, done.stdout.split())
    if checkins != TANKS * LOOKS:
        raise RuntimeError(f"{checkins} check-ins instead of {TANKS * LOOKS}")
    return most / (2**20 if sys.platform == "darwin" else 2**10)


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    from maturity_model.logbook import read_logbook

    try:
        import pandas as pd
    except ImportError as error:
        return [missing(PANDAS, error), "Target: NOT MEASURED."]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder)
        ours, pandas = in_turn(
            {
                OURS: lambda: read_logbook(folder),
                PANDAS: lambda: pd.read_csv(folder / "checkins.csv"),
            },
            rounds,
            time.process_time,
        )
        memory = megabytes(folder)
    ratio = ratios([ours, pandas], PANDAS)[OURS]
    limit = TIMES * pandas.median + SECONDS
    fast = "met" if ours.median <= limit else "NOT MET"
    small = "met" if memory <= MEGABYTES else "NOT MET"
    return [
        f"{TANKS:,} tanks x {LOOKS} check-ins, {rounds} rounds in turn, processor time",
        "",
        "| | median s | best s | times pandas |",
        "|---|---:|---:|---:|",
        f"| `{OURS}` | {ours.median:.3f} | {ours.best:.3f} | {ratio:.1f} |",
        f"| `{PANDAS}` | {pandas.median:.3f} | {pandas.best:.3f} | 1.0 |",
        "",
        f"- Target, at most {TIMES:g} times pandas plus {SECONDS:g} s ({limit:.2f} s): "
        f"{ours.median:.2f} s, {fast}.",
        f"- Target, at most {MEGABYTES} MB of memory for the whole process: {memory:.0f} MB, "
        f"{small}.",
    ]
