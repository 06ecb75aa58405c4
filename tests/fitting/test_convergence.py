"""Diagnostics of chains against ArviZ, which computes them independently."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from types import ModuleType

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
    x[:, :, 3] = np.round(x[:, :, 3])  # ties
    x[:, :, 4] **= 3  # heavy tails
    return x


def test_against_arviz(draws: NDArray[np.float64], need: Callable[[str], ModuleType]) -> None:
    az, xr = need("arviz"), need("xarray")
    data = xr.Dataset({"x": (("chain", "draw", "p"), draws)})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = [az.rhat(data), az.ess(data, method="bulk")]
        # The default of what counts as a tail differs between versions.
        theirs.append(az.ess(data, method="tail", prob=(0.05, 0.95)))
    ours = [f(draws) for f in (convergence.r_hat, convergence.ess_bulk, convergence.ess_tail)]
    for a, b in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(a, b["x"].values, rtol=1e-9)


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
