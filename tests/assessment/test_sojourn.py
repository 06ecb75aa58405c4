"""Whether a tank lags, its pace, and what would move it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from assessment.small_tank import a_log, event, lively, over_future, practice, present
from small_logs import START, day, each_checkin, look, make_log, reading

from maturity_model.assessment.plan import parse_plan
from maturity_model.assessment.sojourn import (
    CONTRAST_WEEKS,
    check_sojourn,
    sojourn_quantile,
    stay_probability,
)
from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.logbook import Tank

CATALOGUE = load_catalogue()
PACE, PACE_WEIGHT = normal_nodes(5)
PAIR = normal_nodes(2)[1]


# -- how long comparable tanks need ------------------------------------------------------


@pytest.mark.parametrize("stages", [1, 3])
@pytest.mark.parametrize("covariates", [[0.0, 0.0], [1.0, 0.0], [0.0, 0.9]])
def test_the_time_needed_equals_the_recursion(stages: int, covariates: list[float]) -> None:
    pop = lively(*range(6), stages=stages)
    found = sojourn_quantile(pop, np.array(covariates), PACE, PACE_WEIGHT)
    assert found[3] is None
    for k in range(3):
        passed, share, n = np.zeros((5, 6)), 0.0, 0
        hazard = np.exp(
            pop.log_advance[k]
            + covariates[0] * pop.husbandry[0, k]
            + covariates[1] * pop.husbandry[1, k]
            + PACE[:, None] * pop.pace_sd
        )
        leave = 1 - np.exp(-hazard)
        at = np.zeros((stages, 5, 6))
        at[0] = 1.0
        while share < 0.9:
            flow = at * leave
            at -= flow
            at[1:] += flow[:-1]
            passed += flow[-1]
            n += 1
            share = PACE_WEIGHT @ passed.mean(axis=1)
        assert found[k] == n


def test_phases_that_are_never_left_need_no_number() -> None:
    pop = lively(0)
    slow = replace(pop, log_advance=np.full_like(pop.log_advance, -690.0))
    assert sojourn_quantile(slow, np.zeros(2), PACE, PACE_WEIGHT) == (None,) * 4
    fast = replace(pop, log_advance=np.full_like(pop.log_advance, 690.0))
    assert sojourn_quantile(fast, np.zeros(2), PACE, PACE_WEIGHT) == (1, 1, 1, None)


# -- lagging -----------------------------------------------------------------------------


def test_lagging_is_put_together_from_stays() -> None:
    here = present(a_log(30, rock="dry"), practice(), nodes=(5, 3))
    found = check_sojourn(here, PACE_WEIGHT)
    for k, need in enumerate(found.need):
        wanted = 0.0 if need is None else stay_probability(here, k, 200)[need] @ here.weight
        assert found.by_phase[k].mean == pytest.approx(wanted, abs=1e-12)
    total = sum(e.mean for e in found.by_phase)
    assert found.lagging.mean == pytest.approx(total, abs=1e-12)
    assert found.lagging.low <= found.lagging.mean <= found.lagging.high
    assert 0 <= found.so_far[0] <= found.so_far[1] <= found.so_far[2] <= 29
    stays = stay_probability(here, found.phase, 30) @ here.weight
    share = stays / stays[0]
    for level, n in zip((0.05, 0.5, 0.95), found.so_far, strict=True):
        assert share[n] > 1 - level >= share[n + 1]


def test_lagging_begins_when_it_can() -> None:
    # With as many weeks behind it as are needed, only a tank in the phase since week 0 lags.
    pop = lively(0, 1)
    covariates = np.array([0.0, 0.0])
    need = sojourn_quantile(pop, covariates, normal_nodes(2)[0], PAIR)[0]
    assert need is not None
    for weeks, can in ((need, False), (need + 1, True)):
        found = check_sojourn(present(a_log(weeks, rock="dry", signs=False), pop), PAIR)
        assert found.need[0] == need
        assert (found.by_phase[0].mean > 1e-6) == can


def test_an_old_tank_that_shows_no_progress_lags_and_is_slow() -> None:
    ammonia = {"ammonia": reading(1.5, 3.0, 2.0), "nitrite": reading(0.5, 2.0, 1.0)}
    still = [
        look(7 * t + 3, "diatoms=n hair_algae=n amphipods=n coralline_algae=n", readings=ammonia)
        for t in range(30)
    ]
    tank = Tank("a", START, keeper="k", rock="dry")
    found = check_sojourn(present(make_log([tank], still), practice(), nodes=(5, 3)), PACE_WEIGHT)
    assert found.phase == 0
    assert found.lagging.mean > 0.5
    assert found.pace.slower > 0.8
    assert found.pace.low < found.pace.speed < found.pace.high
    assert found.pace.speed < 0.9


# -- pace --------------------------------------------------------------------------------


def test_pace_without_evidence_is_the_population_s() -> None:
    pop = lively(4, 4)
    here = present(a_log(1, signs=False), pop, nodes=(5, 3))
    pace = check_sojourn(here, PACE_WEIGHT).pace
    # The nodes hold the mean and the variance of a normal exactly.
    width = 1.6448536269514722 * pop.pace_sd[0]
    assert pace.speed == pytest.approx(1.0, abs=1e-9)
    assert pace.low == pytest.approx(math.exp(-width), rel=1e-9)
    assert pace.high == pytest.approx(math.exp(width), rel=1e-9)
    assert pace.slower == pytest.approx(0.5, abs=1e-9)


def test_tanks_all_alike_have_no_pace_of_their_own() -> None:
    pop = replace(lively(0, 1), pace_sd=np.zeros(2))
    pace = check_sojourn(present(a_log(5), pop), PAIR).pace
    assert pace == (1.0, 1.0, 1.0, 0.5)


# -- levers ------------------------------------------------------------------------------


def test_the_next_phase_equals_the_enumeration(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("maturity_model.assessment.sojourn.CONTRAST_WEEKS", 4)
    log = a_log(6, [event(1, "water_change", 10.0), event(30, "overfeeding", 4.0)], rock="dry")
    here = present(log, lively(0, 7))
    found = check_sojourn(here, PAIR)
    k = found.phase
    assert k < 3
    inside = here.phases[k]
    weight = here.weight * inside / (here.weight @ inside)
    for contrast in found.contrasts:

        def count(paths: np.ndarray, probability: np.ndarray) -> np.ndarray:
            there = (paths[:, 0] == k) & (paths[:, 1:] > k).any(axis=1)
            return np.array([probability @ there])

        values = over_future(here, 4, contrast.plan, count)[0]
        value = values / inside @ weight
        if contrast.stop:
            assert contrast.within == found.next_phase
            wanted = found.next_phase.mean - value
        else:
            assert contrast.within.mean == pytest.approx(value, abs=1e-10)
            wanted = value - found.next_phase.mean
        assert contrast.change.mean == pytest.approx(wanted, abs=1e-10)


def test_levers_are_ranked_and_water_moves_a_bloom() -> None:
    log = a_log(16, [event(0, "water_change", 1.0)], rock="dry")
    signs = {"diatoms": True, "hair_algae": True, "film_algae": True, "amphipods": False}
    log = each_checkin(log, lambda c: replace(c, signs=signs))
    here = present(log, practice(), nodes=(5, 3))
    found = check_sojourn(here, PACE_WEIGHT)
    assert found.phase == 1
    changes = [contrast.change.mean for contrast in found.contrasts]
    assert changes == sorted(changes, reverse=True)
    texts = [contrast.plan.text for contrast in found.contrasts]
    # More water, more speed; this tank already goes without.
    assert texts == ["water_change=20/1w", "water_change=20/2w", "water_change=none"]
    assert changes[0] > 0.02
    assert changes[2] == pytest.approx(0.0, abs=1e-6)


def test_a_habit_is_compared_with_going_on_like_that() -> None:
    events = [event(0, "water_change", 1.0)]
    events += [event(n, "overfeeding", 3.0) for n in (60, 74, 88, 102)]
    events += [event(20, "deep_clean"), event(95, "crash")]
    here = present(a_log(16, events, rock="dry"), practice(), day(108), nodes=(5, 3))
    found = check_sojourn(here, PACE_WEIGHT)
    habits = [contrast for contrast in found.contrasts if contrast.stop]
    # The deep clean is long past, and a crash is nobody's habit.
    assert [contrast.plan for contrast in habits] == [
        replace(parse_plan("overfeeding=3/2w", CATALOGUE), text="overfeeding=3/14d")
    ]
    assert habits[0].change.mean > 0
    assert CONTRAST_WEEKS == 8


def test_a_mature_tank_has_no_next_phase() -> None:
    pop = lively(0, 1, start=np.eye(4)[[3, 3, 3, 3]])
    found = check_sojourn(present(a_log(1), pop), PAIR)
    assert found.phase == 3
    assert found.next_phase is None
    assert found.contrasts == ()
    assert found.lagging.mean == 0.0
