"""Surprises against enumeration of all paths, against likelihood ratios, and on made-up stories."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import tables_of
from assessment.small_mixture import by_lane, small
from small_logs import day, look, make_log, random_log, reading

from maturity_model.assessment.filtering import filter_tank
from maturity_model.assessment.observed import checkins_of
from maturity_model.assessment.surprise import (
    CORROBORATED,
    FAR_OFF,
    FELL,
    Surprises,
    predicted,
    recent_slip,
    surprises,
)
from maturity_model.hmm.staged import StagedChain
from maturity_model.logbook import CheckIn, Logbook, Reading, Tank

CHAINS = [StagedChain(2, 2), StagedChain(3, 1), StagedChain(4, 1), StagedChain(2, 1)]


@pytest.mark.parametrize("weeks", [1, 2, 4])
@pytest.mark.parametrize("chain", CHAINS)
def test_what_happened_lately(chain: StagedChain, weeks: int) -> None:
    given = small(22, chain)
    found, week, power = given.found, 3, 0.5
    back = max(week - weeks, 0)
    emission = found.emission.copy()
    emission[back + 1 :] **= 1 / power

    def value(paths: np.ndarray) -> np.ndarray:
        phase = chain.phase_of[paths]
        down = (np.diff(phase[:, back:], axis=1) < 0).sum(axis=1)
        return np.stack([down, (phase[:, -1] == 0) & (phase[:, back] > 0)])

    sums, totals = by_lane(given, emission, week + 1, value)
    _, before = by_lane(given, emission, back + 1, lambda paths: np.ones((1, len(paths))))
    likelihood = np.einsum("pq,pqd->d", given.prior, totals)
    ratio = likelihood / np.einsum("pq,pqd->d", given.prior, before)
    weight = found.draw_weight[back] * ratio ** found.trusted.power[back]
    within = np.einsum("pq,kpqd->kd", given.prior, sums) / likelihood
    want = within @ weight / weight.sum()
    np.testing.assert_allclose(recent_slip(found, week, power, weeks), want, rtol=0, atol=1e-10)


def test_nothing_can_have_happened_before_the_first_week() -> None:
    assert recent_slip(small(22, CHAINS[0]).found, 0, 0.5) == (0.0, 0.0)


@pytest.mark.parametrize("chain", CHAINS)
@pytest.mark.parametrize("week", [0, 2])
def test_the_prediction_of_a_checkin(chain: StagedChain, week: int) -> None:
    given = small(23, chain)
    tables, found = given.tables, given.found
    earlier = [(0, 1), (1, 2)]
    emission = found.emission.copy()
    emission[week] = 1.0
    n_draws = emission.shape[-1]
    _, before = by_lane(given, emission, week + 1, lambda paths: np.ones((1, len(paths))))
    for kind, code in earlier:
        emission[week] *= tables.signs[code] if kind == 0 else tables.readings[code][:, None]
    states = np.arange(chain.n_states)[:, None]
    sums, totals = by_lane(given, emission, week + 1, lambda paths: 1.0 * (paths[:, -1] == states))
    likelihood = np.einsum("pq,pqd->d", given.prior, totals)
    ratio = likelihood / np.einsum("pq,pqd->d", given.prior, before)
    weight, power = np.full(n_draws, 1 / n_draws), 1.0
    if week:
        weight, power = found.draw_weight[week - 1], found.trusted.power[week - 1]
    weight = weight * ratio**power
    want = np.einsum("pq,spqd->sqd", given.prior, sums) / likelihood * weight / weight.sum()
    got = predicted(tables, 0, found, week, earlier)
    np.testing.assert_allclose(got, want, rtol=0, atol=1e-10)
    assert got.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_probability_is_a_ratio_of_likelihoods(seed: int) -> None:
    logbook, as_of = random_log(seed)
    tables = tables_of(logbook, as_of, draws=1, weight=1.0)
    said = surprises(tables, 0, filter_tank(tables, 0)[0])
    assert said is not None
    last = checkins_of(tables.panel, 0)[said.items[0].what.checkin]
    earlier = tuple(c for c in logbook.checkins if c.tank == last.tank and c.date <= as_of)
    earlier = tuple(c for c in earlier if earlier.index(c) < earlier.index(last))
    bare = replace(last, signs={}, readings={}, judged_phase=None)

    def log_likelihood(*more: CheckIn) -> float:
        shorter = replace(logbook, checkins=(*earlier, *more))
        found, _ = filter_tank(tables_of(shorter, as_of, draws=1, weight=1.0), 0)
        return float(found.log_likelihood[-1, 0])

    def probability(**answer: object) -> float:
        return math.exp(log_likelihood(replace(bare, **answer)) - log_likelihood())  # type: ignore[arg-type]

    for item in said.items:
        o = item.what
        if o.kind == "sign":
            expected = probability(signs={o.name: bool(o.seen)})
        elif o.kind == "judgement":
            expected = probability(judged_phase=o.phase)
        else:
            # The interval and what lies beyond it, on the less probable side.
            assert o.reading is not None
            above = probability(readings={o.name: replace(o.reading, high=math.inf)})
            below = probability(readings={o.name: replace(o.reading, low=0.0)})
            expected = min(2 * min(above, below), 1.0)
            assert item.high == (above < below)
        assert item.probability == pytest.approx(expected, abs=1e-10)


def test_what_is_said_of_an_old_checkin_is_what_was_said_then() -> None:
    logbook = story(30)
    tables = tables_of(logbook)
    found, _ = filter_tank(tables, 0)
    for at in (0, 3, 17):
        small_tables = tables_of(logbook, logbook.checkins[at].date)
        again, _ = filter_tank(small_tables, 0)
        a, b = surprises(tables, 0, found, at), surprises(small_tables, 0, again)
        assert a is not None
        assert b is not None
        assert a.recent == pytest.approx(b.recent, abs=1e-12)
        assert [x.what.name for x in a.items] == [x.what.name for x in b.items]
        assert [x.probability for x in a.items] == pytest.approx([x.probability for x in b.items])


ANIMALS = "amphipods=y copepods=y spirorbid_worms=y bristle_worms=y coralline_algae=y "
GONE = ANIMALS.replace("=y", "=n")
CLEAR = "diatoms=n hair_algae=n film_algae=n"


def story(weeks: int, last: str = "", **more: object) -> Logbook:
    """A tank left in peace for some weeks, then one more check-in."""
    bloom = "diatoms=y film_algae=y hair_algae=y amphipods=n copepods=y"
    looks = [look(7 * w + 3, bloom if w < 12 else ANIMALS + CLEAR) for w in range(1, weeks)]
    looks.append(look(7 * weeks + 3, last or ANIMALS + CLEAR, **more))
    return make_log([Tank("a", day(0), keeper="k", rock="live")], looks)


def measured_before(logbook: Logbook, readings: dict[str, Reading]) -> Logbook:
    """The same with these readings at all check-ins but the last."""
    *rest, last = logbook.checkins
    return replace(logbook, checkins=(*(replace(c, readings=readings) for c in rest), last))


def said_of(logbook: Logbook) -> Surprises:
    tables = tables_of(logbook, draws=256)
    said = surprises(tables, 0, filter_tank(tables, 0)[0])
    assert said is not None
    return said


def test_a_calm_checkin_raises_no_alarm() -> None:
    said = said_of(story(50))
    assert said.alarm == ""
    assert said.vanished == 1.0
    assert not said.pods
    assert said.recent.fell < FELL / 10


def test_all_animals_gone_means_that_something_is_wrong() -> None:
    said = said_of(story(50, GONE + CLEAR))
    assert said.alarm == "something is wrong"
    assert said.pods
    gone = {s.what.name for s in said.items if s.vanished}
    assert gone >= {"amphipods", "copepods", "spirorbid_worms"}
    # Coralline is no animal.
    assert "coralline_algae" not in gone
    assert [s.probability for s in said.items] == sorted(s.probability for s in said.items)


def test_pods_gone_alone_are_named() -> None:
    signs = "amphipods=n copepods=n spirorbid_worms=y bristle_worms=y coralline_algae=y "
    said = said_of(story(50, signs + CLEAR))
    assert said.pods
    assert {s.what.name for s in said.items if s.vanished} == {"amphipods", "copepods"}
    assert said.vanished < 0.05


def test_a_lone_reading_far_off_asks_for_the_kit_to_be_checked() -> None:
    nitrate = {"nitrate": reading(120.0, np.inf, 160.0)}
    said = said_of(measured_before(story(50, readings=nitrate), {"nitrate": reading(7.5, 15, 10)}))
    off = next(s for s in said.items if s.what.name == "nitrate")
    assert off.far_off
    assert off.high
    assert off.probability < FAR_OFF
    assert said.alarm == "check the kit"


def test_high_nitrite_agrees_with_high_ammonia() -> None:
    zero = {"ammonia": reading(0.0, 0.125, 0.0), "nitrite": reading(0.0, 0.125, 0.0)}

    def last(nitrite: Reading) -> Surprises:
        high = story(50, readings={"ammonia": reading(6.0, np.inf, 8.0), "nitrite": nitrite})
        return said_of(measured_before(high, zero))

    alone = last(zero["nitrite"])
    assert [s.what.name for s in alone.items if s.far_off] == ["ammonia"]
    assert alone.recent.slipped < CORROBORATED
    assert alone.alarm == "check the kit"
    # Not far off itself, but above its first step.
    agreed = last(reading(0.375, 0.75, 0.5))
    assert [s.what.name for s in agreed.items if s.far_off] == ["ammonia"]
    assert agreed.alarm == "something is wrong"


def test_the_same_with_animals_gone_is_no_matter_of_the_kit() -> None:
    ammonia = {"ammonia": reading(0.75, 1.5, 1.0)}
    said = said_of(story(50, GONE + CLEAR, readings=ammonia))
    assert said.alarm == "something is wrong"
    assert said.recent.fell > 0.5
    assert said.recent.slipped >= said.recent.fell - 1e-12


def test_without_an_observation_there_is_no_surprise() -> None:
    tables = tables_of(make_log([Tank("a", day(0))], [look(3)]), day(20), draws=4)
    assert surprises(tables, 0, filter_tank(tables, 0)[0]) is None
