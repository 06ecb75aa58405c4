"""Simulation-based calibration of the whole pooled model, at an evidence weight of 1.

Whether the true parameters are anywhere among posterior draws with equal chance, tested
for each by the distance of the empirical distribution of its ranks from the uniform one
(Säilynoja, Bürkner & Vehtari 2022, Statistics and Computing 32:32), and for all together
by Holm's method.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.lab.studies.coverage import INTERVAL, summarise
from maturity_model.lab.studies.replications import Row, Setting, replicate
from maturity_model.whole_files import write_file

#: Probability of any false alarm among all parameters.
LEVEL = 0.05
#: Replications wanted.
REPLICATIONS = 200
#: Uniform samples that the distance is compared with, and their seed.
NULL_SAMPLES, NULL_SEED = 200_000, 20260101
#: Errors whose detection is worked out: shift of the posterior in standard deviations,
#: and what its standard deviation is multiplied with.
ERRORS = ((0.2, 1.0), (0.3, 1.0), (0.4, 1.0), (0.0, 0.8), (0.0, 0.6), (0.0, 1.25), (0.0, 1.6))


def setting(n_tanks: int = 8, weeks: int = 20, seed: int = 31) -> Setting:
    """The small club of this study: sparse answers, many events."""
    return Setting(
        n_tanks,
        weeks,
        seed,
        checkin=0.7,
        sign=0.5,
        reading=0.3,
        judged=0.25,
        events_per_year=2.0,
    )


def _tails(n: int, cells: int) -> Floats:
    # min(P(X <= x), P(X >= x)) for X binomial (n, (i + 1) / cells); shape (cells - 1, n + 1).
    log_choose = np.array(
        [math.lgamma(n + 1) - math.lgamma(x + 1) - math.lgamma(n - x + 1) for x in range(n + 1)]
    )
    p = np.arange(1, cells)[:, None] / cells
    x = np.arange(n + 1)
    pmf = np.exp(log_choose + x * np.log(p) + (n - x) * np.log1p(-p))
    below, above = np.cumsum(pmf, axis=1), np.cumsum(pmf[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(np.minimum(np.minimum(below, above), 1.0))


def distance(counts: Ints) -> Floats:
    """How unlikely the least likely point of an empirical distribution of ranks is.

    Parameters
    ----------
    counts : int ndarray, shape (B, cells)
        How often each rank came up, in B samples of the same size.

    Returns
    -------
    ndarray, shape (B,)
        The smallest of the binomial tail chances; small is far from uniform.
    """
    n, cells = int(counts[0].sum()), counts.shape[1]
    reached = np.cumsum(counts, axis=1)[:, :-1]
    return np.asarray(_tails(n, cells)[np.arange(cells - 1), reached].min(axis=1))


@cache
def null_distances(n: int, cells: int, samples: int = NULL_SAMPLES) -> Floats:
    """Sorted distances of uniform ranks, shape (samples,)."""
    rng, parts = np.random.default_rng(NULL_SEED), []
    for begin in range(0, samples, 20_000):
        size = min(20_000, samples - begin)
        parts.append(distance(rng.multinomial(n, np.full(cells, 1 / cells), size=size)))
    return np.sort(np.concatenate(parts))


def p_values(ranks: Ints, cells: int) -> Floats:
    """Chance of ranks as far from uniform, for each column.

    Parameters
    ----------
    ranks : int ndarray, shape (N, Q)
        From 0 to cells - 1.
    cells : int

    Returns
    -------
    ndarray, shape (Q,)
    """
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
    """Chance to be told of one wrong parameter among many, by Holm's first step.

    Parameters
    ----------
    n, cells, quantities : int
        Replications, ranks that there can be, parameters tested.
    shift, scale : float
        A normal posterior is off by so many of its standard deviations, and its standard
        deviation is wrong by a factor.
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


class Verdict(NamedTuple):
    """What the ranks say.

    Attributes
    ----------
    p, adjusted : ndarray, shape (Q,)
    """

    p: Floats
    adjusted: Floats

    @property
    def uniform(self) -> bool:
        """Whether no parameter raises an alarm."""
        return bool((self.adjusted >= LEVEL).all())


def judge(rows: list[Row], cells: int) -> Verdict:
    """Test all ranks."""
    p = p_values(np.stack([r.ranks for r in rows]), cells)
    return Verdict(p, holm(p))


