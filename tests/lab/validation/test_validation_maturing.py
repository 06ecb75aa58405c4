"""Coverage of the time to mature: by hand, against lifelines' published example, and unbiased."""

from __future__ import annotations

import numpy as np
import pytest
from small_logs import START, make_log

from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.forecasts import ALARMS, SILENT, Stated
from maturity_model.lab.validation.maturing import (
    FEWEST,
    Outcomes,
    below,
    coverage,
    next_event,
    outcomes,
)
from maturity_model.lab.validation.slips import notice, slips_of
from maturity_model.logbook import Event, Tank


def found(position: np.ndarray, censored: np.ndarray) -> Outcomes:
    n = np.arange(len(position))
    blank = np.full(len(n), np.nan)
    return Outcomes(n, n * 0, position, censored, blank, blank)


def test_kaplan_meier_by_hand() -> None:
    # Remission of 21 patients under 6-mercaptopurine, weeks / 100 (Freireich et al. 1963, as
    # printed in Klein and Moeschberger 2003, table 4.1B; from memory): survival 0.857, 0.807,
    # 0.753, 0.690, 0.627, 0.538 and 0.448 after weeks 6, 7, 10, 13, 16, 22 and 23.
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    censored = [0, 0, 0, 1, 0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 1, 1, 1, 1, 1]
    o = found(np.array(weeks) / 100, np.array(censored, dtype=bool))
    after = 1 - below(o, np.array([6, 7, 10, 13, 16, 22, 23]) / 100)
    assert after == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)


def test_weights_count_as_copies() -> None:
    rng = np.random.default_rng(1)
    position, censored = rng.random(30), rng.random(30) < 0.3
    weight = rng.integers(0, 4, 30).astype(float)
    copied = np.repeat(np.arange(30), weight.astype(int))
    # Copies apart by next to nothing, so that none is tied.
    apart = position[copied] + 1e-9 * np.arange(len(copied))
    at = np.array([0.2, 0.5, 0.8])
    weighted = below(found(position, censored), at, weight)
    assert weighted == pytest.approx(below(found(apart, censored[copied]), at), abs=1e-6)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_perfect_forecaster_is_covered_whatever_is_censored(share: float) -> None:
    rng = np.random.default_rng(2)
    truth, cut = rng.random(20_000), rng.random(20_000)
    censored = (cut < truth) & (rng.random(20_000) < 2 * share)
    o = found(np.where(censored, cut, truth), censored)
    assert coverage(o, 0.9) == pytest.approx(0.9, abs=0.015)
    assert coverage(o, 0.5) == pytest.approx(0.5, abs=0.02)


def test_too_few_followed_is_not_known() -> None:
    position = np.concatenate([np.linspace(0, 0.5, 50), np.full(FEWEST - 1, 0.97)])
    censored = np.arange(len(position)) % 2 == 0
    assert np.isnan(coverage(found(position, censored), 0.9))
    assert np.isfinite(coverage(found(position, censored & False), 0.9))
    assert np.isnan(coverage(found(position[:0], censored[:0]), 0.9))


def club(phases: list[list[int]], weeks: int, events: list[Event] | None = None) -> Club:
    tanks = [Tank(f"t{i}", START) for i in range(len(phases))]
    return Club(make_log(tanks, (), events or ()), np.array(phases), weeks)


def event(week: int, kind: str = "crash", tank: str = "t0") -> Event:
    import datetime as dt

    return Event(tank, START + dt.timedelta(days=7 * week + 1), kind, None)


def test_outcomes_by_hand() -> None:
    c = club([[2, 2, 2, 3, 2, 2], [2, 2, 2, 2, 2, -1]], 3)
    stated = np.tile(np.minimum(0.1 + 0.2 * np.arange(105), 1.0), (2, 1))
    o = outcomes(c, np.array([[0, 1], [1, 0]]), stated, 0, quiet=False)
    # Two weeks from week 1: between what is stated for one week and for two.
    assert 0.3 < o.position[0] < 0.5
    # Not mature in any of weeks 0 to 4.
    assert o.position[1] == pytest.approx(0.9)
    assert o.censored.tolist() == [False, True]
    # The printed interval is 0 to 5 weeks: it held the first; of the second nothing is known.
    assert o.printed[0] == 1
    assert np.isnan(o.printed[1])
    assert o.width.tolist() == [5, 5]


def test_an_interval_that_was_outlived_is_a_miss() -> None:
    c = club([[2] * 20], 3)
    stated = np.minimum(0.5 + 0.25 * np.arange(105), 1.0)[None]
    assert outcomes(c, np.array([[0, 0]]), stated, 0, quiet=False).printed.tolist() == [0]


def test_events_end_what_is_followed() -> None:
    c = club([[2, 2, 2, 2, 3, 3]], 4, [event(3), event(2, "water_change")])
    assert next_event(c).tolist() == [[3, 3, 3, 6, 6, 6]]
    stated = np.linspace(0, 1, 105)[None]
    quiet = outcomes(c, np.array([[0, 1]]), stated, 0, quiet=True)
    assert quiet.censored.all()
    # Known not to be mature in weeks 1 and 2.
    assert quiet.position[0] == pytest.approx(stated[0, 1])
    assert not outcomes(c, np.array([[0, 1]]), stated, 0, quiet=False).censored.any()


def said(top: list[int], alarm: list[int] | None = None) -> Stated:
    phase = np.eye(4)[np.array(top)][None]
    w = len(top)
    alarms = np.full((1, w), SILENT) if alarm is None else np.array([alarm])
    slipped = np.full((1, w), np.nan) if alarm is None else np.zeros((1, w))
    return Stated(phase, np.zeros((1, w, 2)), slipped, alarms, np.empty((0, 2), int), np.empty(0))


def test_slips_are_found_in_the_truth() -> None:
    assert slips_of(np.array([0, 0, 1, 1, 0, 0, 1, 2, 2, 1])) == [(4, 1, 0), (9, 2, 1)]
    # A week's flicker is none: the phase before was not settled.
    assert slips_of(np.array([1, 1, 1, 2, 1, 1])) == []
    assert slips_of(np.array([1, 1, -1, 0])) == []


def test_noticed_and_false_by_hand() -> None:
    truth = np.array([[1, 1, 2, 2, 2, 1, 1, 1, 1, 1] + [1] * 10])
    top = [1, 1, 2, 2, 2, 2, 2, 1, 1, 1] + [1] * 7 + [0, 0, 0]
    n = notice(said(top), truth, "phase")
    assert (n.slips.sum(), n.noticed.sum(), n.delay.sum()) == (1, 1, 2)
    # The slip of week 5 excuses alarms up to week 13; that of week 17 is false.
    assert (n.false.sum(), n.weeks.sum()) == (1, 20 - 9)


def test_alarms_count_once_while_they_last() -> None:
    truth = np.full((1, 12), 2)
    on = ALARMS["something is wrong"]
    n = notice(said([2] * 12, [0, on, on, 0, ALARMS["check the kit"], on, *[SILENT] * 6]), truth,
               "alarm")  # fmt: skip
    assert (n.false.sum(), n.weeks.sum(), n.slips.sum()) == (2, 12, 0)


def test_a_way_that_was_not_asked_says_nothing() -> None:
    n = notice(said([2] * 12), np.full((1, 12), 2), "alarm")
    assert n.weeks.sum() == 0
