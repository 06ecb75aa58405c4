"""Importance weights: Pareto smoothing, and the power at which they can be trusted."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from maturity_model._typing import Floats
from maturity_model.hmm.psis import smooth_weights, trusted_weights


def bent(n: int) -> Floats:
    """Log weights that anyone can write down again, with a light tail."""
    i = np.arange(1, n + 1)
    return 2.5 * np.sin(1.7 * i) + 1.5 * (np.log(i) % 1.0)


def heavy(n: int) -> Floats:
    """The same, with a tail that has no mean."""
    return -3 * np.log(np.arange(1, n + 1) * 0.6180339887498949 % 1.0)


def test_numbers_of_arviz() -> None:
    # Computed with psislw of arviz 0.23.4 for the log weights above; weights normalised.
    weight, khat = smooth_weights(bent(200)[None])
    assert khat[0] == pytest.approx(-0.0024981975881079245, rel=1e-10)
    np.testing.assert_allclose(
        np.sort(weight[0])[-4:],
        [0.029809077289847843, 0.03266607647617095, 0.03462243531158657, 0.03462243531158657],
        rtol=1e-10,
    )
    assert (weight**2).sum() == pytest.approx(0.015399766979990152, rel=1e-10)
    weight, khat = smooth_weights(heavy(500)[None])
    assert khat[0] == pytest.approx(2.489400893603465, rel=1e-10)
    np.testing.assert_allclose(
        np.sort(weight[0])[-3:],
        [0.01645418492920523, 0.05869114641986554, 0.9043323124851734],
        rtol=1e-10,
    )


@pytest.fixture(scope="module")
def arviz_psis(need: Callable[[str], Any]) -> Callable[[Floats], tuple[Floats, float]]:
    arviz = need("arviz")
    if hasattr(arviz, "psislw"):

        def smooth(log_weight: Floats) -> tuple[Floats, Any]:
            return arviz.psislw(log_weight.copy())

    else:
        stats = need("arviz_stats.base").array_stats

        def smooth(log_weight: Floats) -> tuple[Floats, Any]:
            # It is given log-likelihoods, whose inverses are the ratios of leave-one-out.
            return stats.psislw(-log_weight)

    def run(log_weight: Floats) -> tuple[Floats, float]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            log_smoothed, khat = smooth(log_weight)
        weight = np.exp(log_smoothed - np.max(log_smoothed))
        return weight / weight.sum(), float(khat)

    return run


# min(0.2 n, 3 sqrt(n)) is whole here: arviz 0.23 rounds it up, as the paper does, 1.3 down.
@pytest.mark.reference
@pytest.mark.parametrize("draws", [50, 100, 400, 2500])
@pytest.mark.parametrize("kind", ["normal", "wide", "student", "gamma"])
def test_agrees_with_arviz(
    arviz_psis: Callable[[Floats], tuple[Floats, float]], draws: int, kind: str
) -> None:
    rng = np.random.default_rng(draws)
    log_weight = {
        "normal": rng.normal(0, 0.5, (5, draws)),
        "wide": rng.normal(0, 4, (5, draws)),
        "student": rng.standard_t(3, (5, draws)),
        "gamma": rng.gamma(2, 1, (5, draws)),
    }[kind]
    weight, khat = smooth_weights(log_weight)
    for row in range(5):
        want, k = arviz_psis(log_weight[row])
        assert khat[row] == pytest.approx(k, rel=1e-8, abs=1e-10)
        np.testing.assert_allclose(weight[row], want, rtol=1e-8, atol=1e-14)


def test_a_constant_in_a_row_changes_nothing() -> None:
    weight, khat = smooth_weights(np.stack([bent(200), bent(200) - 5000.0]))
    np.testing.assert_allclose(weight[0], weight[1], rtol=1e-9)
    assert khat[0] == pytest.approx(khat[1], abs=1e-9)


def test_equal_weights() -> None:
    for n in (1, 3, 100):
        weight, khat = smooth_weights(np.full((2, n), -123.4))
        np.testing.assert_allclose(weight, 1 / n, rtol=1e-14)
        assert (khat == -np.inf).all()
    trusted = trusted_weights(np.full((2, 100), -123.4), 0.5, 0.25)
    np.testing.assert_allclose(trusted.power, 1.0)
    np.testing.assert_allclose(trusted.effective, 100.0)


def test_no_draw_is_possible() -> None:
    weight, khat = smooth_weights(np.full((1, 50), -np.inf))
    np.testing.assert_allclose(weight, 1 / 50)
    assert khat[0] == np.inf
    trusted = trusted_weights(np.full((1, 50), -np.inf), 0.4, 0.25)
    np.testing.assert_allclose(trusted.weight, 1 / 50)
    assert trusted.power[0] == 0.0
    assert trusted.khat_full[0] == np.inf


@pytest.mark.parametrize("few", [1, 40, 190])
@pytest.mark.parametrize("strength", [0.1, 1.0, 30.0])
def test_impossible_draws_get_no_weight(few: int, strength: float) -> None:
    log_weight = strength * bent(200)
    log_weight[:few] = -np.inf
    weight, _ = smooth_weights(log_weight[None])
    assert np.isfinite(weight).all()
    assert (weight[0, :few] == 0).all()
    trusted = trusted_weights(log_weight[None], 0.5, 0.25)
    assert np.isfinite(trusted.weight).all()
    assert (trusted.weight[0, :few] < 1e-12).all()
    assert trusted.weight.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("draws", [5, 40, 400])
def test_one_dominating_draw_is_not_believed(draws: int) -> None:
    log_weight = np.zeros((1, draws))
    log_weight[0, 2] = 500.0
    trusted = trusted_weights(log_weight, 0.5, 0.25)
    assert not trusted.khat_full[0] <= 0.5
    assert trusted.power[0] < 0.1
    assert trusted.effective[0] >= 0.25 * draws * 0.99
    assert np.argmax(trusted.weight[0]) == 2 or np.ptp(trusted.weight[0]) < 1e-12


@pytest.mark.parametrize("draws", [12, 25, 100, 400])
@pytest.mark.parametrize("spread", [0.3, 2.0, 10.0, 500.0, 1e5])
def test_what_is_used_can_be_trusted(draws: int, spread: float) -> None:
    limit = min(1 - 1 / np.log10(draws), 0.7)
    log_weight = np.random.default_rng(draws).normal(0, spread, (40, draws))
    trusted = trusted_weights(log_weight, limit, 0.25)
    assert (trusted.khat <= limit).all()
    np.testing.assert_allclose(trusted.weight.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    assert ((trusted.power >= 0) & (trusted.power <= 1)).all()
    np.testing.assert_allclose(trusted.effective, 1 / (trusted.weight**2).sum(axis=1))
    weight, khat = smooth_weights(log_weight)
    plain = khat <= limit
    np.testing.assert_array_equal(trusted.khat_full, khat)
    np.testing.assert_array_equal(trusted.power[plain], 1.0)
    np.testing.assert_array_equal(trusted.weight[plain], weight[plain])
    # Tempered weights are the smoothed weights at the power that is reported.
    for t in np.flatnonzero(~plain & (trusted.power > 0)):
        shifted = log_weight[t] - log_weight[t].max()
        again, k = smooth_weights(trusted.power[t] * shifted[None])
        np.testing.assert_allclose(trusted.weight[t], again[0], rtol=1e-12)
        assert trusted.khat[t] == pytest.approx(k[0], rel=1e-12)


def test_rows_do_not_know_of_each_other() -> None:
    rng = np.random.default_rng(3)
    log_weight = rng.normal(0, 1, (30, 100)) * np.geomspace(0.05, 100, 30)[:, None]
    log_weight[4] = 0.0
    log_weight[9] = -np.inf
    log_weight[15, :50] = -np.inf
    together = trusted_weights(log_weight, 0.5, 0.25)
    for t in range(30):
        alone = trusted_weights(log_weight[t : t + 1], 0.5, 0.25)
        for a, b in zip(alone, together, strict=True):
            np.testing.assert_allclose(a[0], b[t], rtol=1e-12, atol=1e-300)
