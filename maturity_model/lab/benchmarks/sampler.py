"""A pooled fit beside the same model by the best general tool: effective draws a second.

Both sample the same posterior of the same simulated club by nutpie's NUTS with the same draws,
tuning, target acceptance and adaptation, each in a process of its own, chain after chain:

* ours: what ``maturity-model fit`` does, with kernels that have analytic gradients;
* PyTensor scan: the same PyMC model, its likelihood in PyTensor's own operations
  (:mod:`.scan_model`), compiled by numba. Of the general tools compared on 2026-11-28 (this scan
  by numba and by JAX, and a ``lax.scan`` in numpyro) it made the most effective draws a second.

Times are the processor's, of all threads, without compilation.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from maturity_model.lab.benchmarks import machine
from maturity_model.lab.benchmarks.contenders import ACCEPT, CHAINS, DRAWS, OURS, SCAN, TUNE
from maturity_model.lab.benchmarks.timing import verdict
from maturity_model.lab.page import markdown_table

ROOT = Path(__file__).parents[3]
#: Tanks and weeks of the club: those of the demo pool.
CLUB = (40, 60)
SEEDS = (1, 2)
#: Seconds of wall time for a contender, compilation and all.
BUDGET = 1200
TARGET = 5.0
#: Log-densities, less that of the first point, agree to this.
AGREE = 1e-6
FORMATS = {
    "min ESS per s": "{:.1f}",
    "min ESS per 1,000 gradients": "{:.1f}",
    "gradients per s": "{:,.0f}",
    "gradient alone, ms": "{:.2f}",
    "largest R-hat": "{:.3f}",
    "compilation, wall s": "{:.0f}",
}


class Found(NamedTuple):
    """What a contender's process wrote.

    ``built``: log-densities ``values`` at two points, seconds of a ``gradient`` and to ``compile``;
    ``seeds``: a row for each, as :func:`.contenders.sample` makes it.
    """

    built: dict[str, Any]
    seeds: pd.DataFrame

    def rates(self) -> pd.Series:
        """Least effective draws a second, by seed."""
        return self.seeds["ess"] / self.seeds["seconds"]


def process(name: str) -> Found:
    """Run a contender in a separate process."""
    words = ["-m", "maturity_model.lab.benchmarks.contenders", name]
    done = subprocess.run(
        [sys.executable, *words, *map(str, (*CLUB, *SEEDS))],
        cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True, timeout=BUDGET,
    )  # fmt: skip
    built, *seeds = [json.loads(line) for line in done.stdout.splitlines() if line[:1] == "{"]
    return Found(built, pd.DataFrame(seeds))


def disagreement(ours: Found, other: Found) -> float:
    """Relative difference in the rise of log-density between the two points.

    Densities may differ by a constant.
    """
    rise, its = (np.diff(f.built["values"])[0] for f in (ours, other))
    return float(abs(its / rise - 1))


def farthest(ours: Found, other: Found) -> float:
    """Largest difference of posterior means, in standard errors."""

    def of(f: Found) -> tuple[np.ndarray, np.ndarray]:
        mean, error = (np.array(f.seeds[name].tolist()) for name in ("mean", "error"))
        return mean.mean(axis=0), np.sqrt((error**2).sum(axis=0)) / len(error)

    (mean, error), (its, its_error) = of(ours), of(other)
    return float((np.abs(its - mean) / np.hypot(error, its_error)).max())


def _row(name: str, found: Found) -> dict[str, Any]:
    seeds, rates = found.seeds, found.rates()
    return {
        "": name,
        "min ESS per s": rates.mean(),
        "by seed": ", ".join(f"{r:.1f}" for r in rates),
        "min ESS per 1,000 gradients": 1e3 * seeds["ess"].sum() / seeds["gradients"].sum(),
        "gradients per s": seeds["gradients"].sum() / seeds["seconds"].sum(),
        "gradient alone, ms": 1e3 * found.built["gradient"],
        "largest R-hat": seeds["r_hat"].max(),
        "divergent": seeds["divergent"].sum(),
        "compilation, wall s": found.built["compile"],
    }


def report(ours: Found, scan: Found, load: str) -> str:
    """What the two processes found, as text."""
    apart = disagreement(ours, scan)
    # "not <=" also catches what is not a number.
    if not apart <= AGREE:
        raise ValueError(f"the log-density of {SCAN} is not ours, by {apart:.1e}")
    frame = pd.DataFrame([_row(OURS, ours), _row(SCAN, scan)])
    ratio = ours.rates().mean() / scan.rates().mean()
    return "\n\n".join(
        [
            f"{CLUB[0]} tanks x {CLUB[1]} weeks, simulated; seeds {', '.join(map(str, SEEDS))}, "
            f"each {CHAINS} chains of {TUNE} tuning steps + {DRAWS} draws, target acceptance "
            f"{ACCEPT}; one core, processor time with tuning and without compilation; {load}.",
            markdown_table(frame, FORMATS),
            "ESS is ArviZ's, bulk, the least of the parameters that tanks share; gradients are "
            "the sampler's own count of leapfrog steps, tuning included. Between two points the "
            f"log-densities rise alike, to {AGREE:g}; posterior means differ by at most "
            f"{farthest(ours, scan):.1f} standard errors ({len(ours.seeds['mean'][0])} compared).",
            verdict(
                f"min ESS per s at least {TARGET:g} times {SCAN}: {ratio:.1f}", ratio >= TARGET
            ),
        ]
    )


def measure(rounds: int) -> str:
    """Part of the page; the number of rounds changes nothing here."""
    before = machine.load()
    found = [process(name) for name in (OURS, SCAN)]
    return report(*found, f"{before} before and {machine.load()} after")
