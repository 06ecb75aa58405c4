"""Reading and checking 1,000 tanks of 100 check-ins, beside pandas' own read of the same CSV."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.lab.benchmarks.timing import in_turn, timing_table, verdict

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


def write_log(folder: Path) -> None:
    """Write a large logbook; the same each time."""
    from maturity_model.catalogue import load_catalogue

    rng = np.random.default_rng(20)
    tank = np.arange(TANKS)
    started = np.datetime64("2021-01-03") + rng.integers(0, 600, TANKS)
    tanks = {
        "tank": [f"Tank {i}" for i in tank],
        "keeper": [f"keeper {i // 3}" for i in tank],
        "started": started,
        "volume_l": rng.choice([60, 300], TANKS),
        "rock": rng.choice(["dry", "mixed", "live"], TANKS),
    }
    pd.DataFrame(tanks).to_csv(folder / "tanks.csv", index=False)
    at, week = np.tile(tank, LOOKS), np.repeat(np.arange(LOOKS), TANKS)
    n = len(at)
    rows = {
        "tank": np.array(tanks["tank"])[at],
        "date": started[at] + 7 * week + rng.integers(0, 7, n),
        "observer": np.array(tanks["keeper"])[at],
        "look": rng.choice(["", "careful", "torch", "glance"], n),
    }
    rows |= {name: rng.choice(["y", "n", "n", ""], n) for name in load_catalogue().signs}
    for name, results in _RESULTS.items():
        rows[name] = np.where(rng.random(n) < 0.6, rng.choice(results.split(), n), "")
    notes = [f"note {i}" for i in rng.integers(0, 10**6, n)]
    rows["note"] = np.where(rng.random(n) < 0.3, notes, "")
    pd.DataFrame(rows).to_csv(folder / "checkins.csv", index=False)


def megabytes(folder: Path) -> float:
    """Most memory of a process that does nothing but read the logbook."""
    words = [sys.executable, "-c", _MEMORY, str(folder)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    checkins, most = done.stdout.split()
    if int(checkins) != TANKS * LOOKS:
        raise RuntimeError(f"{checkins} check-ins instead of {TANKS * LOOKS}")
    return float(most)


def measure(rounds: int) -> str:
    """Part of the page."""
    from maturity_model.logbook import read_logbook

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_log(folder)
        things = {
            OURS: lambda: read_logbook(folder),
            PANDAS: lambda: pd.read_csv(folder / "checkins.csv"),
        }
        seconds = in_turn(things, rounds)
        memory = megabytes(folder)
    took, pandas = seconds.median()
    limit = TIMES * pandas + SECONDS
    items = [
        verdict(
            f"at most {TIMES:g} times pandas plus {SECONDS:g} s ({limit:.2f} s): {took:.2f} s",
            took <= limit,
        ),
        verdict(
            f"at most {MEGABYTES} MB of memory for the whole process: {memory:.0f} MB",
            memory <= MEGABYTES,
        ),
    ]
    return "\n\n".join(
        [
            f"{TANKS:,} tanks x {LOOKS} check-ins, {rounds} rounds in turn, processor time.",
            timing_table(seconds, PANDAS, "s", 1.0, 3),
            "\n".join(items),
        ]
    )
