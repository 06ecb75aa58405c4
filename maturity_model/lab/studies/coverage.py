"""How often 90 % intervals of the pooled fit hold the true parameter.

Clubs are simulated from known parameters, drawn from the catalogue's priors, and fitted
with evidence weight 1; intervals are central, between order statistics of the draws.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.lab.studies.replications import OTHERS, Row, Setting, replicate
from maturity_model.whole_files import write_file

#: Probability of the intervals, and the coverage that is wanted.
INTERVAL, WANTED = 0.90, (0.85, 0.95)


def setting(n_tanks: int = 60, weeks: int = 60, seed: int = 47) -> Setting:
    """A club of usual habits; 200 ranks, so that 180 of them are 90 %."""
    return Setting(n_tanks, weeks, seed, ranks=200, draws=250, tune=300)


class Coverage(NamedTuple):
    """Share of intervals that hold the truth.

    Attributes
    ----------
    share : float
        Over all shared parameters and replications.
    error : float
        Its standard error over replications, which are independent of each other, while
        parameters of one replication are not; NaN for a single one.
    by_group : dict of str to float
        Of the elements of each array of parameters.
    by_replication : ndarray, shape (M,)
    """

    share: float
    error: float
    by_group: dict[str, float]
    by_replication: Floats


def inside(ranks: Ints, cells: int) -> Bools:
    """Whether the truth of each rank lies in the central interval.

    Parameters
    ----------
    ranks : int ndarray
        Draws below the truth, of cells - 1.
    cells : int
        So many ranks that the interval's tails are whole numbers of them.
    """
    tail = cells * (1 - INTERVAL) / 2
    if abs(tail - round(tail)) > 1e-9:
        raise ValueError(f"{cells} ranks have no central {INTERVAL:.0%}")
    return (ranks >= round(tail)) & (ranks < cells - round(tail))


def summarise(names: tuple[str, ...], rows: list[Row], cells: int) -> Coverage:
    """Coverage over all shared parameters."""
    shared = [i for i, name in enumerate(names) if name not in OTHERS]
    hit = inside(np.stack([r.ranks[shared] for r in rows]), cells)
    group = np.array([names[i].partition("[")[0] for i in shared])
    by_group = {str(g): float(hit[:, group == g].mean()) for g in dict.fromkeys(group)}
    each = hit.mean(axis=1)
    error = each.std(ddof=1) / np.sqrt(len(each)) if len(each) > 1 else np.nan
    return Coverage(float(each.mean()), float(error), by_group, each)


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
    """Write ``coverage.csv`` and ``README.md`` beside ``ranks.csv``.

    Parameters
    ----------
    names : tuple of str
    rows : list of Row
    used : Setting
        That the ranks were made with.
    out : Path
    """
    out.mkdir(parents=True, exist_ok=True)
    found = summarise(names, rows, used.ranks)
    counts = {g: sum(n.partition("[")[0] == g for n in names) for g in found.by_group}
    lines = ["parameter,elements,coverage"]
    lines += [f"{g},{counts[g]},{share:.4f}" for g, share in found.by_group.items()]
    write_file(out / "coverage.csv", "\n".join(lines) + "\n")
    table = "\n".join(
        f"| `{g}` | {counts[g]} | {100 * share:.0f} % |" for g, share in found.by_group.items()
    )
    low, high = WANTED
    met = low <= found.share <= high
    full = setting()
    same = (used.n_tanks, used.weeks) == (full.n_tanks, full.weeks) and len(rows) >= 20
    reduced = (
        ""
        if same
        else f"""
This is a **reduced** version: wanted are at least 20 replications of {full.n_tanks} tanks and
{full.weeks} weeks, `maturity-model study coverage --replications 20 --tanks {full.n_tanks} \
--weeks {full.weeks} --seed {full.seed} --out reports/coverage`.
"""
    )
    error = "" if np.isnan(found.error) else f" ± {100 * found.error:.1f} %"
    text = f"""# Coverage of the pooled fit's intervals

{len(rows)} simulated clubs of {used.n_tanks} tanks and {used.weeks} weeks, two tanks to a keeper;
seed {used.seed}. Each has its own draw of the parameters from the catalogue's priors; what was
looked at, events and rock are the same in all. The whole model is fitted with evidence weight 1.

Central {INTERVAL:.0%} intervals hold the truth of **{100 * found.share:.1f} %**{error} of
{sum(counts.values())} shared parameters (standard error over clubs; wanted: {100 * low:.0f} to
{100 * high:.0f} %). {"**Reached**" if met else "**Not reached**"}. Single clubs:
{100 * found.by_replication.min():.0f} to {100 * found.by_replication.max():.0f} %.
{reduced}
| parameter | elements | coverage |
|---|---|---|
{table}

Sampling: one chain of {used.draws} draws after {used.tune}, thinned to {used.ranks - 1};
{sum(r.divergent for r in rows)} divergences in all; the least effective draws of any parameter
before thinning were {min(r.least_ess for r in rows):.0f};
{np.median([r.seconds for r in rows]):.0f} s a club after compiling.

Made by `maturity-model study coverage --replications {len(rows)} --tanks {used.n_tanks} \
--weeks {used.weeks} --seed {used.seed} --out reports/coverage`; a run that was interrupted goes
on where it stopped.
"""
    write_file(out / "README.md", text)
