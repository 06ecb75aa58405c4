"""The weekly command from a cold process, beside importing pandas and xarray alone."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchmarks.timing import in_turn, missing, ratios

ROOT = Path(__file__).parents[1]
WEEKLY = "maturity-model weekly data/demo"
IMPORTS = 'python -c "import pandas, xarray"'
NOTHING = 'python -c "import numpy"'
TARGET = 1.5


def process(*arguments: str) -> Callable[[], None]:
    def run() -> None:
        done = subprocess.run(
            [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True
        )
        if done.returncode != 0:
            raise RuntimeError(f"{' '.join(arguments)} ended with {done.returncode}: {done.stderr}")

    return run


def measure(rounds: int) -> list[str]:
    """Lines of the report; kernels are cached by the unmeasured first run."""
    with tempfile.TemporaryDirectory() as folder:
        out = str(Path(folder) / "report")
        things = {
            WEEKLY: process("-m", "maturity_model", "weekly", "data/demo", "--out", out),
            IMPORTS: process("-c", "import pandas, xarray"),
            NOTHING: process("-c", "import numpy"),
        }
        problems = []
        for name in (IMPORTS, WEEKLY):
            try:
                things[name]()
            except RuntimeError as error:
                problems.append(missing(name, error))
        if problems:
            return [*problems, f"Target, at most {TARGET} times {IMPORTS}: NOT MEASURED."]
        timings = in_turn(things, rounds)
    by_imports = ratios(timings, IMPORTS)
    lines = [
        f"Cold processes of the same interpreter, {rounds} rounds in turn, kernels cached, wall",
        "",
        "| | median s | best s | times the imports |",
        "|---|---:|---:|---:|",
    ]
    lines += [
        f"| `{t.name}` | {t.median:.3f} | {t.best:.3f} | {by_imports[t.name]:.2f} |"
        for t in timings
    ]
    verdict = "met" if by_imports[WEEKLY] <= TARGET else "NOT MET"
    lines += [
        "",
        f"Target, at most {TARGET} times {IMPORTS}: {by_imports[WEEKLY]:.2f}, {verdict}.",
    ]
    return lines
