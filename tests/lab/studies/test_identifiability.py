"""How many tanks until each parameter is learned: the arithmetic, and what is committed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import isotonic_regression

from maturity_model.lab.page import csv_text
from maturity_model.lab.studies import contraction as c
from maturity_model.lab.studies import identifiability as study
from maturity_model.lab.studies import identifiability_tables as tables
from maturity_model.lab.studies.identifiability_points import (
    CHECKED_SIZES,
    SIZES,
    Point,
    checked,
    points,
)
from maturity_model.lab.studies.settings import Identifiability

COMMITTED = Path(__file__).parents[3] / "reports" / "identifiability"
FOUR = (5, 10, 20, 40)
TINY = Identifiability(clubs=3, seed=4, tanks=10, weeks=12, longest=26)


def committed() -> tables.Contracted:
    return tables.Contracted(study.read(COMMITTED).contraction, Identifiability().weeks)


NAMES = committed().names


# Arithmetic ------------------------------------------------------------------------------


def test_half_the_spread_is_three_quarters_learned() -> None:
    found = c.contraction(np.array([1.0, 0.5, 0.6, 2.2]), np.array([1.0, 1.0, 0.6, 2.0]))
    np.testing.assert_allclose(found, [0.0, 0.75, 0.0, -0.21])


def test_values_on_the_scale_of_their_priors() -> None:
    names = ("event_memory[crash]", "carry[nitrate]", "pace_sd", "log_setback[bloom]")
    values = np.array([[np.e, 1.0], [0.5, 0.9], [0.4, 0.5], [-3.0, -2.0]])
    found = c.on_prior_scale(names, values)
    np.testing.assert_allclose(
        found, [[1.0, 0.0], [0.0, math.log(9)], [0.4, 0.5], [-3.0, -2.0]], atol=1e-12
    )
    assert values[0, 0] == pytest.approx(np.e)


def test_a_line_on_log_tanks_is_met_where_it_crosses() -> None:
    # Contraction 0.2 a doubling: 0.75 is half way, on the log, from 20 to 40.
    assert c.size_at(FOUR, np.array([0.25, 0.45, 0.65, 0.85]), 0.75) == pytest.approx(
        20 * math.sqrt(2)
    )
    assert c.size_at(FOUR, np.array([0.25, 0.45, 0.75, 0.85]), 0.75) == pytest.approx(20)
    # Met at once: that many, or fewer. Met at the very end, and not at all.
    assert c.size_at(FOUR, np.array([0.8, 0.85, 0.9, 0.95]), 0.75) == 5
    assert c.size_at(FOUR, np.array([0.1, 0.2, 0.3, 0.75]), 0.75) == pytest.approx(40)
    assert c.size_at(FOUR, np.array([0.1, 0.2, 0.3, 0.749]), 0.75) == math.inf


def test_a_lucky_draw_does_not_count_as_learned() -> None:
    # 0.8 and 0.6 level to 0.7: the threshold is met later.
    found = c.size_at(FOUR, np.array([0.1, 0.8, 0.6, 0.9]), 0.75)
    assert found == pytest.approx(20 * 2**0.25)
    levelled = isotonic_regression([0.1, 0.8, 0.6, 0.9]).x
    np.testing.assert_allclose(levelled, [0.1, 0.7, 0.7, 0.9])


def test_extrapolation_adds_information() -> None:
    # Half gone at 100 tanks: 100 tanks tell as much as the prior, 300 thrice as much.
    assert c.extrapolated(100, 0.5, 0.75) == pytest.approx(300)
    assert c.extrapolated(100, 0.5, 0.5) == pytest.approx(100)
    assert c.extrapolated(100, 0.0, 0.75) == math.inf


# The page --------------------------------------------------------------------------------


def made_up(setting: Identifiability) -> pd.DataFrame:
    """Fits whose sd halves with four times the tanks, but for slips, which stay as they are."""
    sd = np.linspace(0.2, 0.8, len(NAMES))
    slips = np.array([c.group_of(n).key == "slips" for n in NAMES])

    def fit(point: Point, number: int, *, long: bool = False) -> pd.DataFrame:
        tanks = point.tanks * point.weeks / setting.weeks * point.weight
        left = np.where(slips, 1.0, 1 / np.sqrt(1 + tanks * (1 + 0.1 * number)))
        # As far from the truth as the posterior says.
        return pd.DataFrame(
            {"club": number + 1, **point._asdict(), "long": long, "parameter": NAMES,
             "mean": sd * left, "sd": sd * left, "truth": 0.0, "prior_sd": sd, "ess": 300.0,
             "r_hat": 1.002 if long else 1.01, "divergent": 0, "seconds": 60.0}
        )  # fmt: skip

    fits = [fit(p, i) for p in points(setting) for i in range(setting.clubs)]
    return pd.concat([*fits, *(fit(p, 0, long=True) for p in checked(setting))])


def test_tanks_needed_are_on_the_line_between_two_sizes() -> None:
    setting = Identifiability(clubs=3, tanks=40, weeks=20, longest=26)
    found = tables.Contracted(study.results_of(made_up(setting)).contraction, setting.weeks)
    # 1 / (1 + 0.4 n) is a quarter at 7.5 tanks; between 5 and 10, on the log.
    low, high = 1 - 1 / (1 + 0.4 * 5.5), 1 - 1 / (1 + 0.4 * 11)
    wanted = 5 * 2 ** ((0.75 - low) / (high - low))
    needed = tables.tanks_table(found).set_index(["parameter", "weight", "threshold"])
    assert needed["tanks"]["pace_sd", 0.4, 0.75] == pytest.approx(wanted, rel=0.01)
    assert not np.isfinite(needed["tanks"]["log_setback[bloom]", 1, 0.5])
    page = study.page(study.results_of(made_up(setting)), setting).markdown()
    assert "**reduced**" in page
    assert "| how long phases last (3) | 7 (6 to 8) |" in page
    # 5 tanks at weight 0.4: 1 / 3, 1 / 3.2 and 1 / 3.4 of the prior's variance.
    assert "| how long phases last (3) | 0.4 | 0.31 / 0.31 |" in page


def test_a_narrow_posterior_far_from_the_truth_is_told() -> None:
    found = tables.Contracted(study.results_of(made_up(TINY)).contraction, TINY.weeks)
    assert tables.understated_errors(found, 0.4) == tables.understated_errors(found, 1.0) == []
    rows = found.rows
    here = (rows["tanks"] == 10) & (rows["weeks"] == TINY.weeks) & (rows["weight"] == 0.4)
    # Thrice the sd of the prior too low; and as often too high as too low.
    rows.loc[here & (rows["group"] == "slips"), "off"] = -3.0
    carry = here & (rows["group"] == "carry")
    rows.loc[carry, "off"] = np.resize([1.0, -1.0], carry.sum())
    assert tables.understated_errors(found, 0.4) == [
        "slipping back unprovoked: squared error 9.0 times as large, "
        "too low by 3.0 prior sds on average",
        "how readings carry over: squared error 5.4 times as large",
    ]
    assert tables.understated_errors(found, 1.0) == []


# What is committed -----------------------------------------------------------------------


def test_the_committed_tanks_follow_from_the_committed_contraction() -> None:
    found = committed()
    assert tuple(found.sizes) == SIZES
    assert found.rows["club"].nunique() == Identifiability().clubs
    fitted = found.rows[["tanks", "weeks", "weight", "judged"]].drop_duplicates()
    assert {Point(*row) for row in fitted.itertuples(index=False)} == set(points(Identifiability()))
    formats = {"weight": "{:g}", "threshold": "{:g}"}
    formats |= dict.fromkeys(tables.Middle._fields, "{:.1f}")
    assert csv_text(tables.tanks_table(found), formats) == (COMMITTED / "tanks.csv").read_text()
    assert "**reduced**" not in (COMMITTED / "README.md").read_text(encoding="utf-8")


def test_the_committed_short_chains_agree_with_long_ones() -> None:
    checks = study.read(COMMITTED).checks
    assert set(checks["tanks"]) == set(CHECKED_SIZES)
    ratio = checks["sd"] / checks["sd_long"]
    assert len(ratio) == len(CHECKED_SIZES) * len(NAMES)
    assert abs(ratio.median() - 1) < 0.02
    # 300 draws leave some per cent of a standard deviation open.
    assert np.sqrt(np.mean(np.log(ratio) ** 2)) < 0.1
    assert np.abs(np.log(ratio)).max() < 0.3
    assert (checks["r_hat_long"] < 1.01).all()


def test_the_committed_posteriors_are_right_where_they_should_be() -> None:
    # Errors as large as the posterior says at evidence weight 1, smaller at less.
    whole, less = (committed().by_size(w) for w in (1.0, 0.4))
    ratio = whole["off"] ** 2 / (1 - whole["contraction"])
    assert ratio.mean() == pytest.approx(1, abs=0.15)
    seen = less["group"].isin(["signs", "levels"])
    smaller = (less["off"] ** 2 / (1 - less["contraction"]))[seen]
    assert smaller.mean() < ratio[whole["group"].isin(["signs", "levels"])].mean()
