"""Scores of a validation: against scikit-learn, by hand, and under resampling."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from maturity_model.lab.studies.scores import score
from maturity_model.lab.validation.sums import (
    AGES,
    Sums,
    brier,
    calibration_error,
    interval,
    log_score,
    overconfidence,
    resampled_calibration_error,
    resampled_log_score,
    resamplings,
    share_of_the_way,
    sharpness,
    sums_of,
    units,
)

Load = Callable[[str], ModuleType]


def stated(seed: int = 0, tanks: int = 5, weeks: int = 50) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.dirichlet(np.ones(4), (tanks, weeks)), rng.integers(-1, 4, (tanks, weeks))


def test_log_score_is_scikit_learns(need: Load) -> None:
    metrics = need("sklearn.metrics")
    p, truth = stated()
    known = truth >= 0
    wanted = -metrics.log_loss(truth[known], p[known], labels=[0, 1, 2, 3])
    assert log_score(sums_of(p, truth)) == pytest.approx(wanted, abs=1e-12)


def test_brier_scores_are_scikit_learns(need: Load) -> None:
    metrics = need("sklearn.metrics")
    p, truth = stated(1)
    known = truth >= 0
    s = sums_of(p, truth)
    each = [metrics.brier_score_loss(truth[known] == k, p[known][:, k]) for k in range(4)]
    assert brier(s) == pytest.approx(sum(each), abs=1e-12)
    by_phase = s.phase[:, 2].sum(axis=0) / s.weeks.sum()
    assert by_phase == pytest.approx(each, abs=1e-12)


def test_calibration_error_is_that_of_the_other_studies() -> None:
    p, truth = stated(2)
    known = truth >= 0
    assert calibration_error(sums_of(p, truth)) == pytest.approx(
        score(p[known], truth[known]).calibration_error, abs=1e-12
    )


def test_two_weeks_by_hand() -> None:
    p = np.array([[[0.7, 0.2, 0.1, 0.0], [0.1, 0.8, 0.1, 0.0]]])
    s = sums_of(p, np.array([[0, 2]]))
    assert log_score(s) == pytest.approx((np.log(0.7) + np.log(0.1)) / 2)
    # (0.09 + 0.04 + 0.01) and (0.01 + 0.64 + 0.81)
    assert brier(s) == pytest.approx((0.14 + 1.46) / 2)
    # 0.7 came true, 0.8 did not: stated 0.75, came true 0.5.
    assert overconfidence(s) == pytest.approx(0.25)
    first = -(0.7 * np.log(0.7) + 0.2 * np.log(0.2) + 0.1 * np.log(0.1))
    second = -(0.8 * np.log(0.8) + 0.2 * np.log(0.1))
    assert sharpness(s) == pytest.approx((first + second) / 2)


def test_bands_of_age_and_phases_add_up() -> None:
    p, truth = stated(3)
    s = sums_of(p, truth)
    for part in (s.age, s.phase[:, :2]):
        assert part[:, 0].sum(axis=1) == pytest.approx(s.weeks)
        assert part[:, 1].sum(axis=1) == pytest.approx(s.log)
    assert s.age[:, 2].sum(axis=1) == pytest.approx(s.brier)
    # The second band holds weeks 4 to 7, as far as they are scored.
    assert AGES[1:3] == (4, 8)
    assert s.age[:, 0, 1] == pytest.approx((truth[:, 4:8] >= 0).sum(axis=1))


def test_weeks_without_truth_count_nothing() -> None:
    p, truth = stated(4)
    truth[:, 30:] = -1
    for whole, part in zip(sums_of(p, truth), sums_of(p[:, :30], truth[:, :30]), strict=True):
        assert whole == pytest.approx(part)


@pytest.mark.parametrize("bad", [np.nan, -0.1, 0.5])
def test_what_is_no_distribution_is_refused(bad: float) -> None:
    p, truth = stated(5)
    p[0, 0, 0] = bad
    with pytest.raises(ValueError, match="not a distribution"):
        sums_of(p, truth)


def test_a_resampling_of_every_tank_once_is_the_score() -> None:
    p, truth = stated(6)
    s = sums_of(p, truth)
    once = np.ones((1, 5))
    assert resampled_log_score(s, once)[0] == pytest.approx(log_score(s))
    assert resampled_calibration_error(s, once)[0] == pytest.approx(calibration_error(s))
    twice = np.array([[2.0, 0, 1, 0, 0]])
    chosen = Sums(*(x[[0, 0, 2]] for x in s))
    assert resampled_log_score(s, twice)[0] == pytest.approx(log_score(chosen))
    assert resampled_calibration_error(s, twice)[0] == pytest.approx(calibration_error(chosen))


def test_whole_clubs_are_drawn() -> None:
    club = np.repeat(np.arange(12), 3)
    unit, what = units(36, club)
    times = resamplings(unit, 1, 50)
    assert what == "club"
    assert (times.reshape(50, 12, 3) == times.reshape(50, 12, 3)[:, :, :1]).all()
    assert times.sum(axis=1) == pytest.approx(36)
    assert units(36, np.zeros(36, dtype=int))[1] == "tank"


def test_the_interval_narrows_as_the_standard_error() -> None:
    # Of a mean of n independent values the standard error is their spread over root n.
    rng = np.random.default_rng(7)
    p = rng.dirichlet(np.ones(4), (400, 1))
    s = sums_of(p, rng.integers(0, 4, (400, 1)))
    times = resamplings(np.arange(400), 2, 2000)
    low, high = interval(resampled_log_score(s, times))
    assert (high - low) / 2 == pytest.approx(1.645 * s.log.std() / 20, rel=0.08)


def test_share_of_the_way() -> None:
    a = np.array
    assert share_of_the_way(a(-0.8), a(-1.0), a(-0.6)) == pytest.approx(0.5)
    assert np.isnan(share_of_the_way(a(-0.8), a(-0.6), a(-1.0)))
    assert not np.isfinite(interval(a([np.nan]))[0])


def sure(tanks: int, said: float, right: float, seed: int = 0) -> Any:
    """Tanks whose likeliest phase is stated with one probability and is right in a share."""
    rng = np.random.default_rng(seed)
    truth = rng.integers(0, 4, (tanks, 60))
    hit = rng.random(truth.shape) < right
    top = np.where(hit, truth, (truth + rng.integers(1, 4, truth.shape)) % 4)
    p = np.full((*truth.shape, 4), (1 - said) / 3)
    np.put_along_axis(p, top[:, :, None], said, axis=2)
    return sums_of(p, truth)


def test_an_over_sure_forecaster_is_found_out() -> None:
    s = sure(100, 0.9, 0.7)
    assert overconfidence(s) == pytest.approx(0.2, abs=0.02)
    # 0.2 at the phase named, 0.2 / 3 at each of the others.
    assert calibration_error(s) == pytest.approx((0.2 + 3 * 0.2 / 3) / 4, abs=0.01)
    honest = sure(100, 0.7, 0.7)
    assert abs(overconfidence(honest)) < 0.02
    assert calibration_error(honest) < 0.01
    assert log_score(honest) > log_score(s)
