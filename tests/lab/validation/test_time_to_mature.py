"""Coverage of the time to mature: by hand, against a published example, and unbiased."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from small_logs import START, make_log

from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.time_to_mature import (
    MIN_BEYOND,
    coverage,
    kaplan_meier_cdf,
    next_event,
    verify_times,
)
from maturity_model.logbook import Event, Tank


def covered(pit: np.ndarray, censored: np.ndarray, level: float, weight: object = 1.0) -> float:
    """Coverage of questions about one tank each."""
    table = pd.DataFrame({"tank": np.arange(len(pit)), "pit": pit, "censored": censored})
    return float(coverage(table, level, np.full((1, len(pit)), weight))[0])


def test_kaplan_meier_by_hand() -> None:
    # Remission of 21 patients under 6-mercaptopurine, weeks / 100 (Freireich et al. 1963, as
    # printed in Klein and Moeschberger 2003, table 4.1B; from memory): survival 0.857, 0.807,
    # 0.753, 0.690, 0.627, 0.538 and 0.448 after weeks 6, 7, 10, 13, 16, 22 and 23.
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    censored = [0, 0, 0, 1, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 1, 1, 1, 1]
    at = np.array([6, 7, 10, 13, 16, 22, 23])
    after = 1 - kaplan_meier_cdf(np.array(weeks), np.array(censored, dtype=bool), at)
    assert after == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_weights_count_as_copies() -> None:
    rng = np.random.default_rng(1)
    pit, censored = rng.random(30), rng.random(30) < 0.3
    weight = rng.integers(0, 4, 30)
    copied = np.repeat(np.arange(30), weight)
    # Copies apart by next to nothing, so that none is tied.
    apart = pit[copied] + 1e-9 * np.arange(len(copied))
    weighted = covered(pit, censored, 0.5, weight)
    assert weighted == pytest.approx(covered(apart, censored[copied], 0.5), abs=1e-6)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_perfect_forecaster_is_covered_whatever_is_censored(share: float) -> None:
    rng = np.random.default_rng(2)
    truth, cut = rng.random(20_000), rng.random(20_000)
    censored = (cut < truth) & (rng.random(20_000) < 2 * share)
    pit = np.where(censored, cut, truth)
    assert covered(pit, censored, 0.9) == pytest.approx(0.9, abs=0.015)
    assert covered(pit, censored, 0.5) == pytest.approx(0.5, abs=0.02)


def test_too_few_followed_is_not_known() -> None:
    pit = np.concatenate([np.linspace(0, 0.5, 50), np.full(MIN_BEYOND - 1, 0.97)])
    censored = np.arange(len(pit)) % 2 == 0
    assert np.isnan(covered(pit, censored, 0.9))
    assert np.isfinite(covered(pit, censored & False, 0.9))
    assert np.isnan(covered(pit[:0], censored[:0], 0.9))


def club(phases: list[list[int]], weeks: int, events: list[Event] | None = None) -> Club:
    tanks = [Tank(f"t{i}", START) for i in range(len(phases))]
    return Club(make_log(tanks, (), events or ()), np.array(phases), weeks)


def event(week: int, kind: str = "crash", tank: str = "t0") -> Event:
    return Event(tank, START + dt.timedelta(days=7 * week + 1), kind, None)


def test_outcomes_by_hand() -> None:
    c = club([[2, 2, 2, 3, 2, 2], [2, 2, 2, 2, 2, -1]], 3)
    stated = np.tile(np.minimum(0.1 + 0.2 * np.arange(105), 1.0), (2, 1))
    o = verify_times(c, np.array([[0, 1], [1, 0]]), stated, 0, until_event=False)
    # Two weeks from week 1: between what is stated for one week and for two.
    assert 0.3 < o["pit"][0] < 0.5
    # Not mature in any of weeks 0 to 4.
    assert o["pit"][1] == pytest.approx(0.9)
    assert o["censored"].tolist() == [False, True]
    # The printed interval is 0 to 5 weeks: it held the first; of the second nothing is known.
    assert o["covered"][0] == 1
    assert np.isnan(o["covered"][1])
    assert o["width"].tolist() == [5, 5]
    # An interval that was outlived is a miss.
    sure = np.minimum(0.5 + 0.25 * np.arange(105), 1.0)[None]
    long = verify_times(club([[2] * 20], 3), np.array([[0, 0]]), sure, 0, until_event=False)
    assert long["covered"].tolist() == [0]


def test_events_end_what_is_followed() -> None:
    c = club([[2, 2, 2, 2, 3, 3]], 4, [event(3), event(2, "water_change")])
    assert next_event(c).tolist() == [[3, 3, 3, 6, 6, 6]]
    stated = np.linspace(0, 1, 105)[None]
    quiet = verify_times(c, np.array([[0, 1]]), stated, 0, until_event=True)
    assert quiet["censored"].all()
    # Known not to be mature in weeks 1 and 2.
    assert quiet["pit"][0] == pytest.approx(stated[0, 1])
    assert not verify_times(c, np.array([[0, 1]]), stated, 0, until_event=False)["censored"].any()
