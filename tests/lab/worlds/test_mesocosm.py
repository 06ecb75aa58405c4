"""The mesocosm against geometry, chemistry, published rates, and its own rule of phases."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maturity_model.lab.worlds.mesocosm import water
from maturity_model.lab.worlds.mesocosm.animals import ADULT_DIE, BIRTH, GROW_UP, YOUNG_DIE
from maturity_model.lab.worlds.mesocosm.history import run
from maturity_model.lab.worlds.mesocosm.kits import UNITS
from maturity_model.lab.worlds.mesocosm.phases import read_phases
from maturity_model.lab.worlds.mesocosm.region import PRESETS, draw_region
from maturity_model.lab.worlds.mesocosm.surface import OVERGROWS, grow
from maturity_model.lab.worlds.mesocosm.tanks import (
    CORALLINE,
    PATCH_MM2,
    PATCHES,
    RIPE,
    fill,
    set_up,
)
from maturity_model.lab.worlds.mesocosm.water import HALF_AMMONIA, oxidation

DAYS = 200


@pytest.mark.parametrize("preset", PRESETS)
def test_the_books_of_nitrogen_balance_and_nothing_is_negative(preset: str) -> None:
    found = run(25, 420, 4, 1, preset)
    assert np.abs(found.imbalance).max() < 1e-9
    for level in (found.ammonia, found.nitrite, found.nitrate, found.phosphate, found.adult):
        assert level.min() >= 0
        assert np.isfinite(level).all()
    np.testing.assert_allclose(found.cover.sum(2), 1.0, atol=1e-12)


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
    water.metabolise(region, setup, state, fed, dosed, np.full(50, 25.0))
    np.testing.assert_allclose(state.nitrogen() - before, fed + dosed, atol=1e-12)


def test_oxidation_solves_the_monod_step_it_states() -> None:
    rng = np.random.default_rng(1)
    pool, coming, capacity = np.exp(rng.normal(-2.0, 3.0, (3, 500)))
    done = oxidation(pool, coming, capacity, HALF_AMMONIA, 0.25)
    left = pool + coming - done
    assert np.all((done >= 0) & (left >= 0))
    np.testing.assert_allclose(
        done, 0.25 * capacity * left / (HALF_AMMONIA + left), rtol=1e-9, atol=1e-12
    )


@pytest.mark.parametrize("preset", PRESETS)
def test_coralline_margins_lie_in_the_published_range(preset: str) -> None:
    # 0.9 to 2.3 mm a month: Adey & Vassar 1975 (read in its abstract).
    monthly = [draw_region(seed, preset).margin * 365.25 / 12 for seed in range(40)]
    assert 0.9 <= min(monthly) < max(monthly) <= 2.35


def test_one_crust_widens_at_its_margin() -> None:
    # A circle whose radius grows by v has grown by 2 pi r v: geometry, no source needed.
    region = draw_region(3, "usual")
    rng = np.random.default_rng(2)
    setup = set_up(region, 400, rng)
    state = fill(region, setup, rng)
    state.cover[:] = 0
    state.cover[:, RIPE], state.cover[:, CORALLINE] = PATCHES - 12, 12
    state.crusts[:] = 1.0
    radius = np.sqrt(12 * PATCH_MM2 / np.pi)
    lit = np.clip(0.6 * setup.light, 0.3, 0.8)
    margin = region.margin * (1 - 12 / (PATCHES * lit)) * OVERGROWS[RIPE, CORALLINE]
    share = (PATCHES - 12) / PATCHES
    expected = np.mean(2 * np.pi * radius * margin / PATCH_MM2 * share)
    before = state.cover[:, CORALLINE].copy()
    died, spores = 0.0008 * 12, region.spores * 0.012 * 12 * share * 0.25
    grow(region, setup, state, np.ones(400), rng)
    grown = state.cover[:, CORALLINE] - before
    error = grown.std() / np.sqrt(400)
    # What comes and goes besides the margin: deaths, recruits, settlers on the crust.
    assert abs(grown.mean() - (expected - died + spores)) < 4 * error + 0.02


def test_copepods_grow_no_faster_than_published() -> None:
    # Tisbe, r = 0.233 a day at 18 degrees (Bergmans 1981, read in its abstract): with all
    # food and room, the largest eigenvalue of young and adults must not exceed it.
    matrix = np.array([[-(GROW_UP[0] + YOUNG_DIE[0]), BIRTH[0]], [GROW_UP[0], -ADULT_DIE[0]]])
    assert 0.08 < np.linalg.eigvals(matrix).real.max() <= 0.233


def test_unit_factors_are_those_of_the_atomic_weights() -> None:
    # IUPAC abridged weights, H 1.008, N 14.007, O 15.999, P 30.974 (from memory).
    h, n, o, p = 1.008, 14.007, 15.999, 30.974
    found = {name: factor for units in UNITS.values() for name, factor in units}
    assert found["mg/L NH4"] == pytest.approx((n + 4 * h) / n, rel=1e-4)
    assert found["mg/L NH3"] == pytest.approx((n + 3 * h) / n, rel=1e-4)
    assert found["mg/L NO2"] == pytest.approx((n + 2 * o) / n, rel=1e-4)
    assert found["mg/L NO3"] == pytest.approx((n + 3 * o) / n, rel=1e-4)
    assert found["mg/L PO4"] == pytest.approx((p + 4 * o) / p, rel=1e-4)


# The rule of phases, on histories made by hand. The days are counted from the rule as its
# module's docstring states it.


def held(*spans: tuple[int, int]) -> np.ndarray:
    """Yes on the days of the spans (first, end); shape (DAYS, 1)."""
    out = np.zeros((DAYS, 1), np.bool_)
    for first, end in spans:
        out[first:end] = True
    return out


ALWAYS = held((0, DAYS))
NEVER = held()
FROM_100 = held((100, DAYS))
UNTIL_120 = held((0, 120))
FAILS = held((0, 150), (160, DAYS))


@pytest.mark.parametrize(
    ("conditions", "changes"),
    [
        ((NEVER, ALWAYS, ALWAYS, ALWAYS, ALWAYS), [(0, 0)]),
        # Copes on 6 of 7 days; then two weeks at least in every phase.
        ((ALWAYS, ALWAYS, ALWAYS, ALWAYS, ALWAYS), [(0, 0), (5, 1), (20, 2), (35, 3)]),
        # Settled on 12 of 14 days, ripe on 21 of 28.
        ((ALWAYS, FROM_100, FROM_100, NEVER, NEVER), [(0, 0), (5, 1), (111, 2)]),
        ((ALWAYS, ALWAYS, ALWAYS, FROM_100, FROM_100), [(0, 0), (5, 1), (20, 2), (120, 3)]),
        # Fails on 5 of 7 days; copes again on 6 of 7, and 14 days after the fall.
        (
            (FAILS, ALWAYS, ALWAYS, NEVER, NEVER),
            [(0, 0), (5, 1), (20, 2), (154, 0), (169, 1), (184, 2)],
        ),
        # Unsettled, or no longer ripe, on 10 of 14 days: back by one.
        ((ALWAYS, UNTIL_120, UNTIL_120, NEVER, NEVER), [(0, 0), (5, 1), (20, 2), (129, 1)]),
        (
            (ALWAYS, ALWAYS, ALWAYS, UNTIL_120, UNTIL_120),
            [(0, 0), (5, 1), (20, 2), (35, 3), (129, 2)],
        ),
        # Milder conditions keep a phase that was reached.
        ((ALWAYS, UNTIL_120, ALWAYS, UNTIL_120, ALWAYS), [(0, 0), (5, 1), (20, 2), (35, 3)]),
    ],
)
def test_phases_follow_from_what_a_tank_does(
    conditions: tuple[np.ndarray, ...], changes: list[tuple[int, int]]
) -> None:
    phase = read_phases(*conditions)[:, 0]
    days = [0, *(np.flatnonzero(np.diff(phase)) + 1).tolist()]
    assert [(day, int(phase[day])) for day in days] == changes
