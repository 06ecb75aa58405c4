"""The study of logs that fit badly: its counts, and its page."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd
import pytest

from maturity_model.lab.studies.misfit import LOOKS, false_alarms, look, page
from maturity_model.lab.studies.settings import Misfit
from maturity_model.lab.validation.cases import cases
from maturity_model.population import load_population
from maturity_model.population.types import take_draws


def found(bad: list[list[bool]]) -> pd.DataFrame:
    """Tanks by looks."""
    score = np.arange(len(bad) * len(LOOKS), dtype=float)
    tank, week = np.divmod(np.arange(len(score)), len(LOOKS))
    return pd.DataFrame(
        {"tank": tank, "week": np.array(LOOKS)[week], "excess": score + 1, "bad": np.ravel(bad),
         "log_score": -score, "over_sure": score / 10}
    )  # fmt: skip


def test_a_tank_counts_once_however_often_it_is_said() -> None:
    four = found([[False] * 4, [True] * 4, [False, False, True, False], [False] * 4])
    assert false_alarms(four) == 0.5


def test_page_and_table_say_what_was_found() -> None:
    own = found([[False] * 4, [True, False, False, False]])
    none = found([[False] * 4, [False] * 4])
    made = page({"own": own, "broken-x": none}, Misfit(seed=3, case=("own", "broken-x")))
    assert "50.0 % of 2 tanks" in made.markdown()
    assert "**MISSED**" in made.markdown()
    assert "MISSED" not in page({"own": none}, Misfit()).markdown()
    rows = list(csv.DictReader(made.files["misfit.csv"].splitlines()))
    assert [(r["case"], r["week"]) for r in rows] == [
        (c, str(w)) for c in ("own", "broken-x") for w in LOOKS
    ]
    first = rows[0]
    assert float(first["said_to_fit_badly"]) == 0.5
    assert (float(first["log_score_bad"]), float(first["log_score_other"])) == (-4.0, 0.0)
    assert (rows[4]["log_score_bad"], rows[4]["over_sure_bad"]) == ("", "")


@pytest.mark.slow
def test_a_biased_kit_is_noticed_and_the_models_own_world_is_left_alone() -> None:
    few = take_draws(load_population(), np.arange(0, 256, 8))
    own, biased = (
        look(case, clubs, tanks, 5, few)
        for case, (clubs, tanks) in zip(
            cases(["own", "broken-model-kit_bias"]), ((20, 20), (5, 10)), strict=True
        )
    )
    assert false_alarms(own) <= 0.05
    assert biased[biased["week"] == LOOKS[-1]]["bad"].mean() > 0.5
