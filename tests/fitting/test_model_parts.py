"""Parts that can be left out or added: models nest, gradients stay exact, files keep them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
pytensor = pytest.importorskip("pytensor")

from fitting.test_model import CATALOGUE, PRIORS, WEIGHT, plain, small_panel

from maturity_model.fitting.model import build_model
from maturity_model.fitting.options import ModelOptions
from maturity_model.population import load_population, save_population
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import geometric
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import take_draws

pytestmark = pytest.mark.fit

TANK_SIGNS = ModelOptions(tank_signs=True)


def point_of(model: Any, seed: int = 3) -> dict[str, Any]:
    """Somewhere off the middle; the same for variables that two models share."""
    out = {}
    for name, v in model.initial_point().items():
        rng = np.random.default_rng([seed, *name.encode()])
        out[name] = np.asarray(v + rng.normal(0, 0.5, np.shape(v)))
    return out


def by_tank(model: Any, at: dict[str, Any]) -> Any:
    with plain():
        return model.compile_logp(vars=[model["log"]], sum=False)(at)[0]


def test_without_spread_tank_level_signs_are_the_plain_model() -> None:
    small = build_model(small_panel(), PRIORS, evidence_weight=WEIGHT)
    large = build_model(small_panel(), PRIORS, evidence_weight=WEIGHT, options=TANK_SIGNS)
    at = point_of(large)
    shared = {k: v for k, v in at.items() if k in small.initial_point()}
    moved = by_tank(large, at)
    at["sign_tank_sd_log__"] = np.full(len(PRIORS.signs), -60.0)
    np.testing.assert_allclose(by_tank(large, at), by_tank(small, shared), atol=1e-9)
    assert (np.abs(moved - by_tank(small, shared)) > 1e-3).all()


@pytest.mark.parametrize(
    ("options", "name", "value"),
    [(ModelOptions(persistence=False), "persistence_interval__", -60.0),
     (ModelOptions(pace=False), "pace_z", 0.0),
     (ModelOptions(skill=False), "skill_z", 0.0)],
    ids=["persistence", "pace", "skill"],
)  # fmt: skip
def test_a_part_left_out_is_that_part_at_zero(
    options: ModelOptions, name: str, value: float
) -> None:
    full = build_model(small_panel(), PRIORS, evidence_weight=WEIGHT)
    less = build_model(small_panel(), PRIORS, evidence_weight=WEIGHT, options=options)
    at = point_of(full)
    shared = {k: v for k, v in at.items() if k in less.initial_point()}
    assert np.abs(by_tank(full, at) - by_tank(less, shared)).max() > 1e-3
    at[name] = np.full(np.shape(at[name]), value)
    np.testing.assert_allclose(by_tank(full, at), by_tank(less, shared), atol=1e-9)


def test_geometric_priors_keep_mean_times() -> None:
    one = geometric(PRIORS)
    assert one.n_stages == 1
    for priors, r in ((PRIORS, 3), (one, 1)):
        weeks = r / -np.expm1(-np.exp(priors.log_advance))
        expected = [3 * p.stage_weeks.value for p in CATALOGUE.phases.values()]
        np.testing.assert_allclose(weeks, expected)
    assert one.start.shape == (len(PRIORS.rocks), 4)
    np.testing.assert_allclose(one.start[:, 0], PRIORS.start[:, :3].sum(axis=1))
    np.testing.assert_allclose(one.start.sum(axis=1), 1)


def test_the_spread_over_tanks_survives_the_file(tmp_path: Path) -> None:
    plain_one = elicit_population(CATALOGUE, 0.4, n_draws=8)
    assert plain_one.sign_tank_sd is None
    save_population(plain_one, tmp_path / "plain.nc")
    assert load_population(tmp_path / "plain.nc").sign_tank_sd is None
    spread = np.random.default_rng(1).uniform(0.1, 1.0, (len(plain_one.signs), 8))
    save_population(replace(plain_one, sign_tank_sd=spread), tmp_path / "tanks.nc")
    again = load_population(tmp_path / "tanks.nc")
    assert again.sign_tank_sd is not None
    np.testing.assert_array_equal(again.sign_tank_sd, spread)
    few = take_draws(again, np.array([5, 2])).sign_tank_sd
    assert few is not None
    np.testing.assert_array_equal(few, spread[:, [5, 2]])
    turned = replace(CATALOGUE, signs=dict(reversed(CATALOGUE.signs.items())))
    found = fit_to_catalogue(again, turned).sign_tank_sd
    assert found is not None
    np.testing.assert_array_equal(found, spread[::-1])
    save_population(replace(plain_one, sign_tank_sd=-spread), tmp_path / "bad.nc")
    with pytest.raises(ValueError, match="sign_tank_sd holds values outside"):
        load_population(tmp_path / "bad.nc")