def run(
    replications: int,
    n_tanks: int,
    weeks: int,
    seed: int,
    out: Path,
    say: Callable[[str], None] = lambda _: None,
) -> tuple[tuple[str, ...], list[Row]]:
    """Ranks of all parameters in each replication.

    Parameters
    ----------
    replications, n_tanks, weeks, seed : int
    out : Path
        Folder in which ``ranks.csv`` is kept; replications already there are taken up.
    say : callable
        Told about progress.

    Returns
    -------
    names : tuple of str
    rows : list of Row
    """
    return replicate(setting(n_tanks, weeks, seed), replications, out / "ranks.csv", say)


def write(names: tuple[str, ...], rows: list[Row], used: Setting, out: Path) -> None:
    """Write ``uniformity.csv`` and ``README.md`` beside ``ranks.csv``.

    Parameters
    ----------
    names : tuple of str
    rows : list of Row
    used : Setting
        That the ranks were made with.
    out : Path
    """
    out.mkdir(parents=True, exist_ok=True)
    found = judge(rows, used.ranks)
    lines = ["quantity,p,p_holm"]
    for name, p, q in zip(names, found.p, found.adjusted, strict=True):
        lines.append(f'"{name}",{p:.5f},{q:.5f}')
    write_file(out / "uniformity.csv", "\n".join(lines) + "\n")
    n, m = len(rows), len(names)
    worst = np.argsort(found.p)[:5]
    table = "\n".join(
        f"| `{names[i]}` | {found.p[i]:.4f} | {found.adjusted[i]:.3f} |" for i in worst
    )
    detected = "\n".join(
        f"| {shift:g} | {scale:g} | {100 * power(n, used.ranks, m, shift, scale):.0f} % |"
        for shift, scale in ERRORS
    )
    verdict = (
        f"**No alarm**: the smallest adjusted p-value is {found.adjusted.min():.3f}."
        if found.uniform
        else f"**Not uniform**: {int((found.adjusted < LEVEL).sum())} of {m} adjusted p-values "
        f"lie below {LEVEL:g}."
    )
    seconds = np.array([r.seconds for r in rows])
    covered = summarise(names, rows, used.ranks)
    reduced = (
        ""
        if n >= REPLICATIONS
        else f"\nThis is a **reduced** run: wanted are {REPLICATIONS} replications. The command "
        f"below, with `--replications {REPLICATIONS}`, runs the rest.\n"
    )
    text = f"""# Simulation-based calibration of the pooled model

{n} replications, seed {used.seed}. In each, parameters are drawn from the catalogue's priors
and the answers of a small club from them ({used.n_tanks} tanks of {used.weeks} weeks, two to a
keeper; what was looked at, events and rock are always the same), and the whole model is fitted
with evidence weight 1. Counted is how many of {used.ranks - 1} posterior draws lie below the
truth. If the fit is right, every count from 0 to {used.ranks - 1} is as likely as any other.

Tested for each of {m} quantities: all shared parameters, the log-likelihood of the whole log,
and pace and skill of the first tank. The test is the greatest distance of the ranks' empirical
distribution from the uniform one, each point measured by its binomial tail (Säilynoja, Bürkner
& Vehtari 2022), its p-value from {NULL_SAMPLES} uniform samples; together by Holm's method at
level {LEVEL:g}.

{verdict} Of the {m} p-values {int((found.p < 0.05).sum())} lie below 0.05
({0.05 * m:.0f} would be expected of uniform ranks).
{reduced}
| the five least uniform | p | adjusted |
|---|---|---|
{table}

Central {INTERVAL:.0%} intervals of the shared parameters, from the same ranks, hold the truth of
{100 * covered.share:.1f} % (standard error over replications {100 * covered.error:.1f} %).

What would have been noticed: the chance of an alarm if the posterior of one quantity were off
by so many of its standard deviations, or its standard deviation wrong by a factor.

| off by | factor | noticed |
|---|---|---|
{detected}

Sampling: one chain of {used.draws} draws after {used.tune}, thinned to {used.ranks - 1};
{sum(r.divergent for r in rows)} divergences in all. Effective draws of the worst parameter before
thinning: {np.median([r.least_ess for r in rows]):.0f} in the median replication,
{min(r.least_ess for r in rows):.0f} in the worst, and fewer than the {used.ranks - 1} kept in
{sum(r.least_ess < used.ranks - 1 for r in rows)} of {n}; those stay in. {np.median(seconds):.1f} s
a replication after compiling.

`ranks.csv` has a line for each replication, `uniformity.csv` one for each quantity.

Made by `maturity-model study calibration --replications {n} --tanks {used.n_tanks} \
--weeks {used.weeks} --seed {used.seed} --out reports/calibration`; a run that was interrupted
goes on where it stopped.
"""
    write_file(out / "README.md", text)
