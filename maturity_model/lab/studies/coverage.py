"""How often 90 % intervals of the pooled fit hold the true parameter.

Clubs are simulated from known parameters, drawn from the catalogue's priors, and fitted
with evidence weight 1; intervals are central, between order statistics of the draws.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.replications import RANKS_CSV, Design, ranks_of, read, replicate
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
    """Whether the truth of each rank, draws below it of cells - 1, lies in the central interval."""
    tail = cells * (1 - INTERVAL) / 2
    if abs(tail - round(tail)) > 1e-9:
        raise ValueError(f"{cells} ranks have no central {INTERVAL:.0%}")
    return (ranks >= round(tail)) & (ranks < cells - round(tail))


def by_replication(rows: pd.DataFrame, cells: int) -> pd.Series:
    """Share of the shared parameters whose interval holds the truth.

    Replications are independent of each other, while parameters of one are not, so the standard
    error of the mean is that over replications.
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
    used, (low, high) = design(setting), WANTED
    each, found = by_replication(rows, used.ranks), by_parameter(rows, used.ranks)
    page = Page("Coverage of the pooled fit's intervals", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        n=len(rows),
        interval=INTERVAL,
        share=100 * each.mean(),
        error=100 * each.sem(),
        elements=found["elements"].sum(),
        low=100 * low,
        high=100 * high,
        verdict="**Reached**" if low <= each.mean() <= high else "**Not reached**",
        least=100 * each.min(),
        most=100 * each.max(),
        reduced=setting.reduced,
        table=markdown_table(found, {"parameter": "`{}`", "coverage": "{:.0%}"}),
        sampling=sampling(rows, used),
        ess=rows["least_ess"].min(),
    )
    page.csv("coverage.csv", found, {"coverage": "{:.4f}"})
    page.csv("ranks.csv", rows, RANKS_CSV)
    return page
