"""Simulation-based calibration of the whole pooled model, at an evidence weight of 1.

Whether the true parameters are anywhere among posterior draws with equal chance, tested
for each by the distance of the empirical distribution of its ranks from the uniform one
(Säilynoja, Bürkner & Vehtari 2022, Statistics and Computing 32:32), and for all together
by Holm's method.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from maturity_model._typing import Floats, Ints
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.coverage import INTERVAL, by_replication, sampling
from maturity_model.lab.studies.replications import RANKS_CSV, Design, ranks_of, read, replicate
from maturity_model.lab.studies.settings import Calibration
from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.worlds.simulate_logbook import Habits

__all__ = ["page", "read", "run", "summary"]

#: Probability of any false alarm among all parameters.
LEVEL = 0.05
#: Uniform samples that the distance is compared with, and their seed.
NULL_SAMPLES, NULL_SEED = 200_000, 20260101
#: Errors whose detection is worked out: shift of the posterior in standard deviations,
#: and what its standard deviation is multiplied with.
ERRORS = ((0.2, 1.0), (0.3, 1.0), (0.4, 1.0), (0.0, 0.8), (0.0, 0.6), (0.0, 1.25), (0.0, 1.6))


def design(setting: Calibration) -> Design:
    """The small club of this study: sparse answers, many events."""
    habits = Habits(
        weeks=setting.weeks, checkin=0.7, sign=0.5, reading=0.3, judged=0.25, events_per_year=2.0
    )
    return Design(setting.tanks, setting.seed, habits)


def distance(counts: Ints) -> Floats:
    """How unlikely the least likely point of an empirical distribution of ranks is.

    ``counts``, shape (B, cells): how often each rank came up, in B samples of the same size. The
    result, shape (B,), is the smallest of the binomial tail chances; small is far from uniform.
    """
    n, cells = int(counts[0].sum()), counts.shape[1]
    p, x = np.arange(1, cells)[:, None] / cells, np.arange(n + 1)
    tails = np.minimum(stats.binom.cdf(x, n, p), stats.binom.sf(x - 1, n, p))
    reached = np.cumsum(counts, axis=1)[:, :-1]
    return np.asarray(tails[np.arange(cells - 1), reached].min(axis=1))


@cache
def null_distances(n: int, cells: int, samples: int = NULL_SAMPLES) -> Floats:
    """Sorted distances of uniform ranks, shape (samples,)."""
    rng, parts = np.random.default_rng(NULL_SEED), []
    for begin in range(0, samples, 20_000):
        size = min(20_000, samples - begin)
        parts.append(distance(rng.multinomial(n, np.full(cells, 1 / cells), size=size)))
    return np.sort(np.concatenate(parts))


def p_values(ranks: Ints, cells: int) -> Floats:
    """Chance of ranks as far from uniform, for each column of ``ranks``, shape (N, Q)."""
    null = null_distances(len(ranks), cells)
    counts = np.stack([np.bincount(r, minlength=cells) for r in ranks.T])
    # Equal distances come out equal but for rounding.
    as_far = np.searchsorted(null, distance(counts) * (1 + 1e-9), side="right")
    return np.asarray((1 + as_far) / (1 + len(null)))


def holm(p: Floats) -> Floats:
    """Holm's adjusted p-values: below LEVEL for any is an alarm at that level for all."""
    order = np.argsort(p)
    factor = len(p) - np.arange(len(p))
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * factor), 1.0)
    return adjusted


def power(n: int, cells: int, quantities: int, shift: float, scale: float) -> float:
    """Chance that one wrong parameter among many raises an alarm, by Holm's first step.

    Its normal posterior is off by ``shift`` of its standard deviations, and its standard deviation
    is wrong by the factor ``scale``; ``n`` replications of ``cells`` possible ranks.
    """
    samples = 500
    rng = np.random.default_rng([NULL_SEED, 1])
    truth = rng.normal(size=(samples * n, 1))
    below = np.empty(samples * n, dtype=np.int64)
    for part in np.array_split(np.arange(samples * n), 20):
        draws = rng.normal(shift, scale, (len(part), cells - 1))
        below[part] = (draws < truth[part]).sum(axis=1)
    p = p_values(below.reshape(n, samples), cells)
    return float((p * quantities < LEVEL).mean())


def uniformity(rows: pd.DataFrame, cells: int) -> pd.DataFrame:
    """Test the ranks of every quantity, as in ``uniformity.csv``; a low ``p_holm`` is an alarm."""
    ranks = ranks_of(rows, others=True)
    p = p_values(ranks.to_numpy(), cells)
    return pd.DataFrame({"quantity": ranks.columns, "p": p, "p_holm": holm(p)})


def run(
    setting: Calibration, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Ranks of all parameters in each replication, as of :func:`.replicate`."""
    return replicate(design(setting), setting.replications, work, processes, say)


def summary(rows: pd.DataFrame, setting: Calibration) -> list[str]:
    """The verdict."""
    return [_verdict(uniformity(rows, design(setting).ranks)).replace("**", "")]


def _verdict(found: pd.DataFrame) -> str:
    alarms = (found["p_holm"] < LEVEL).sum()
    if alarms:
        return f"**Not uniform**: {alarms} of {len(found)} adjusted p-values lie below {LEVEL:g}."
    return f"**No alarm**: the smallest adjusted p-value is {found['p_holm'].min():.3f}."


def page(rows: pd.DataFrame, setting: Calibration) -> Page:
    """``ranks.csv``, ``uniformity.csv`` and what they say."""
    used, n = design(setting), len(rows)
    found, each, ess = (
        uniformity(rows, used.ranks),
        by_replication(rows, used.ranks),
        rows["least_ess"],
    )
    least = found.sort_values("p", kind="stable").head(5)
    noticed = pd.DataFrame(ERRORS, columns=["off by", "factor"])
    noticed["noticed"] = [power(n, used.ranks, len(found), *error) for error in ERRORS]
    page = Page("Simulation-based calibration of the pooled model", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        n=n,
        kept=used.ranks - 1,
        quantities=len(found),
        samples=NULL_SAMPLES,
        level=LEVEL,
        verdict=_verdict(found),
        small=(found["p"] < 0.05).sum(),
        expected=0.05 * len(found),
        reduced=setting.reduced,
        least=markdown_table(
            least.set_axis(["the five least uniform", "p", "adjusted"], axis=1),
            {"the five least uniform": "`{}`", "p": "{:.4f}", "adjusted": "{:.3f}"},
        ),
        interval=INTERVAL,
        covered=100 * each.mean(),
        covered_error=100 * each.sem(),
        noticed=markdown_table(noticed, {"off by": "{:g}", "factor": "{:g}", "noticed": "{:.0%}"}),
        sampling=sampling(rows, used),
        ess_median=ess.median(),
        ess_least=ess.min(),
        few=(ess < used.ranks - 1).sum(),
    )
    page.csv("uniformity.csv", found, {"p": "{:.5f}", "p_holm": "{:.5f}"})
    page.csv("ranks.csv", rows, RANKS_CSV)
    return page
