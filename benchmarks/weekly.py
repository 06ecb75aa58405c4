"""The weekly command from a cold process, beside importing pandas and xarray alone."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchmarks.timing import in_turn, missing, ratios

ROOT = Path(__file__).parents[1]
WEEKLY = "maturity-model weekly data/demo"
BRIEF = f"{WEEKLY} --brief"
IMPORTS = 'python -c "import pandas, xarray"'
NOTHING = 'python -c "import numpy"'
#: At most so many times the imports: every question answered, and phase and risk alone.
TARGETS = {WEEKLY: 3.0, BRIEF: 1.5}
#: Hoped for, of either.
HOPED = 1.0


def process(*arguments: str) -> Callable[[], None]:
    # Installing compiles a package's modules to bytecode, the imports' and this one's alike.
    # Where Python is told to write none, this checkout would be compiled anew in each run.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}

    def run() -> None:
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
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
            BRIEF: process("-m", "maturity_model", "weekly", "data/demo", "--out", out, "--brief"),
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
            return [*problems, f"Targets against {IMPORTS}: NOT MEASURED."]
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
    lines.append("")
    for name, most in TARGETS.items():
        verdict = "met" if by_imports[name] <= most else "NOT MET"
        lines.append(
            f"- Target, `{name}` at most {most:g} times {IMPORTS}: "
            f"{by_imports[name]:.2f}, {verdict}."
        )
        if by_imports[name] > HOPED:
            lines.append(f"- Hoped for, at most {HOPED:g} times: NOT MET.")
    return lines
