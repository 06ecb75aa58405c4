"""Which power on the likelihood predicts best where tanks have ways of their own.

Simulates clubs whose tanks do (:mod:`.clubs`), runs the weekly filter with several evidence
weights, and scores the filtered phase against the truth.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.clubs import (
    WORLDS,
    World,
    filtered_phases,
    panel_and_truth,
    simulate_world,
)
from maturity_model.lab.studies.scores import BINS, score
from maturity_model.lab.studies.settings import EvidenceWeight
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population

WEIGHTS = (0.0, 0.15, 0.25, 0.35, 0.4, 0.45, 0.5, 0.65, 0.8, 1.0)
#: Clubs of each world; a club has one draw of the parameters.
CLUBS = 12
#: The weight is chosen over these worlds: real tanks are not all alike.
CHOSEN_OVER = ("moderate", "strong", "very strong")
BY_CLUB = [f"log_score_club_{c + 1}" for c in range(CLUBS)]


def score_world(world: World, n_tanks: int, weeks: int, seed: int) -> pd.DataFrame:
    """Scores of one world: a row for each weight, as in ``scores.csv``."""
    population = elicit_population(load_catalogue(), 1.0)
    clubs = [panel_and_truth(c) for c in simulate_world(world, n_tanks, weeks, seed, CLUBS)]
    rows = []
    for weight in WEIGHTS:
        found = [filtered_phases(panel, population, weight) for panel, _ in clubs]
        whole = score(np.concatenate(found), np.concatenate([truth for _, truth in clubs]))
        each = [score(p, truth).log_score for p, (_, truth) in zip(found, clubs, strict=True)]
        by_club = dict(zip(BY_CLUB, each, strict=True))
        rows.append({"world": world.name, "weight": weight, **whole._asdict(), **by_club})
    return pd.DataFrame(rows)


def run(
    setting: EvidenceWeight, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Scores of every world and weight, as in ``scores.csv``, and the log score of each club."""
    sizes = setting.tanks, setting.weeks, setting.seed
    tasks = {world.name: (world, *sizes) for world in WORLDS}
    found = run_tasks(score_world, tasks, folder=work, processes=processes, say=say)
    return pd.concat(found.values(), ignore_index=True)


def read(folder: Path) -> pd.DataFrame:
    """The committed scores."""
    return pd.read_csv(folder / "scores.csv")


def choose(scores: pd.DataFrame) -> float:
    """The weight with the best mean log score over the worlds with shifts."""
    with_shifts = scores[scores["world"].isin(CHOSEN_OVER)]
    return float(with_shifts.groupby("weight")["log_score"].mean().idxmax())


def loss_from_best(scores: pd.DataFrame) -> pd.DataFrame:
    """Mean log score over the worlds with shifts, less that of the best weight.

    A club of one world has the parameters of its namesakes, so clubs are averaged over worlds
    before the standard error is taken over clubs.
    """
    with_shifts = scores[scores["world"].isin(CHOSEN_OVER)]
    by_club = with_shifts.groupby("weight")[BY_CLUB].mean()
    return (by_club - by_club.loc[choose(scores)]).T.agg(["mean", "sem"]).T


def summary(scores: pd.DataFrame, setting: EvidenceWeight) -> list[str]:
    """The choice."""
    return [f"chosen evidence weight: {choose(scores):g}"]


def _table(scores: pd.DataFrame) -> pd.DataFrame:
    best = choose(scores)
    values = scores[["log_score", "calibration_error"]].itertuples(index=False)
    cells = scores.assign(cell=["{:.3f} / {:.3f}".format(*row) for row in values])
    table = cells.pivot(index="world", columns="weight", values="cell")
    table = table.loc[[w.name for w in WORLDS]]
    table.index = pd.Index(
        [f"{w.name} ({w.sign_effect_sd:g}, {w.reading_effect_sd:g})" for w in WORLDS], name="world"
    )
    less = loss_from_best(scores).itertuples(index=False)
    table.loc["*less the best*"] = ["{:+.4f} ± {:.4f}".format(*row) for row in less]
    table.loc["*less the best*", best] = "0"
    return table.rename(columns="ω = {:g}".format).reset_index()


def _why_not_the_best(scores: pd.DataFrame) -> str:
    best = choose(scores)
    if best == DEFAULT_EVIDENCE_WEIGHT:
        return ""
    lost, error = loss_from_best(scores).loc[DEFAULT_EVIDENCE_WEIGHT]
    why = f", which gives up {-lost:.4f} ± {error:.4f} here"
    if best > DEFAULT_EVIDENCE_WEIGHT:
        why += (
            ": it is kept because in two simulated ecologies less weight finds the phase better "
            "([measured](../validation/also_tried.md))"
        )
    return why


def page(scores: pd.DataFrame, setting: EvidenceWeight) -> Page:
    """``scores.csv`` and what it says."""
    page = Page("The evidence weight of the practice population", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        tanks=setting.tanks // CLUBS * CLUBS,
        clubs=CLUBS,
        bins=BINS,
        table=markdown_table(_table(scores)),
        worlds=", ".join(CHOSEN_OVER),
        best=choose(scores),
        default=DEFAULT_EVIDENCE_WEIGHT,
        why=_why_not_the_best(scores),
    )
    whole = dict.fromkeys(("log_score", "brier", "calibration_error"), "{:.4f}")
    page.csv("scores.csv", scores, whole | dict.fromkeys(BY_CLUB, "{:.6f}"))
    return page
