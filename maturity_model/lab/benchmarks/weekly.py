"""The weekly command from a cold process, beside importing pandas and xarray alone."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from maturity_model.lab.benchmarks.machine import CORES
from maturity_model.lab.benchmarks.timing import Timing, in_turn, missing, ratios

ROOT = Path(__file__).parents[3]
WEEKLY = "maturity-model weekly data/demo"
BRIEF = f"{WEEKLY} --brief"
IMPORTS = 'python -c "import pandas, xarray"'
NOTHING = 'python -c "import numpy"'
#: At most so many times the imports, with the cores that the machine has: every question
#: answered, and phase and risk alone.
TARGETS = {WEEKLY: 3.0, BRIEF: 1.5}
#: What a profile said of a cold run, by hand.
WHY = (
    "importing numpy takes 48 ms, linking kept kernels 30, making record classes 23, writing pages "
    "35 (a profile of 2026-11-28, where those imports took 390); the rest is the assessment, "
    "told below, in threads that wait for each other's Python for a part of it."
)
#: Hoped for, of either.
HOPED = 1.0
#: What of a warm assessment is the forward filter: all that saved messages could spare.
_SHARE = """
import json, sys, time
from maturity_model.assessment import answers, filtering
from maturity_model.hmm import native
from maturity_model.logbook import read_logbook
from maturity_model.panel import build_panel
from maturity_model.population import load_population
panel, population = build_panel(read_logbook("data/demo")), load_population()
answers.cores = lambda: 1
spent = {"filter": 0.0, "kernel": 0.0}
def timed(name, function):
    def run(*given):
        begun = time.process_time()
        found = function(*given)
        spent[name] += time.process_time() - begun
        return found
    return run
answers.filter_tank = timed("filter", answers.filter_tank)
native.filter_lanes = timed("kernel", native.filter_lanes)
best = None
for questions in (True, False):
    rows = []
    for _ in range(6):
        spent.update(filter=0.0, kernel=0.0)
        begun = time.process_time()
        answers.assess(panel, population, questions=questions)
        rows.append([time.process_time() - begun, spent["filter"], spent["kernel"]])
    best = [*(best or []), min(rows)]
print(json.dumps(best))
"""


class Process:
    """A command in a process of its own, on some cores; what it cost the processor is kept.

    Parameters
    ----------
    words : sequence of str
        After the interpreter.
    cores : frozenset of int
        Empty: whatever this process runs on.
    """

    def __init__(self, *words: str, cores: frozenset[int] = frozenset()):
        self.words, self.cores = words, cores
        self.processor: list[float] = []
        # Installing compiles a package's modules to bytecode, the imports' and this one's
        # alike. Where Python is told to write none, this checkout would be compiled anew in
        # each run.
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
    with tempfile.TemporaryDirectory() as folder:
        words = {
            WEEKLY: ("-m", "maturity_model", "weekly", "data/demo", "--out", f"{folder}/out"),
            BRIEF: (
                "-m", "maturity_model", "weekly", "data/demo", "--out", f"{folder}/out", "--brief",
            ),
            IMPORTS: ("-c", "import pandas, xarray"),
            NOTHING: ("-c", "import numpy"),
        }  # fmt: skip
        problems = []
        for name in (IMPORTS, WEEKLY):
            try:
                Process(*words[name])()
            except RuntimeError as error:
                problems.append(missing(name, error))
        if problems:
            return [*problems, f"Targets against {IMPORTS}: NOT MEASURED."]
        places = {"as it comes": CORES}
        if len(CORES) > 1:
            places["held to one core"] = frozenset({max(CORES)})
        found = {}
        for place, cores in places.items():
            processes = {name: Process(*w, cores=cores) for name, w in words.items()}
            wall = in_turn(dict(processes), rounds)
            # The first run is not measured.
            busy = [Timing(name, p.processor[1:]) for name, p in processes.items()]
            found[place] = wall, busy
        share = json.loads(Process("-c", _SHARE)())
    lines = [
        f"Cold processes of the same interpreter, {rounds} rounds in turn, kernels cached; with "
        f"{len(CORES) or 'all'} cores to run on, and held to one. On a machine that is busy with "
        "other things, processor time says more than wall time.",
    ]
    for place, (wall, busy) in found.items():
        lines += _table(place, wall, busy)
    by_imports = {name: ratios(found["as it comes"][0], IMPORTS)[name] for name in TARGETS}
    lines.append("")
    for name, most in TARGETS.items():
        verdict = "met" if by_imports[name] <= most else "NOT MET"
        lines.append(
            f"- Target, `{name}` at most {most:g} times {IMPORTS} (wall, as it comes): "
            f"{by_imports[name]:.2f} ({_spread(*found['as it comes'][0], name=name)}), {verdict}."
        )
        hoped = "met" if by_imports[name] <= HOPED else "NOT MET"
        lines.append(f"- Hoped for, at most {HOPED:g} times: {hoped}.")
    if any(by_imports[name] > HOPED for name in TARGETS):
        lines.append(f"- Why not: {WHY}")
    return [*lines, *_of_the_filter(share)]


def _spread(*wall: Timing, name: str) -> str:
    of = {t.name: t.seconds for t in wall}
    each = [a / b for a, b in zip(of[name], of[IMPORTS], strict=True)]
    return f"from round to round {min(each):.2f} to {max(each):.2f}"


def _table(place: str, wall: list[Timing], busy: list[Timing]) -> list[str]:
    by_wall, by_busy = ratios(wall, IMPORTS), ratios(busy, IMPORTS)
    lines = [
        "",
        f"| {place} | wall: median s | best s | times the imports | processor: median s | best s "
        "| times the imports |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    for t, b in zip(wall, busy, strict=True):
        lines.append(
            f"| `{t.name}` | {t.median:.3f} | {t.best:.3f} | {by_wall[t.name]:.2f} "
            f"| {b.median:.3f} | {b.best:.3f} | {by_busy[t.name]:.2f} |"
        )
    return lines


def _of_the_filter(share: list[list[float]]) -> list[str]:
    lines = []
    for name, (whole, filtered, kernel) in zip((WEEKLY, BRIEF), share, strict=True):
        lines.append(
            f"- Saved forward messages (`score --state`) would spare `{name}` at most the forward "
            f"filter: of {1e3 * whole:.0f} ms of processor for a warm assessment, "
            f"{1e3 * filtered:.0f} ms ({filtered / whole:.0%}) are tank by tank hazards, "
            f"likelihoods, filter and weights of draws, {1e3 * kernel:.0f} ms "
            f"({kernel / whole:.0%}) the recursion itself, and smoothing reads its states of "
            "every week."
        )
    return lines
