"""Time to mature against the enumeration of all paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from assessment.small_tank import a_log, event, lively, over_future, practice, present, what_if
from small_logs import look, make_log

from maturity_model.assessment.first_passage import (
    DOTS,
    REACH,
    first_passage_pmf,
    quantile_week,
    time_to_mature,
)
from maturity_model.logbook import Tank

LOG = a_log(5, [event(1, "water_change", 10.0), event(30, "overfeeding", 4.0)])


@pytest.mark.parametrize(
    ("text", "stages", "horizon"),
    [
        (None, 1, 4),
        ("crash", 1, 4),
        ("water_change=30/1w", 1, 4),
        ("water_change=none + overfeeding=5", 1, 4),
        ("crash + water_change=30/1w", 3, 2),
    ],
)
@pytest.mark.parametrize("target", [1, 2, 3])
def test_arrivals_equal_the_enumeration(
    text: str | None, stages: int, horizon: int, target: int
) -> None:
    here = present(LOG, lively(0, 7, stages=stages))
    plan = what_if(text)

    def count(paths: np.ndarray, probability: np.ndarray) -> np.ndarray:
        there = here.mixture.chain.phase_of[paths] >= target
        first = np.where(there.any(axis=1), there.argmax(axis=1), horizon + 1)
        return np.bincount(first, probability, horizon + 2)[1 : horizon + 1]

    wanted = over_future(here, horizon, plan, count)
    found = first_passage_pmf(here, here.states_by_pace(), target, horizon, plan)
    np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-10)
    assert found.sum() > 1e-5


def test_the_answer_is_put_together_from_what_is_now_and_what_arrives() -> None:
    here = present(LOG, lively(0, 7))
    answer = time_to_mature(here)
    arrives = first_passage_pmf(here, here.states_by_pace(), 3, REACH)
    assert len(answer.by_week) == REACH + 1
    assert answer.by_week[0] == pytest.approx(here.mixture.phases()[-1, 3], abs=1e-12)
    assert answer.already.mean == pytest.approx(answer.by_week[0], abs=1e-12)
    np.testing.assert_allclose(np.diff(answer.by_week), arrives @ here.weight, atol=1e-12)
    assert answer.not_within.mean == pytest.approx(1 - answer.by_week[-1], abs=1e-12)
    assert answer.not_within.low <= answer.not_within.mean <= answer.not_within.high
    assert (np.diff(answer.by_week) >= 0).all()
    levels = [0.05, 0.5, 0.95, *((i + 0.5) / DOTS for i in range(DOTS))]
    weeks = [quantile_week(answer.by_week, level) for level in levels]
    assert [answer.low, answer.median, answer.high, *answer.dots] == weeks


def test_a_quantile_is_the_first_week_that_reaches_it() -> None:
    by_week = np.array([0.1, 0.5, 0.9])
    weeks = {x: quantile_week(by_week, x) for x in (0.05, 0.1, 0.3, 0.5, 0.9, 0.95)}
    assert weeks == {0.05: 0, 0.1: 0, 0.3: 1, 0.5: 1, 0.9: 2, 0.95: None}


def test_a_tank_that_never_moves_is_not_mature_within_two_years() -> None:
    pop = lively(0, 1)
    still = np.full_like(pop.log_advance, -690.0)
    here = present(a_log(4, rock="dry"), replace(pop, log_advance=still))
    answer = time_to_mature(here)
    assert answer.not_within.mean == pytest.approx(1.0, abs=1e-9)
    assert answer.median is None
    assert set(answer.dots) == {None}


def test_a_mature_tank_is_so_already() -> None:
    pop = lively(0, 1, start=np.eye(4)[[3, 3, 3, 3]])
    log = make_log([Tank("a", look(0).date, keeper="k", rock="live")], [look(0)])
    answer = time_to_mature(present(log, pop))
    assert answer.already.mean == pytest.approx(1.0)
    assert set(answer.dots) == {0}
    assert answer.not_within.mean == pytest.approx(0.0, abs=1e-12)


def test_water_changes_speed_up_and_a_crash_delays() -> None:
    here = present(a_log(12, [event(0, "water_change", 5.0)], rock="dry"), practice(), nodes=(5, 3))
    base, water, crash = (
        time_to_mature(here, what_if(text)).by_week
        for text in (None, "water_change=20/1w", "crash")
    )
    assert water[52] > base[52] + 0.01
    assert crash[20] < base[20] - 0.01
