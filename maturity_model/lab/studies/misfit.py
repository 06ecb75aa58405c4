"""Whether the program is overconfident of the tanks whose log it says to fit badly."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.misfit import LIMIT, answer_probabilities, misfit
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.settings import Misfit
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.lab.validation.cases import Case, cases
from maturity_model.lab.validation.clubs import simulate_clubs
from maturity_model.lab.validation.forecasts import normalized_phases
from maturity_model.lab.validation.results import population_digest
from maturity_model.population import load_population
from maturity_model.population.types import Population

#: Weeks after which each tank is looked at, and the weeks before a look that are scored.
LOOKS, SCORED = (12, 24, 40, 60), 8
#: Limit of the share of tanks of the model's own world that fit badly at any look.
FALSE_ALARMS = 0.05


def look(case: Case, clubs: int, tanks: int, seed: int, population: Population) -> pd.DataFrame:
    """Look at every tank of a case: ``tank, week, excess, bad``, and means over the weeks before.

    These are ``log_score``, and ``over_sure``: the largest probability less whether its phase
    is true. For excess and bad see :class:`.assessment.misfit.Misfit`.
    """
    rows = []
    for number, club in enumerate(simulate_clubs(case.world, clubs, tanks, max(LOOKS), seed)):
        tables = make_tables(club.panel(), population)
        known = answer_probabilities(tables)
        for n, truth in enumerate(club.truth):
            filtered = filter_tank(tables, n)[0]
            p = normalized_phases(filtered, club.weeks)
            log_score = np.log(np.maximum(p[np.arange(len(p)), truth], 1e-12))
            over_sure = p.max(axis=1) - (p.argmax(axis=1) == truth)
            scores = np.where(truth < 0, np.nan, [log_score, over_sure])
            for week in LOOKS:
                fit = misfit(tables, n, filtered, known, week)
                means = scores[:, week - SCORED : week].mean(axis=1)
                rows.append((f"{number}-{n}", week, fit.excess, fit.bad, *means))
    columns = ["tank", "week", "excess", "bad", "log_score", "over_sure"]
    return pd.DataFrame(rows, columns=columns)


def run(
    setting: Misfit, work: Path | None = None, processes: int = 1, say: Say = silent
) -> dict[str, pd.DataFrame]:
    """Look at every tank of every case, by name; see :func:`look`.

    In the model's own world each tank has its own parameters; elsewhere there are two to a club.
    """
    population, tasks = load_population(), {}
    for case in cases(setting.case):
        own = case.group == "own"
        n = setting.own_tanks if own else setting.tanks
        tasks[case.name] = case, n if own else -(-n // 2), n, setting.seed, population
    key = population_digest(population)
    return run_tasks(look, tasks, folder=work, key=key, processes=processes, say=say)


def false_alarms(own: pd.DataFrame) -> float:
    """Share of tanks that fit badly at any look."""
    return float(own.groupby("tank")["bad"].any().mean())


def summarize(looks: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Summarise each case and look; scores of tanks that fit badly, and of the others."""
    rows = pd.concat(looks, names=["case"]).reset_index("case")
    keys = ["case", "week"]
    rows["excess"] = rows["excess"].where(np.isfinite(rows["excess"]))
    out = rows.groupby(keys, sort=False).agg(
        tanks=("tank", "size"),
        said_to_fit_badly=("bad", "mean"),
        excess_median=("excess", "median"),
        excess_q95=("excess", lambda x: x.quantile(0.95)),
    )
    for score in ("log_score", "over_sure"):
        for name, some in (("bad", rows["bad"]), ("other", ~rows["bad"])):
            out[f"{score}_{name}"] = rows[some].groupby(keys)[score].mean()
    return out.reset_index()


def summary(looks: Mapping[str, pd.DataFrame], setting: Misfit) -> list[str]:
    """The share of false alarms, if the model's own world was run."""
    if "own" not in looks:
        return []
    return [f"false alarms: {100 * false_alarms(looks['own']):.1f} % of tanks"]


def page(looks: Mapping[str, pd.DataFrame], setting: Misfit) -> Page:
    """``misfit.csv`` and what it says."""
    verdict = "The model’s own world was not run."
    if (own := looks.get("own")) is not None:
        share = false_alarms(own)
        met = "met" if share < FALSE_ALARMS else "**MISSED**"
        verdict = (
            f"In the model’s own world {100 * share:.1f} % of {own['tank'].nunique()} tanks were "
            f"said to fit badly at any of the looks (wanted: below {100 * FALSE_ALARMS:.0f} %): "
            f"{met}."
        )
    table = summarize(looks)
    formats: dict[str, Any] = {
        "said_to_fit_badly": lambda x: f"{100 * x:.0f} %",
        "excess_median": "{:.1f}",
    }
    formats |= {c: "{:+.2f}" for c in table if c.startswith(("log_score", "over_sure"))}
    page = Page("Logs that fit the model badly", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        limit=LIMIT,
        looks=", ".join(map(str, LOOKS)),
        seed=setting.seed,
        verdict=verdict,
        scored=SCORED,
        table=markdown_table(table.drop(columns="excess_q95"), formats, missing="–"),
    )
    page.csv("misfit.csv", table, dict.fromkeys(table.select_dtypes("floating"), "{:.6g}"))
    return page
