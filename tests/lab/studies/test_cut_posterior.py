"""The cut fit: what phases show is given, and stays."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("nutpie")

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.handing_on.hand_on import MOVES
from maturity_model.lab.studies.cut_posterior import EACH, cut_fit, emission_rows
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import elicit_population
from maturity_model.population.types import DIMS, Population, take_draws

pytestmark = pytest.mark.fit

CATALOGUE = load_catalogue()


def _club(n: int, weeks: int) -> tuple[Panel, Population]:
    truth = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=8)
    rng = np.random.default_rng(8)
    book = simulate_logbook(truth, CATALOGUE, n, rng, Habits(weeks=weeks, judged=0.3)).logbook
    return build_panel(book, CATALOGUE), truth


def test_rows_are_those_of_the_weekly_path() -> None:
    panel, _ = _club(3, 12)
    population = take_draws(elicit_population(CATALOGUE, 0.6, n_draws=2, seed=3), np.array([1]))
    skill = np.array([-0.4, 0.0, 0.7])
    found = emission_rows(panel, population, skill, 0.6)
    for n in range(3):
        # One node at 1, and a spread that is the keeper's own skill.
        own = take_draws(population, np.zeros(1, dtype=np.int64))
        tables = make_tables(panel, own, 0.6, nodes=(1, 1))
        weekly = filter_tank(tables, n)[0].emission
        assert np.allclose(tables.skill, 0)
        rows = emission_rows(panel, population, np.zeros(3), 0.6)
        at = slice(int(panel.first[n]), int(panel.first[n + 1]))
        np.testing.assert_allclose(rows[at], np.log(weekly[:, :, 0, 0]), atol=1e-9)
    first, second = int(panel.first[1]), int(panel.first[2])
    zero = emission_rows(panel, population, np.zeros(3), 0.6)
    assert np.allclose(found[first:second], zero[first:second])
    assert np.abs(found[:first] - zero[:first]).max() > 0.01


def test_judgements_may_count_more_than_signs() -> None:
    panel, _ = _club(2, 10)
    population = elicit_population(CATALOGUE, 0.5, n_draws=1, seed=3)
    none, half, whole = (
        emission_rows(panel, population, np.zeros(2), 0.5, w) for w in (0.0, None, 1.0)
    )
    np.testing.assert_allclose(whole - none, 2 * (half - none), atol=1e-12)
    assert np.abs(half - none).max() > 0.1


def test_a_cut_fit_learns_moves_and_leaves_what_phases_show() -> None:
    panel, _ = _club(36, 40)
    given = elicit_population(CATALOGUE, 0.4, n_draws=3, seed=21)
    found = cut_fit(panel, given, evidence_weight=0.4, tune=100, draws=16, seed=2)
    assert found.n_draws == 3 * EACH
    index = np.repeat(np.arange(3), EACH)
    for name, dims in DIMS.items():
        want = getattr(given, name)
        want = want[..., index] if dims[-1] == "draw" else want
        assert np.array_equal(getattr(found, name), want) == (name not in MOVES), name
    # A neutral effect stays neutral, and nothing falls out of the first phase.
    assert (found.event_setback[given.event_setback[:, 0] == 0] == 0).all()
    assert (found.log_setback[0] == -np.inf).all()
    # Three dozen tanks tell how fast cycling passes better than practice does.
    prior = elicit_population(CATALOGUE, 0.4, n_draws=500, seed=5).log_advance[0]
    assert found.log_advance[0].std() < 0.85 * prior.std()
