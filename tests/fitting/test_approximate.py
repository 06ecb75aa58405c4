"""The approximate fit: exact for a normal law, and honest about anything else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pm = pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
pytensor = pytest.importorskip("pytensor")
xr = pytest.importorskip("xarray")

from maturity_model.fitting.approximate import (
    MAX_K,
    Approximation,
    approximate_posterior,
    climb,
    curvature,
    laplace,
    systematic,
)
from maturity_model.fitting.command import DIAGNOSTICS, DONE, LOG_ERRORS, fit_command
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population import load_population

pytestmark = pytest.mark.fit

MIDDLE = np.array([1.0, -2.0, 0.5])
ROOT = np.array([[2.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, -0.5, 0.3]])
PRECISION = ROOT @ ROOT.T


def normal(x: np.ndarray) -> tuple[float, np.ndarray]:
    away = x - MIDDLE
    return float(-0.5 * away @ PRECISION @ away), -PRECISION @ away


def skewed(x: np.ndarray) -> tuple[float, np.ndarray]:
    """Independent logs of gamma variables: mean digamma(a), mode log(a)."""
    return float((3 * x - np.exp(x)).sum()), 3 - np.exp(x)


def cauchy(x: np.ndarray) -> tuple[float, np.ndarray]:
    return float(-np.log1p(x**2).sum()), -2 * x / (1 + x**2)


def test_mode_and_curvature_of_a_normal_law() -> None:
    mode, value = climb(normal, np.zeros(3))
    np.testing.assert_allclose(mode, MIDDLE, atol=1e-4)
    assert value == pytest.approx(0.0, abs=1e-7)
    np.testing.assert_allclose(curvature(normal, mode), PRECISION, atol=1e-7)


def test_a_normal_law_is_met_exactly() -> None:
    x, value, log_weight = laplace(normal, MIDDLE, 4000, np.random.default_rng(1))
    np.testing.assert_allclose(value, [normal(row)[0] for row in x])
    # Only the moved middle keeps the weights from being equal.
    assert log_weight.std() < 0.2
    assert smooth_weights(log_weight[None])[1][0] < 0.3
    np.testing.assert_allclose(np.cov(x.T), np.linalg.inv(PRECISION), rtol=0.15, atol=0.15)


def test_a_skewed_law_is_moved_to_its_mean() -> None:
    from scipy.special import digamma

    mode, _ = climb(skewed, np.zeros(20))
    np.testing.assert_allclose(mode, np.log(3), atol=1e-4)
    x, _, log_weight = laplace(skewed, mode, 2000, np.random.default_rng(2))
    assert x.mean() == pytest.approx(digamma(3), abs=0.03)
    assert abs(np.log(3) - digamma(3)) > 0.15
    weight, _ = smooth_weights(log_weight[None])
    assert (weight[0] @ x).mean() == pytest.approx(digamma(3), abs=0.03)


def test_heavy_tails_fail() -> None:
    _, _, log_weight = laplace(cauchy, np.zeros(30), 2000, np.random.default_rng(3))
    khat = float(smooth_weights(log_weight[None])[1][0])
    assert khat > MAX_K
    made = Approximation(None, None, khat, 0.2, 500.0, 2000, 1.0)  # type: ignore[arg-type]
    assert "20 % of their weights only" in made.problems()[0]
    fine = Approximation(None, None, 0.5, 1.0, 500.0, 2000, 1.0)  # type: ignore[arg-type]
    assert fine.problems() == ()
    lost = Approximation(None, None, np.nan, 1.0, 0.0, 2000, 1.0)  # type: ignore[arg-type]
    assert lost.problems()


def test_systematic_draws_follow_the_weights() -> None:
    weight = np.array([0.5, 0.0, 0.3, 0.2])
    index = systematic(weight, 1000, np.random.default_rng(0))
    assert np.abs(np.bincount(index, minlength=4) - 1000 * weight).max() <= 1
    assert (np.diff(index) >= 0).all()


def test_the_same_seed_gives_the_same_draws() -> None:
    with pm.Model(coords={"item": ["a", "b"]}) as model:
        pm.LogNormal("size", [0.0, 1.0], [0.5, 2.0], dims="item")
    with pytensor.config.change_flags(mode="FAST_COMPILE", cxx=""):
        one, same, other = (approximate_posterior(model, seed) for seed in (5, 5, 6))
    xr.testing.assert_identical(one.posterior, same.posterior)
    assert not one.posterior.identical(other.posterior)
    found = np.log(one.posterior["size"])
    np.testing.assert_allclose(found.mean(("chain", "draw")), [0.0, 1.0], atol=0.15)
    np.testing.assert_allclose(found.std(("chain", "draw")), [0.5, 2.0], rtol=0.1)
    assert found["item"].values.tolist() == ["a", "b"]


@pytest.mark.slow
def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo = Path(__file__).parents[2] / "data" / "demo"
    out = tmp_path / "club.nc"
    code = fit_command([demo], out, evidence_weight=0.4, approximate=True)
    found = load_population(out)
    said = capsys.readouterr()
    assert "for a first look only" in said.out
    assert found.standing.startswith("approximate")
    assert (code == DIAGNOSTICS) == (found.standing == "approximate, failed")
    assert code in (DONE, LOG_ERRORS, DIAGNOSTICS)
    if float(found.provenance["pareto_k"]) > MAX_K:
        assert code == DIAGNOSTICS
        assert "Pareto k" in said.err
    assert found.members is not None
    assert found.members.keepers
