"""The mesocosm as a whole: its books, its tanks, and what its keepers write."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from maturity_model.lab.worlds.mesocosm import (
    ANALYTES,
    PHASES,
    PRESETS,
    SIGNS,
    Club,
    live,
    water,
)
from maturity_model.lab.worlds.mesocosm.history import History, run
from maturity_model.lab.worlds.mesocosm.region import draw_region
from maturity_model.lab.worlds.mesocosm.tanks import fill, set_up

START = dt.date(2015, 1, 5)
DAYS = 420


@pytest.fixture(scope="module")
def history() -> History:
    return run(100, DAYS, 2, 0, "usual")


@pytest.fixture(scope="module")
def club() -> Club:
    return live(60, DAYS, 3, START, judged=0.3)


def day_of(row: dict[str, str]) -> int:
    return (dt.date.fromisoformat(row["date"]) - START).days


# The ecology ----------------------------------------------------------------------------


@pytest.mark.parametrize("preset", PRESETS)
def test_the_books_of_nitrogen_balance_and_nothing_is_negative(preset: str) -> None:
    found = run(25, DAYS, 4, 1, preset)
    assert np.abs(found.imbalance).max() < 1e-9
    for level in (found.ammonia, found.nitrite, found.nitrate, found.phosphate, found.adult):
        assert level.min() >= 0
        assert np.isfinite(level).all()
    np.testing.assert_allclose(found.cover.sum(2), 1.0, atol=1e-12)
    assert found.anoxia.min() >= 0
    assert found.anoxia.max() <= 1


def test_a_sealed_day_gains_what_was_fed() -> None:
    # Without skimming and denitrification, all that is fed must be there in the evening,
    # whatever the tank's own books say.
    rng = np.random.default_rng(1)
    region = draw_region(1, "usual")
    setup = replace(set_up(region, 50, rng), skim=np.zeros(50))
    state = fill(region, setup, rng)
    state.anoxia[:] = 0.0
    fed, dosed = rng.random((2, 50))
    before = state.nitrogen()
    load = water.metabolise(region, setup, state, fed, dosed, np.full(50, 25.0))
    np.testing.assert_allclose(state.nitrogen() - before, fed + dosed, atol=1e-12)
    assert np.all((load > 0) & (state.nitrate > 0))


def test_another_batch_shares_the_region() -> None:
    one, two = run(5, 60, 7, 0, "usual"), run(5, 60, 7, 3, "usual")
    assert one.region == two.region
    assert not np.array_equal(one.ammonia, two.ammonia)
    assert run(5, 60, 8, 0, "usual").region != one.region


def test_some_tanks_never_get_some_animals(history: History) -> None:
    never = (history.adult.max(0) == 0).mean(0)
    assert np.all(never > 0.0)
    assert np.all(never < 0.6)


# What is written down --------------------------------------------------------------------


def test_a_perfect_judge_is_right_or_repeats() -> None:
    found = live(20, 300, 6, START, judged=1.0, judge_accuracy=1.0)
    column = {row["tank"]: i for i, row in enumerate(found.tanks)}
    last: dict[str, str] = {}
    for row in found.checkins:
        if "judged_phase" in row:
            true = PHASES[found.phases[day_of(row), column[row["tank"]]]]
            assert row["judged_phase"] in (true, last.get(row["tank"]))
            last[row["tank"]] = row["judged_phase"]
    assert len(last) == 20


def test_weeks_are_skipped_and_answers_left_blank(club: Club) -> None:
    weeks = {(row["tank"], day_of(row) // 7) for row in club.checkins}
    assert 0.5 < len(weeks) / (60 * 60) < 0.9
    answered = {sign: np.mean([sign in row for row in club.checkins]) for sign in SIGNS}
    assert 0.3 < min(answered.values()) <= max(answered.values()) < 0.95
    by_tank: dict[str, list[int]] = {}
    for row in club.checkins:
        by_tank.setdefault(row["tank"], []).append(day_of(row))
    gaps = [max(np.diff(days)) for days in by_tank.values()]
    assert np.mean(np.array(gaps) >= 21) > 0.3  # holidays
    assert all(min(np.diff(days)) >= 1 for days in by_tank.values())


def test_the_bloom_shows_a_bit_of_all(club: Club) -> None:
    column = {row["tank"]: i for i, row in enumerate(club.tanks)}
    rows = [r for r in club.checkins if club.phases[day_of(r), column[r["tank"]]] == 1]
    for sign in SIGNS:
        assert 0.0 < np.mean([r[sign] == "y" for r in rows if sign in r]) < 1.0


def test_ammonia_is_tested_early_and_nitrate_later(club: Club) -> None:
    early = [row for row in club.checkins if day_of(row) < 60]
    late = [row for row in club.checkins if day_of(row) > 200]
    share = {a: [np.mean([a in r for r in part]) for part in (early, late)] for a in ANALYTES}
    assert share["ammonia"][0] > 2 * share["ammonia"][1]
    assert share["phosphate"][1] > share["phosphate"][0]
    assert any(row.get("nitrite", "").startswith("<") for row in club.checkins)


def test_some_events_are_never_logged_and_some_lack_their_amount(club: Club) -> None:
    happened = run(60, DAYS, 3, 0, "usual").diary.entries
    assert 0.5 < len(club.events) / len(happened) < 0.95
    assert {e for _, _, e, _ in happened} == {
        "water_change", "overfeeding", "crash", "livestock_added", "deep_clean",
        "sand_disturbed", "medication",
    }  # fmt: skip
    for kind in ("overfeeding", "livestock_added"):
        amounts = ["amount" in row for row in club.events if row["event"] == kind]
        assert 0.3 < np.mean(amounts) < 0.95
    # Without a percentage a water change says nothing, and the log's reader refuses it.
    assert all("amount" in row for row in club.events if row["event"] == "water_change")
