"""Which way a tank goes from look to look, against all paths one by one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import DEMO, demo, draws, one, practice
from assessment.small_mixture import by_lane, small

from maturity_model.assessment import TankAssessment, assess
from maturity_model.assessment.course import phases_between, total_variation
from maturity_model.catalogue import load_course
from maturity_model.hmm.staged import StagedChain
from maturity_model.logbook import Logbook, read_logbook
from maturity_model.panel import build_panel


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("week", range(4))
def test_phases_of_two_weeks_equal_the_enumeration(seed: int, week: int) -> None:
    chain = StagedChain(3, 2)
    given = small(seed, chain)
    k = chain.n_phases

    def pairs(paths: np.ndarray) -> np.ndarray:
        first, last = chain.phase_of[paths[:, week]], chain.phase_of[paths[:, -1]]
        return 1.0 * (k * first + last == np.arange(k * k)[:, None])

    mass, total = by_lane(given, given.found.emission, 4, pairs)
    # Lanes of one draw are mixed by prior times likelihood, draws by their own weights.
    within = np.einsum("npqd,pq->nd", mass, given.prior) / np.einsum(
        "pqd,pq->d", total, given.prior
    )
    wanted = (within @ given.found.draw_weight[-1]).reshape(k, k)
    np.testing.assert_allclose(phases_between(given.found, week), wanted, rtol=0, atol=1e-12)


def test_total_variation_is_the_largest_difference_of_a_set() -> None:
    p, q = np.array([0.1, 0.2, 0.7]), np.array([0.3, 0.3, 0.4])
    sets = [[i for i in range(3) if bits >> i & 1] for bits in range(8)]
    assert total_variation(p, q) == pytest.approx(max(abs((p - q)[s].sum()) for s in sets))
    assert total_variation(p, p) == 0.0


def test_the_answer_before_a_look_is_that_of_a_log_without_it() -> None:
    logbook = read_logbook(DEMO, today=dt.date(2026, 11, 25))
    name = "Breakwater-200"
    mine = [c for c in logbook.checkins if c.tank == name]
    # Two looks in one week, the second with all that it saw; nothing after them.
    second = mine[20]
    first = replace(mine[19], date=second.date - dt.timedelta(days=1))
    assert second.signs
    tank = replace(logbook.tanks[name], started=second.date - dt.timedelta(days=7 * 30 + 3))
    early = tuple(c for c in mine[:19] if tank.started <= c.date < first.date)
    small_log = replace(
        logbook, tanks={name: tank}, events=(), refused_tanks=(), checkins=(*early, first, second)
    )
    population = draws(3)
    with_it = one(population, small_log, 0.4)
    without = one(population, replace(small_log, checkins=(*early, first)), 0.4)
    assert with_it.course is not None
    assert with_it.weeks[-1] == without.weeks[-1]
    np.testing.assert_allclose(with_it.course.just_before, without.filtered[-1], atol=1e-12)
    assert with_it.course.before == early[-1].date
    assert not np.allclose(with_it.course.just_before, with_it.course.answer_newest, atol=0.01)


def test_the_demo_is_followed_from_look_to_look() -> None:
    _, assessment = demo()
    for tank in assessment.tanks:
        course = tank.course
        assert course is not None
        assert course.later is not None
        assert course.earlier is not None
        assert 0 <= course.later <= 1 - course.earlier <= 1
        assert course.newest == tank.reach.last_look
        if course.newest == tank.dates[-1]:
            assert course.blur == 0.0


def _drift(logbook: Logbook, day: dt.date) -> TankAssessment:
    own = replace(logbook, tanks={"Drift-40": logbook.tanks["Drift-40"]})
    panel = build_panel(own, as_of=day)
    return assess(panel, practice(), questions=False).tanks[0]


def test_an_answer_blurs_while_nobody_looks() -> None:
    panel, _ = demo()
    blur = []
    for day in (dt.date(2026, 11, 8), dt.date(2026, 11, 20), dt.date(2026, 12, 4)):
        tank = _drift(panel.logbook, day)
        assert tank.course is not None
        assert tank.course.newest == dt.date(2026, 11, 8)
        blur.append(tank.course.blur)
    assert blur[0] == 0.0 < blur[1] < load_course()["stale"] < blur[2]
