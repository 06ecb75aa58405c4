"""The weekly command from a cold process, beside importing pandas and xarray alone."""

from __future__ import annotations

import contextlib
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from maturity_model.lab.benchmarks.machine import CORES
from maturity_model.lab.benchmarks.timing import Timing, in_turn, missing, ratios, table, verdict

ROOT = Path(__file__).parents[3]
WEEKLY = "maturity-model weekly data/demo"
BRIEF = f"{WEEKLY} --brief"
IMPORTS = "python -c 'import pandas, xarray'"
#: At most this many times the imports, with the cores that the machine has: every question
#: answered, and phase and risk alone.
TARGETS = {WEEKLY: 2.5, BRIEF: 1.5}


class Process:
    """A command in a process of its own, on some cores; the processor time that it took is kept.

    Parameters
    ----------
    words : sequence of str
        After the interpreter.
    cores : frozenset of int
        Empty: those that this process runs on.
    """

    def __init__(self, *words: str, cores: frozenset[int] = frozenset()):
        self.words, self.cores = words, cores
        self.processor: list[float] = []
        # Installing compiles a package's modules to bytecode, the imports' and this one's
        # alike. Where Python is set to write none, this checkout would be compiled in each run.
        self.environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}

    def __call__(self) -> str:
        begun = resource.getrusage(resource.RUSAGE_CHILDREN)
        with _on(self.cores):
            done = subprocess.run(
                [sys.executable, *self.words],
                cwd=ROOT,
                env=self.environment,
                capture_output=True,
                text=True,
            )
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode != 0:
            name = " ".join(self.words)
            raise RuntimeError(f"{name} ended with {done.returncode}: {done.stderr}")
        self.processor.append(ended.ru_utime - begun.ru_utime + ended.ru_stime - begun.ru_stime)
        return done.stdout


@contextlib.contextmanager
def _on(cores: frozenset[int]) -> Iterator[None]:
    # A child inherits where its parent may run.
    if not cores:
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def measure(rounds: int) -> list[str]:
    """Lines of the report; kernels are cached by the unmeasured first run."""
    places = {"as it comes": CORES}
    if len(CORES) > 1:
        places["held to one core"] = frozenset({max(CORES)})
    lines = [
        f"Cold processes of the same interpreter, {rounds} rounds in turn, kernels cached; with "
        f"{len(CORES) or 'all'} cores to run on, and held to one. On a machine that is busy with "
        "other things, processor time says more than wall time.",
    ]
    wall: dict[str, list[Timing]] = {}
    with tempfile.TemporaryDirectory() as folder:
        weekly = ("-m", "maturity_model", "weekly", "data/demo", "--out", f"{folder}/out")
        words = {
            WEEKLY: weekly,
            BRIEF: (*weekly, "--brief"),
            IMPORTS: ("-c", "import pandas, xarray"),
        }
        try:
            for place, cores in places.items():
                processes = {name: Process(*w, cores=cores) for name, w in words.items()}
                wall[place] = in_turn(dict(processes), rounds)
                # The first run is not measured.
                busy = [Timing(name, p.processor[1:]) for name, p in processes.items()]
                for kind, timings in (("wall", wall[place]), ("processor", busy)):
                    times = table(timings, "s", 1.0, {"times the imports": IMPORTS}, digits=3)
                    lines += ["", f"{kind.capitalize()} time, {place}:", "", times]
        except RuntimeError as error:
            return [missing(WEEKLY, error), f"Targets against {IMPORTS}: NOT MEASURED."]
    found = ratios(wall["as it comes"], IMPORTS)
    lines.append("")
    for name, most in TARGETS.items():
        lines.append(
            f"- Target, `{name}` at most {most:g} times `{IMPORTS}` (wall, as it comes): "
            f"{found[name]:.2f} ({_spread(wall['as it comes'], name)}), "
            f"{verdict(found[name] <= most)}."
        )
    return lines


def _spread(wall: list[Timing], name: str) -> str:
    of = {t.name: t.seconds for t in wall}
    each = [a / b for a, b in zip(of[name], of[IMPORTS], strict=True)]
    return f"from round to round {min(each):.2f} to {max(each):.2f}"
