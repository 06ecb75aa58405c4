"""A pooled fit beside the same model by general tools: effective draws and gradients a second.

All sample the same posterior of the same simulated club by NUTS, with the same draws, tuning
and target acceptance, each contender in a process of its own, chain after chain on one core:

* ours: what ``maturity-model fit`` does (nutpie, one compiled Op with its gradient);
* PyTensor scan: the same PyMC model and nutpie, its likelihood in PyTensor's own operations
  (:mod:`.plain_tables`), the chain as a scan over weeks, which PyTensor differentiates; compiled
  by numba, and by JAX. It keeps our way of adapting, which is in its favour;
* numpyro: the same model in numpyro, the chain as a ``lax.scan`` that JAX differentiates,
  with numpyro's own default, a diagonal mass matrix;
* PyTensor scan on our tables: as the first, but between our kernels for tables and event loads.
  It is no general tool and does not count for the target; it says what the chain alone makes.

Compilation is left out and told apart. Times are the processor's, of all threads: turns that
other processes take do not count. A contender that is not ready within its budget is told,
with a rate that is an estimate and no measurement if its gradient was timed.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model.lab.benchmarks.contenders import (
    ACCEPT,
    BORROWED,
    CHAINS,
    DRAWS,
    NAMES,
    NUMPYRO,
    OURS,
    SCAN,
    SCAN_JAX,
    TUNE,
)
from maturity_model.lab.benchmarks.timing import verdict
from maturity_model.lab.page import markdown_table

ROOT = Path(__file__).parents[3]
#: Tanks and weeks of the club: those of the demo pool.
CLUB = (40, 60)
SEEDS = (1, 2)
#: Seconds of wall time for each contender, compilation and all.
BUDGET = {OURS: 300, NUMPYRO: 900, SCAN_JAX: 900, SCAN: 1200, BORROWED: 900}
TARGET = 10.0
#: Log-densities, less that of the first point, agree to this.
AGREE = 1e-6


class Found:
    """What a contender's process said, as far as it came.

    Attributes
    ----------
    gradient : dict, optional
        Densities, seconds of a gradient and of compilation.
    seeds : list of dict
    problem : str
        Why it did not come to the end; empty if it did.
    """

    def __init__(self, output: str, problem: str) -> None:
        said = [json.loads(line) for line in output.splitlines() if line.startswith("{")]
        self.gradient: dict[str, Any] | None = said[0] if said else None
        self.seeds: list[dict[str, Any]] = said[1:]
        self.problem = problem

    def total(self, name: str) -> float:
        """Sum over seeds."""
        return float(sum(s[name] for s in self.seeds))

    def rates(self) -> list[float]:
        """Least effective draws per second, by seed."""
        return [s["ess"] / s["cpu"] for s in self.seeds]


def process(name: str) -> Found:
    """Run a contender in a process of its own, at most as long as its budget."""
    command = [
        sys.executable,
        "-m",
        "maturity_model.lab.benchmarks.contenders",
        name,
        *map(str, (*CLUB, *SEEDS)),
    ]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        try:
            out, err = child.communicate(timeout=BUDGET[name])
            problem = err.strip().splitlines()[-1] if child.returncode else ""
        except subprocess.TimeoutExpired:
            child.kill()
            out, problem = child.communicate()[0], f"not done within {BUDGET[name]} s"
    return Found(out, problem)


def disagreement(found: dict[str, Found]) -> dict[str, float]:
    """Relative difference from ours in the rise of log-density between two points.

    Densities may differ by a constant.
    """
    rises = {n: np.diff(f.gradient["values"])[0] for n, f in found.items() if f.gradient}
    return {n: float(abs(r / rises[OURS] - 1)) for n, r in rises.items()}


def farthest(found: dict[str, Found]) -> tuple[float, int]:
    """Largest difference of a posterior mean from ours, in standard errors; how many compared."""

    def of(f: Found) -> tuple[Any, Any]:
        mean = np.mean([s["mean"] for s in f.seeds], axis=0)
        variance = np.sum(np.square([s["error"] for s in f.seeds]), axis=0)
        return mean, np.sqrt(variance) / len(f.seeds)

    mean, error = of(found[OURS])
    most, n = 0.0, 0
    for name, f in found.items():
        if name != OURS and f.seeds:
            other, its = of(f)
            z = np.abs(other - mean) / np.hypot(error, its)
            most, n = max(most, float(z.max())), n + len(z)
    return most, n


def table(found: dict[str, Found]) -> list[str]:
    rows = []
    for name, f in found.items():
        row: dict[str, Any] = {"": name}
        if f.gradient is not None:
            row["gradient alone, ms"] = f"{f.gradient['gradient'] * 1e3:.2f}"
            row["compilation, wall s"] = f"{f.gradient['compile']:.0f}"
        row["min ESS per s"] = f"NOT MEASURED: {f.problem}"
        if f.seeds:
            gradients = f.total("kept") + f.total("tuning")
            row |= {
                "min ESS per s": f"{np.mean(f.rates()):.1f}",
                "by seed": ", ".join(f"{r:.1f}" for r in f.rates()),
                "min ESS per 1,000 gradients": f"{f.total('ess') / gradients * 1e3:.1f}",
                "gradients per s, sampling": f"{gradients / f.total('cpu'):,.0f}",
                "largest R-hat": f"{max(s['r_hat'] for s in f.seeds):.3f}",
                "divergent": f"{f.total('divergent'):.0f}",
            }
        rows.append(row)
    return [markdown_table(pd.DataFrame(rows))]


def verdicts(found: dict[str, Found]) -> list[str]:
    ours = found[OURS]
    said = f"- Target, min ESS per s at least {TARGET:g} times the better other"
    if not ours.seeds:
        return [f"{said}: NOT MEASURED."]
    mine, lines, measured = float(np.mean(ours.rates())), [], {}
    for name, f in found.items():
        if name == OURS or f.gradient is None:
            continue
        if f.seeds and name == BORROWED:
            ratio = mine / float(np.mean(f.rates()))
            lines.append(
                f"- Ours beside {name}: {ratio:.1f} times the min ESS per s (not for the target)."
            )
        elif f.seeds:
            measured[name] = mine / float(np.mean(f.rates()))
            by = ours.gradient["gradient"] if ours.gradient else np.nan
            lines.append(
                f"- Ours beside {name}: {measured[name]:.1f} times the min ESS per s; a gradient "
                f"{f.gradient['gradient'] / by:.1f} times as fast."
            )
        else:
            each = ours.total("ess") / (ours.total("kept") + ours.total("tuning"))
            guess = mine * f.gradient["gradient"] / each
            lines.append(
                f"- {name} was not sampled. As many effective draws a gradient as ours would make "
                f"ours {guess:.1f} times as good: AN ESTIMATE, not measured."
            )
    if not measured:
        return [*lines, f"{said}: NOT MEASURED."]
    best = min(measured, key=lambda n: measured[n])
    left = [n for n in NAMES if n not in (OURS, BORROWED) and n not in measured]
    more = f" (without {', '.join(left)})" if left else ""
    return [
        *lines,
        f"{said} ({best}){more}: {measured[best]:.1f}, {verdict(measured[best] >= TARGET)}.",
    ]


def measure(rounds: int) -> list[str]:
    """Lines of the report; the number of rounds changes nothing here."""
    load = f", load {os.getloadavg()[0]:.1f} before" if hasattr(os, "getloadavg") else ""
    found = {name: process(name) for name in BUDGET}
    if hasattr(os, "getloadavg"):
        load += f" and {os.getloadavg()[0]:.1f} after"
    return report(found, load)


def report(found: dict[str, Found], load: str) -> list[str]:
    """Lines about what the contenders said."""
    problem = found[OURS].problem
    if found[OURS].gradient is None:
        return [f"MISSING: ours was not measured: {problem}"]
    apart = disagreement(found)
    for name, by in apart.items():
        # "not <=" also catches what is not a number.
        if not by <= AGREE:
            found[name] = Found("", f"its density is not ours, by {by:.1e}")
    lines = [
        f"{CLUB[0]} tanks x {CLUB[1]} weeks, simulated; seeds {', '.join(map(str, SEEDS))}, each "
        f"{CHAINS} chains of {TUNE} tuning steps + {DRAWS} draws, target acceptance {ACCEPT}; one "
        f"core, processor time with tuning and without compilation{load}",
        "",
        *table(found),
        "",
        "ESS is ArviZ's, bulk, least of the parameters that tanks share; gradients are each "
        "sampler's own count of leapfrog steps, tuning included.",
        f"Between two points the log-densities of those measured rise alike, to {AGREE:g}.",
    ]
    if found[OURS].seeds and any(f.seeds for n, f in found.items() if n != OURS):
        most, n = farthest(found)
        lines.append(f"Posterior means differ from ours by at most {most:.1f} standard errors "
                     f"({n} compared).")  # fmt: skip
    lines += [
        f"{name}: {f.problem} ({len(f.seeds)} of {len(SEEDS)} seeds)."
        for name, f in found.items()
        if f.problem
    ]
    return [*lines, "", *verdicts(found)]
