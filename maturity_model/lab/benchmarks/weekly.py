"""The weekly command from a cold process, beside importing pandas and xarray alone."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from maturity_model.lab.benchmarks.timing import ratios, timing_table, verdict

ROOT = Path(__file__).parents[3]
#: On the last day of the demo: later it is silent, and there is less to answer.
AS_OF = "2026-11-20"
WEEKLY = f"maturity-model weekly data/demo --as-of {AS_OF}"
BRIEF = f"{WEEKLY} --brief"
IMPORTS = 'python -c "import pandas, xarray"'
#: At most this many times the imports, in wall time: every question answered, and phase and
#: risk alone.
TARGETS = {WEEKLY: 2.5, BRIEF: 1.5}


def run(words: list[str]) -> tuple[float, float]:
    """Run the interpreter in a process of its own: seconds of wall and of processor."""
    # Installing a package compiles it to bytecode; this checkout would otherwise be compiled in
    # each run where Python may not write any.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}

    def processor() -> float:
        usage = resource.getrusage(resource.RUSAGE_CHILDREN)
        return usage.ru_utime + usage.ru_stime

    wall, busy = time.perf_counter(), processor()
    subprocess.run(
        [sys.executable, *words], cwd=ROOT, env=environment, capture_output=True, check=True
    )
    return time.perf_counter() - wall, processor() - busy


def measure(rounds: int) -> str:
    """Part of the page; the unmeasured first round fills the cache of kernels."""
    with tempfile.TemporaryDirectory() as folder:
        weekly = ["-m", *WEEKLY.replace("-", "_", 1).split(), "--out", f"{folder}/out"]
        commands = {
            WEEKLY: weekly,
            BRIEF: [*weekly, "--brief"],
            IMPORTS: ["-c", "import pandas, xarray"],
        }
        found = [{name: run(words) for name, words in commands.items()} for _ in range(rounds + 1)][
            1:
        ]
    wall, processor = (
        pd.DataFrame([{name: both[i] for name, both in turn.items()} for turn in found])
        for i in range(2)
    )
    parts = [
        f"Cold processes of the same interpreter, {rounds} rounds in turn, kernels cached, "
        f"{os.cpu_count()} cores. On a machine that is busy with other things, processor time says "
        "more than wall time.",
        timing_table(wall, IMPORTS, "s, wall", 1.0, 3),
        timing_table(processor, IMPORTS, "s, processor", 1.0, 3),
    ]
    each = wall.div(wall[IMPORTS], axis=0)
    items = [
        verdict(
            f"`{name}` at most {most:g} times {IMPORTS}, wall: {ratio:.2f} (from round to round "
            f"{each[name].min():.2f} to {each[name].max():.2f})",
            ratio <= most,
        )
        for (name, most), ratio in zip(
            TARGETS.items(), ratios(wall, IMPORTS)[list(TARGETS)], strict=True
        )
    ]
    return "\n\n".join([*parts, "\n".join(items)])
