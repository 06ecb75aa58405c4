"""Forecasts of a known quality, and results made of them, for the tests of the validation."""

from __future__ import annotations

import numpy as np
import pandas as pd

from maturity_model.lab.validation.cases import Case
from maturity_model.lab.validation.clubs import World
from maturity_model.lab.validation.forecasters import BASELINES, CEILING, TOOL
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import forecast_table
from maturity_model.lab.validation.time_to_mature import NEXT_EVENT

PHASES = ("cycling", "bloom", "colonising", "mature")
OWN = Case("own", "own", "own", World("model", "club"))
MECHANISTIC = Case("mechanistic-typical", "mechanistic", "mechanistic", World("mechanistic", "t"))
BROKEN = Case("broken-x", "broken", "broken", World("model", "club", ("x",)))


def forecasts(stated: float, right: float, name: str = TOOL, tanks: int = 60) -> pd.DataFrame:
    """Give one phase the probability ``stated``, the others alike; ``right`` is true so often.

    Clubs have six tanks.
    """
    rng = np.random.default_rng(3)
    truth = rng.integers(0, 4, (tanks, 60))
    hit = rng.random(truth.shape) < right
    p = np.full((*truth.shape, 4), (1 - stated) / 3)
    np.put_along_axis(p, np.where(hit, truth, (truth + 1) % 4)[:, :, None], stated, axis=2)
    return forecast_table(name, p, truth, np.arange(tanks) // 6, PHASES)


def result(tool: tuple[float, float], **others: tuple[float, float]) -> CaseResult:
    """Score a program, with baselines and a ceiling; ``stated`` and ``right`` of each."""
    each = dict.fromkeys(BASELINES, (0.4, 0.4)) | {CEILING: (0.9, 0.9), TOOL: tool} | others
    tables = [forecasts(*quality, name) for name, quality in each.items()]
    return CaseResult(pd.concat(tables, ignore_index=True))


def asked(early: int, permitted: int) -> pd.DataFrame:
    """Weeks of 60 tanks: ``early`` of each hundred permitted while cycling, ``permitted`` later."""
    week = np.arange(200)
    yes = np.where(week < 100, week < early, week - 100 < permitted)
    one = {"week": week, "truth": week // 100, "asked": "first animals", "measured": True,
           "permitted": yes, "reasons": np.where(yes, "", "nitrite")}  # fmt: skip
    return pd.concat(
        [pd.DataFrame(one).assign(tank=n, club=n // 6) for n in range(60)], ignore_index=True
    )


def times(spread: float, tanks: int = 60, each: int = 20) -> pd.DataFrame:
    """Transforms around the middle of what is stated; above 1, the program is overconfident."""
    rng = np.random.default_rng(4)
    pit = np.clip(0.5 + spread * (rng.random(tanks * each) - 0.5), 0, 1)
    rows = {"forecaster": TOOL, "until": NEXT_EVENT, "tank": np.repeat(np.arange(tanks), each)}
    return pd.DataFrame(rows | {"pit": pit, "censored": False, "covered": 1.0, "width": 9.0})
