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

from maturity_model.lab.benchmarks.timing import in_turn, missing, table, verdict

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
    "import sys; from maturity_model.logbook import read_logbook; "
    "from maturity_model.lab.benchmarks.machine import peak_megabytes; "
    "print(len(read_logbook(sys.argv[1]).checkins), peak_megabytes())"
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
    checkins, most = done.stdout.split()
    if int(checkins) != TANKS * LOOKS:
        raise RuntimeError(f"{checkins} check-ins instead of {TANKS * LOOKS}")
    return float(most)


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
        things = {
            OURS: lambda: read_logbook(folder),
            PANDAS: lambda: pd.read_csv(folder / "checkins.csv"),
        }
        timings = in_turn(things, rounds, time.process_time)
        memory = megabytes(folder)
    ours, pandas = (t.median for t in timings)
    limit = TIMES * pandas + SECONDS
    return [
        f"{TANKS:,} tanks x {LOOKS} check-ins, {rounds} rounds in turn, processor time",
        "",
        table(timings, "s", 1.0, {"times pandas": PANDAS}, digits=3),
        "",
        f"- Target, at most {TIMES:g} times pandas plus {SECONDS:g} s ({limit:.2f} s): "
        f"{ours:.2f} s, {verdict(ours <= limit)}.",
        f"- Target, at most {MEGABYTES} MB of memory for the whole process: {memory:.0f} MB, "
        f"{verdict(memory <= MEGABYTES)}.",
    ]
