"""Scores of phase forecasts: against scikit-learn, by hand, and under resampling."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from validation_examples import PHASES, forecasts

from maturity_model.lab.studies.scores import score
from maturity_model.lab.validation.forecasters import TOOL
from maturity_model.lab.validation.scores import (
    Verification,
    bootstrap_weights,
    estimate,
    forecast_table,
    score_rows,
    summarize,
)

Load = Callable[[str], ModuleType]


def random_forecasts(seed: int = 0, tanks: int = 5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    p, truth = rng.dirichlet(np.ones(4), (tanks, 50)), rng.integers(-1, 4, (tanks, 50))
    return forecast_table(TOOL, p, truth, np.arange(tanks), PHASES)


def test_log_and_brier_scores_are_scikit_learns(need: Load) -> None:
    metrics = need("sklearn.metrics")
    table = random_forecasts()
    p, truth = table[list(PHASES)].to_numpy(), table["truth"]
    s = summarize(table).loc[TOOL]
    assert s["tank_weeks"] == len(table) < 250
    wanted = -metrics.log_loss(truth, p, labels=[0, 1, 2, 3])
    assert s["log_score"] == pytest.approx(wanted, abs=1e-12)
    each = [metrics.brier_score_loss(truth == k, p[:, k]) for k in range(4)]
    assert s["brier"] == pytest.approx(sum(each), abs=1e-12)
    other = score(p, truth.to_numpy()).calibration_error
    assert s["calibration_error"] == pytest.approx(other, abs=1e-12)


def test_two_weeks_by_hand() -> None:
    p = np.array([[[0.7, 0.2, 0.1, 0.0], [0.1, 0.8, 0.1, 0.0]]])
    s = summarize(forecast_table(TOOL, p, np.array([[0, 2]]), np.zeros(1, int), PHASES)).loc[TOOL]
    assert s["log_score"] == pytest.approx((np.log(0.7) + np.log(0.1)) / 2)
    # (0.09 + 0.04 + 0.01) and (0.01 + 0.64 + 0.81)
    assert s["brier"] == pytest.approx((0.14 + 1.46) / 2)
    # 0.7 came true, 0.8 did not: stated 0.75, came true 0.5.
    assert s["overconfidence"] == pytest.approx(0.25)
    first = -(0.7 * np.log(0.7) + 0.2 * np.log(0.2) + 0.1 * np.log(0.1))
    second = -(0.8 * np.log(0.8) + 0.2 * np.log(0.1))
    assert s["entropy"] == pytest.approx((first + second) / 2)


@pytest.mark.parametrize("bad", [np.nan, -0.1, 0.5])
def test_what_is_no_distribution_is_refused(bad: float) -> None:
    p = np.full((1, 2, 4), 0.25)
    p[0, 0, 0] = bad
    with pytest.raises(ValueError, match="not a distribution"):
        forecast_table(TOOL, p, np.zeros((1, 2), int), np.zeros(1, int), PHASES)


def test_the_first_row_of_weights_is_the_sample_and_others_repeat_tanks() -> None:
    table = random_forecasts(6)
    v = Verification([table])
    whole = summarize(table).loc[TOOL]
    assert v.log_score(TOOL)[0] == pytest.approx(whole["log_score"])
    assert v.calibration_error(TOOL)[0] == pytest.approx(whole["calibration_error"])
    v.weights = np.array([[2.0, 0, 1, 0, 0]])
    chosen = summarize(pd.concat([table[table["tank"] == n] for n in (0, 0, 2)])).loc[TOOL]
    assert v.log_score(TOOL)[0] == pytest.approx(chosen["log_score"])
    assert v.calibration_error(TOOL)[0] == pytest.approx(chosen["calibration_error"])


def test_whole_clubs_are_drawn_and_of_each_case_its_own() -> None:
    one = forecasts(0.5, 0.5)
    both = Verification([one, one])
    assert both.unit == "club"
    clubs = both.weights.reshape(-1, 20, 6)
    assert (clubs == clubs[:, :, :1]).all()
    assert both.weights[0].tolist() == [1] * 120
    assert both.weights.sum(axis=1) == pytest.approx(120)
    assert (both.weights[:, 0] != both.weights[:, 60]).any()
    assert Verification([one[one["club"] < 9]]).unit == "tank"


def test_the_interval_narrows_as_the_standard_error() -> None:
    # Of a mean of n independent values the standard error is their spread over root n.
    rng = np.random.default_rng(7)
    p, truth = rng.dirichlet(np.ones(4), (400, 1)), rng.integers(0, 4, (400, 1))
    log = score_rows(forecast_table(TOOL, p, truth, np.arange(400), PHASES))["log_score"]
    weights = bootstrap_weights(np.arange(400), 2000, 2)
    _, low, high = estimate(weights @ log.to_numpy() / 400)
    assert (high - low) / 2 == pytest.approx(1.645 * log.std(ddof=0) / 20, rel=0.08)


def test_an_overconfident_forecaster_is_found_out() -> None:
    bad = summarize(forecasts(0.9, 0.7, tanks=100)).loc[TOOL]
    assert bad["overconfidence"] == pytest.approx(0.2, abs=0.02)
    # 0.2 at the phase named, 0.2 / 3 at each of the others.
    assert bad["calibration_error"] == pytest.approx((0.2 + 3 * 0.2 / 3) / 4, abs=0.01)
    honest = summarize(forecasts(0.7, 0.7, tanks=100)).loc[TOOL]
    assert abs(honest["overconfidence"]) < 0.02
    assert honest["log_score"] > bad["log_score"]
    assert honest["calibration_error"] < 0.01
