"""How often 90 % intervals of the pooled fit hold the true parameter.

Clubs are simulated from known parameters, drawn from the catalogue's priors, and fitted
with evidence weight 1; intervals are central, between order statistics of the draws.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from maturity_model.lab.page import Page
from maturity_model.lab.studies.replications import Design, ranks_of, read, replicate
from maturity_model.lab.studies.settings import Coverage
from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.worlds.simulate_logbook import Habits

__all__ = ["page", "read", "run", "summary"]

#: Probability of the intervals, and the coverage that is wanted.
INTERVAL, WANTED = 0.90, (0.85, 0.95)


def design(setting: Coverage) -> Design:
    """A club of usual habits; 200 ranks, so that 180 of them are 90 %."""
    habits = Habits(weeks=setting.weeks, judged=0.2)
    return Design(setting.tanks, setting.seed, habits, ranks=200, draws=250, tune=300)


def inside(ranks: pd.DataFrame, cells: int) -> pd.DataFrame:
    """Whether the truth of each rank lies in the central interval.

    Parameters
    ----------
    ranks : DataFrame or ndarray of int
        Draws below the truth, of cells - 1.
    cells : int
        Possible ranks; the interval's tails must be whole numbers of them.
    """
    tail = cells * (1 - INTERVAL) / 2
    if abs(tail - round(tail)) > 1e-9:
        raise ValueError(f"{cells} ranks have no central {INTERVAL:.0%}")
    return (ranks >= round(tail)) & (ranks < cells - round(tail))


def by_replication(rows: pd.DataFrame, cells: int) -> pd.Series:
    """Share of the shared parameters whose interval holds the truth.

    Replications are independent of each other, while parameters of one replication are not:
    the standard error of the mean is that over replications.
    """
    return inside(ranks_of(rows, others=False), cells).mean(axis=1)


def by_parameter(rows: pd.DataFrame, cells: int) -> pd.DataFrame:
    """Coverage of the elements of each array of parameters, as in ``coverage.csv``."""
    hit = inside(ranks_of(rows, others=False), cells).mean()
    name = hit.index.str.partition("[").get_level_values(0).rename("parameter")
    found = hit.groupby(name, sort=False).agg(elements="size", coverage="mean")
    return found.reset_index()


def run(
    setting: Coverage, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Ranks of all parameters in each replication, as of :func:`.replicate`."""
    return replicate(design(setting), setting.replications, work, processes, say)


def summary(rows: pd.DataFrame, setting: Coverage) -> list[str]:
    """The share covered."""
    share = by_replication(rows, design(setting).ranks).mean()
    return [f"intervals hold the truth of {100 * share:.1f} % of parameters"]


def sampling(rows: pd.DataFrame, design: Design) -> str:
    """How the chains went, in words."""
    return (
        f"Sampling: one chain of {design.draws} draws after {design.tune}, thinned to "
        f"{design.ranks - 1}; {rows['divergent'].sum()} divergences in all; "
        f"{rows['seconds'].median():.1f} s a club after compiling."
    )


def page(rows: pd.DataFrame, setting: Coverage) -> Page:
    """``ranks.csv``, ``coverage.csv`` and what they say."""
    used, full = design(setting), Coverage()
    each = by_replication(rows, used.ranks)
    low, high = WANTED
    page = Page("Coverage of the pooled fit's intervals", setting.command)
    found = by_parameter(rows, used.ranks)
    page.text(f"""
        {len(rows)} simulated clubs of {setting.tanks} tanks and {setting.weeks} weeks, two tanks to
        a keeper; seed {setting.seed}. Each has its own draw of the parameters from the catalogue's
        priors; what was looked at, events and rock are the same in all. The whole model is fitted
        with evidence weight 1.

        Central {INTERVAL:.0%} intervals hold the truth of **{100 * each.mean():.1f} %**
        ± {100 * each.sem():.1f} % of {found["elements"].sum()} shared parameters (standard error
        over clubs; wanted: {100 * low:.0f} to {100 * high:.0f} %).
        {"**Reached**" if low <= each.mean() <= high else "**Not reached**"}. Single clubs:
        {100 * each.min():.0f} to {100 * each.max():.0f} %.
        """)
    if (setting.tanks, setting.weeks) != (full.tanks, full.weeks) or len(rows) < full.replications:
        page.text(f"""
            This is a **reduced** version: wanted are at least {full.replications} replications of
            {full.tanks} tanks and {full.weeks} weeks.
            """)
    shown = found.assign(parameter="`" + found["parameter"] + "`", coverage=100 * found["coverage"])
    page.table(shown, {"coverage": "{:.0f} %"})
    page.text(f"""
        {sampling(rows, used)} The least effective
        draws of any parameter before thinning were {rows["least_ess"].min():.0f}.
        """)
    page.csv("coverage.csv", found, {"coverage": "{:.4f}"})
    page.csv("ranks.csv", rows, {"least_ess": "{:.0f}", "seconds": "{:.2f}"})
    return page
