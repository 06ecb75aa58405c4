"""Diagnostics of chains: how ArviZ is asked, and what becomes of odd draws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from maturity_model.fitting import convergence
from maturity_model.fitting.diagnostics import MAX_R_HAT

pytestmark = pytest.mark.fit


@pytest.fixture
def draws() -> NDArray[np.float64]:
    rng = np.random.default_rng(0)
    x = rng.normal(size=(4, 300, 12))
    for t in range(1, 300):
        x[:, t, :6] = 0.6 * x[:, t - 1, :6] + 0.8 * x[:, t, :6]
        x[:, t, 6:9] = -0.6 * x[:, t - 1, 6:9] + 0.8 * x[:, t, 6:9]
    x[1, :, 1] += 0.5  # one chain elsewhere
    x[2, :, 2] *= 3  # or wider
    return x


def test_one_number_for_each_parameter(draws: NDArray[np.float64]) -> None:
    # Independent draws are worth their number; the first chains are autocorrelated by 0.6, which
    # leaves about (1 - 0.6) / (1 + 0.6) of it, the next by -0.6, which is worth more than all.
    for ess in (convergence.ess_bulk(draws), convergence.ess_tail(draws)):
        assert ess.shape == (12,)
        assert (ess[9:] > 900).all()
    bulk = convergence.ess_bulk(draws)
    assert bulk[0] == pytest.approx(1200 / 4, rel=0.35)
    assert (bulk[6:9] > 1200).all()


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_draw_that_is_no_number_is_not_hidden(draws: NDArray[np.float64], bad: float) -> None:
    draws[0, 7, 5] = bad
    for statistic in (convergence.r_hat, convergence.ess_bulk, convergence.ess_tail):
        found = statistic(draws)
        assert np.isnan(found[5])
        assert np.isfinite(np.delete(found, 5)).all()


def test_a_single_chain_is_held_against_itself(draws: NDArray[np.float64]) -> None:
    drifting = draws[:1] + np.linspace(0, 5, 300)[:, None]
    assert (convergence.r_hat(drifting) > MAX_R_HAT).all()
    assert (convergence.r_hat(draws[:1, :, 9:]) < 1.05).all()


def test_chains_that_disagree_are_seen(draws: NDArray[np.float64]) -> None:
    found = convergence.r_hat(draws)
    assert found[1] > MAX_R_HAT
    assert found[2] > MAX_R_HAT
    assert (found[9:] < 1.02).all()


def test_a_constant_has_no_r_hat() -> None:
    assert np.isnan(convergence.r_hat(np.ones((2, 50, 1)))).all()


def test_energy_of_independent_draws_is_explored_at_once() -> None:
    rng = np.random.default_rng(1)
    # Successive squared differences of independent draws are twice the variance.
    found = convergence.energy_fraction(rng.normal(size=(2, 20_000)))
    np.testing.assert_allclose(found, 2, rtol=0.05)
    slow = np.cumsum(rng.normal(size=(1, 5000)), axis=1)
    assert convergence.energy_fraction(slow)[0] < 0.01
