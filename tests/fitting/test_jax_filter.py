"""Filtering many tanks in JAX gives what the weekly path gives for each."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from fitting.shorter import shorten

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

pytestmark = pytest.mark.reference

CATALOGUE = load_catalogue()


@pytest.fixture(scope="module")
def jax_filter(need: Callable[[str], ModuleType]) -> Any:
    need("jax")
    return need("maturity_model.fitting.jax.jax_filter")


@cache
def population() -> Population:
    return elicit_population(CATALOGUE, 0.7, n_draws=24, seed=4)


@cache
def panel() -> Panel:
    """Five tanks with events and judgements, two of them younger."""
    habits = Habits(weeks=24, judged=0.3, events_per_year=6.0)
    rng = np.random.default_rng(11)
    book = simulate_logbook(population(), CATALOGUE, 5, rng, habits, one_draw=True).logbook
    return shorten(build_panel(book, CATALOGUE), {1: 15, 3: 23})


@pytest.mark.parametrize("nodes", [(5, 3), (1, 1), (3, 2)])
def test_phases_are_those_of_the_weekly_path(jax_filter: Any, nodes: tuple[int, int]) -> None:
    tables = make_tables(panel(), population(), nodes=nodes)
    ours = jax_filter.GpuFilter(panel(), population(), nodes=nodes)
    found, by_draw = ours.phases(), ours.filter()
    for n in range(len(panel().tanks)):
        expected, _ = filter_tank(tables, n)
        np.testing.assert_allclose(found[n], expected.phases(), rtol=0, atol=1e-9)
        weeks = len(expected.log_likelihood)
        # A week's factor that all draws share is left out by the weekly path now and then.
        shift = np.asarray(by_draw.log_likelihood)[:weeks, n] - expected.log_likelihood
        assert np.ptp(shift, axis=1).max() < 1e-9
    assert (panel().impulse != 0).any()
    assert len(panel().judgements.codes) > 0


def test_some_tanks_alone(jax_filter: Any) -> None:
    ours = jax_filter.GpuFilter(panel(), population(), nodes=(1, 1))
    everyone, some = ours.phases(), ours.phases(slice(1, 4))
    assert len(some) == 3
    for a, b in zip(some, everyone[1:4], strict=True):
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-12)


def test_single_precision(jax_filter: Any) -> None:
    import jax

    ours = jax_filter.GpuFilter(panel(), population(), nodes=(3, 2))
    laid = jax_filter.lay_out(panel(), population())
    single = jax.tree.map(
        lambda x: np.asarray(x, np.float32) if np.asarray(x).dtype == np.float64 else x,
        (laid, *ours.tables, ours.members),
    )
    rough = jax_filter.filter_tanks(*single, n_stages=3)
    assert rough.phases.dtype == np.float32
    np.testing.assert_allclose(rough.phases, ours.filter().phases, rtol=0, atol=2e-4)
