"""One step ahead, and the evidence weight that follows from what it misses."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.handing_on.choose_weight import (
    WEIGHT_BY_SHIFT,
    OneStep,
    one_step_ahead,
    weight_for,
)
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import elicit_population, load_population
from maturity_model.population.types import Population, take_draws

CATALOGUE = load_catalogue()


def _club(n: int, shift: float, seed: int = 5, weeks: int = 40) -> tuple[Panel, Population]:
    known = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=seed)
    habits = Habits(weeks=weeks, sign_effect_sd=shift, judged=0.1)
    rng = np.random.default_rng(seed)
    book = simulate_logbook(known, CATALOGUE, n, rng, habits, one_draw=True).logbook
    return build_panel(book, CATALOGUE), known


def test_at_weight_one_the_scores_add_up_to_the_log_likelihood() -> None:
    panel, _ = _club(3, 0.5, weeks=15)
    population = take_draws(load_population(), np.arange(16))
    # p(y_1) p(y_2 | y_1) ... = p(y_1, y_2, ...), draws mixed over; in other code, where
    # only the number of quadrature nodes differs.
    whole = tank_log_likelihood(panel, population, 1.0)
    want = np.log(np.exp(whole - whole.max(axis=1, keepdims=True)).mean(axis=1)) + whole.max(axis=1)
    found = one_step_ahead(panel, population, (1.0,), in_fit=False)
    np.testing.assert_allclose(found.score[:, 0], want, atol=0.1)


def test_the_filters_weight_does_not_touch_how_a_checkin_is_scored() -> None:
    panel, known = _club(4, 0.0, weeks=12)
    found = one_step_ahead(panel, known, (1e-9, 1.0), in_fit=False)
    # Before anything was seen, all weights predict alike, and a first check-in is scored alike.
    assert np.abs(found.score[:, 0] - found.score[:, 1]).max() > 0.1
    first = panel.until(min(panel.week_ends(0)))
    alike = one_step_ahead(first, known, (1e-9, 1.0), in_fit=False)
    np.testing.assert_allclose(alike.score[:, 0], alike.score[:, 1], atol=1e-9)


def test_moments_recover_a_variance() -> None:
    rng = np.random.default_rng(3)
    variance = rng.uniform(2, 12, size=(4000, 3))
    shift = rng.normal(0, 1.3, size=variance.shape)
    noise = rng.normal(size=variance.shape) * np.sqrt(variance)
    unused = np.zeros(0, np.int64)
    shifted, still = (
        OneStep((), unused.astype(float), missed, variance, unused)
        for missed in (variance * shift + noise, noise)
    )
    assert shifted.shift_variance == pytest.approx(1.69, rel=0.05)
    assert abs(still.shift_variance) < 0.02


def test_a_right_model_keeps_all_evidence_and_shifted_tanks_lose_some() -> None:
    right, shifted = (one_step_ahead(*_club(40, s), (1.0,), in_fit=False) for s in (0.0, 1.2))
    assert abs(right.shift_variance) < 0.1
    assert right.weight >= 0.95
    assert shifted.shift_variance > 0.5
    assert 0.35 <= shifted.weight <= 0.75
    assert shifted.provenance()["sign_shift_variance"] == f"{shifted.shift_variance:.3f}"


def test_the_weight_never_rises_with_the_shifts() -> None:
    found = [weight_for(v) for v in np.linspace(-1, 5, 200)]
    assert found == sorted(found, reverse=True)
    assert found[0] == 1.0
    assert found[-1] == WEIGHT_BY_SHIFT[-1][1]


def test_tanks_of_the_fit_are_taken_out_of_it() -> None:
    panel, _ = _club(3, 0.0, weeks=20)
    population = take_draws(load_population(), np.arange(32))
    inside, outside = (
        one_step_ahead(panel, population, (1.0,), in_fit=which).score.sum()
        for which in (True, False)
    )
    # Draws that suit the tank count less once it is taken out.
    assert inside < outside - 0.1
