"""Single processes of the mesocosm: oxidation, coralline margins, what is seen, kits."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.lab.worlds.mesocosm.animals import ADULT_DIE, BIRTH, GROW_UP, YOUNG_DIE
from maturity_model.lab.worlds.mesocosm.kits import CHARTS, UNITS, Kit, draw_kits
from maturity_model.lab.worlds.mesocosm.looking import chance_to_see
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


def test_oxidation_solves_the_monod_step_it_states() -> None:
    rng = np.random.default_rng(1)
    pool, coming, capacity = np.exp(rng.normal(-2.0, 3.0, (3, 500)))
    done = oxidation(pool, coming, capacity, HALF_AMMONIA, 0.25)
    left = pool + coming - done
    assert np.all((done >= 0) & (left >= 0))
    np.testing.assert_allclose(
        done, 0.25 * capacity * left / (HALF_AMMONIA + left), rtol=1e-9, atol=1e-12
    )


def test_oxidation_of_nothing_by_nothing() -> None:
    zero = np.zeros(1)
    assert oxidation(zero, zero, zero, HALF_AMMONIA, 0.25) == 0.0
    assert oxidation(zero + 3.0, zero, zero, HALF_AMMONIA, 0.25) == pytest.approx(0.0, abs=1e-12)


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


def test_the_chance_to_see_grows_with_abundance_look_and_skill() -> None:
    there = np.repeat(np.geomspace(0.01, 10.0, 30)[:, None], 12, axis=1)
    look, skill = np.ones(30, np.int64), np.ones(30)
    careful = chance_to_see(there, look, skill)
    assert np.all(np.diff(careful, axis=0) > 0)
    assert np.all(chance_to_see(there, 0 * look, skill) < careful)
    assert np.all(chance_to_see(there, 2 * look, skill) >= careful)
    assert np.all(chance_to_see(there, look, 2 * skill) >= careful)


def kit(**changes: object) -> Kit:
    chart = CHARTS["colour_chart"]["ammonia"]
    plain: dict[str, object] = {
        "method": "colour_chart", "unit": "mg/L NH4", "factor": 1.0, "steps": chart,
        "decimals": 2, "least": 0.0, "bias": 1.0, "noise": 0.0, "below": True,
    }  # fmt: skip
    return Kit(**(plain | changes))  # type: ignore[arg-type]


def test_kits_read_to_the_steps_of_their_chart() -> None:
    assert [kit().read(v, 0.0) for v in (0.0, 0.1, 0.27, 0.6, 1.3, 30.0)] == [
        "<0.25", "<0.25", "0.25", "0.5", "1", ">8",
    ]  # fmt: skip
    assert kit(below=False).read(0.0, 0.0) == "0"
    photometer = kit(steps=(), least=0.05)
    assert photometer.read(0.0, 0.0) == "<0.05"
    assert photometer.read(0.4, 0.0) == "0.41"
    assert float(kit(bias=2.0, steps=()).read(1.0, 0.0)) == 2.0


def test_unit_factors_are_those_of_the_atomic_weights() -> None:
    # IUPAC abridged weights, H 1.008, N 14.007, O 15.999, P 30.974 (from memory).
    h, n, o, p = 1.008, 14.007, 15.999, 30.974
    found = {name: factor for units in UNITS.values() for name, factor in units}
    assert found["mg/L NH4"] == pytest.approx((n + 4 * h) / n, rel=1e-4)
    assert found["mg/L NH3"] == pytest.approx((n + 3 * h) / n, rel=1e-4)
    assert found["mg/L NO2"] == pytest.approx((n + 2 * o) / n, rel=1e-4)
    assert found["mg/L NO3"] == pytest.approx((n + 3 * o) / n, rel=1e-4)
    assert found["mg/L PO4"] == pytest.approx((p + 4 * o) / p, rel=1e-4)


def test_keepers_read_with_different_kits() -> None:
    own = draw_kits(200, np.random.default_rng(5))
    assert {k.method for kits in own for k in kits.values()} == {
        "colour_chart", "strip", "photometer",
    }  # fmt: skip
    assert np.std([kits["nitrate"].bias for kits in own if "nitrate" in kits]) > 0.1
    assert any("phosphate" not in kits for kits in own)
