"""Pareto-smoothed importance weights, tempered where they are unreliable.

Vehtari, Simpson, Gelman, Yao and Gabry 2024, *Journal of Machine Learning Research*
25(72); the tail is fitted as in Zhang and Stephens 2009, *Technometrics* 51: 316-325,
with the weak prior of the former. Where the plain weights fail, the likelihood in them
is raised to a power below 1, as in adaptive tempering (Jasra, Stephens, Doucet and
Tsagaris 2011, *Scandinavian Journal of Statistics* 38: 1-22), so that the draws move towards
the data only as far as importance weights remain reliable.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats


class TrustedWeights(NamedTuple):
    """Weights of D draws at T steps.

    Attributes
    ----------
    weight : ndarray, shape (T, D)
        Rows sum to 1.
    khat_full, khat : ndarray, shape (T,)
        Pareto k of the plain weights, and of those in ``weight``.
    power : ndarray, shape (T,)
        Power of the likelihood in ``weight``; 1 without tempering.
    effective : ndarray, shape (T,)
        Effective number of draws, 1 / sum(weight ** 2).
    """

    weight: Floats
    khat_full: Floats
    khat: Floats
    power: Floats
    effective: Floats


def _fit_tail(x: Floats) -> tuple[Floats, Floats]:
    """Shape k and scale of generalised Pareto fits to rows of ascending x > 0."""
    n = x.shape[1]
    m = 30 + int(np.sqrt(n))
    quarter = x[:, int(n / 4 + 0.5) - 1, None]
    grid = 1 - np.sqrt(m / (np.arange(m) + 0.5))
    theta = 1 / x[:, -1:] + grid / (3 * quarter)
    k = np.log1p(-theta[:, :, None] * x[:, None, :]).mean(axis=2)
    profile = n * (np.log(-theta / k) - k - 1)
    weight = np.exp(profile - profile.max(axis=1, keepdims=True))
    b = (theta * weight).sum(axis=1) / weight.sum(axis=1)
    k = np.log1p(-b[:, None] * x).mean(axis=1)
    sigma = -k / b
    # Weakly informative prior: ten imaginary exceedances at k = 0.5.
    return (k * n + 5) / (n + 10), sigma


def smooth_weights(log_weight: Floats) -> tuple[Floats, Floats]:
    """Pareto-smooth rows of log weights.

    Parameters
    ----------
    log_weight : ndarray, shape (T, D)
        Up to an additive constant per row; -inf allowed.

    Returns
    -------
    weight : ndarray, shape (T, D)
        Rows sum to 1.
    khat : ndarray, shape (T,)
        ``-inf`` where all weights of a row are equal; ``inf`` where too few differ for a
        fit, or where no draw is possible (the weights are then equal).
    """
    n_t, n = log_weight.shape
    top = log_weight.max(axis=1, keepdims=True)
    possible = np.isfinite(top[:, 0])
    shifted = np.where(possible[:, None], log_weight - np.where(possible[:, None], top, 0.0), 0.0)
    weight = np.exp(shifted)
    khat = np.full(n_t, np.inf)
    equal = possible & (shifted.min(axis=1) > -1e-12)
    weight[equal] = 1.0
    khat[equal] = -np.inf
    tail = int(np.ceil(min(0.2 * n, 3 * np.sqrt(n))))
    if tail > 4:
        order = np.argsort(weight, axis=1)
        cut = np.maximum(np.take_along_axis(weight, order[:, -tail - 1, None], axis=1), 1e-300)
        last = order[:, -tail:]
        exceed = np.take_along_axis(weight, last, axis=1) - cut
        fit = possible & ~equal & (exceed[:, -1] > 1e-15)
        fit &= (exceed[:, 0] >= 0) & (exceed[:, int(tail / 4 + 0.5) - 1] > 0)
        if fit.any():
            with np.errstate(all="ignore"):
                k, sigma = _fit_tail(exceed[fit])
                z = (np.arange(tail) + 0.5) / tail
                small = np.abs(k) < 1e-12
                kk = np.where(small, 1.0, k)[:, None]
                quantile = np.where(
                    small[:, None], -np.log1p(-z), np.expm1(-kk * np.log1p(-z)) / kk
                )
            good = np.isfinite(k) & np.isfinite(sigma)
            rows = np.flatnonzero(fit)[good]
            smooth = np.minimum(quantile[good] * sigma[good, None] + cut[rows], 1.0)
            weight[rows[:, None], last[rows]] = smooth
            khat[rows] = k[good]
    return weight / weight.sum(axis=1, keepdims=True), khat


def _effective(log_weight: Floats, power: Floats) -> Floats:
    w = np.exp(power[:, None] * log_weight)
    return np.asarray(w.sum(axis=1) ** 2 / (w**2).sum(axis=1))


def trusted_weights(log_weight: Floats, limit: float, min_share: float) -> TrustedWeights:
    """Weights of the draws at every step, tempered where the plain ones are unreliable.

    Parameters
    ----------
    log_weight : ndarray, shape (T, D)
        Log-likelihood of the observations up to t, by draw.
    limit : float
        Largest acceptable Pareto k.
    min_share : float
        Minimum effective number of draws after tempering, as a share of D, in (0, 1).

    Returns
    -------
    TrustedWeights
        Each row depends on that row of ``log_weight`` alone.
    """
    n_t, n = log_weight.shape
    weight, khat_full = smooth_weights(log_weight)
    khat, power = khat_full.copy(), np.ones(n_t)
    bad = np.flatnonzero(~(khat <= limit))
    if len(bad):
        top = log_weight[bad].max(axis=1, keepdims=True)
        hopeless = ~np.isfinite(top[:, 0])
        # -1e9 stands for -inf: its weight is 0 under any power, but 0 * -1e9 is no NaN.
        rows = np.maximum(log_weight[bad] - np.where(hopeless[:, None], 0.0, top), -1e9)
        rows[hopeless] = 0.0
        low, high = np.zeros(len(bad)), np.ones(len(bad))
        for _ in range(40):
            middle = 0.5 * (low + high)
            enough = _effective(rows, middle) >= min_share * n
            low, high = np.where(enough, middle, low), np.where(enough, high, middle)
        share = np.where(_effective(rows, np.ones(len(bad))) >= min_share * n, 1.0, low)
        share[hopeless] = 0.0
        todo = np.arange(len(bad))
        for _ in range(60):
            w, k = smooth_weights(share[todo, None] * rows[todo])
            weight[bad[todo]], khat[bad[todo]] = w, k
            todo = todo[~(k <= limit)]
            if not len(todo):
                break
            share[todo] *= 0.8
        share[todo] = 0.0
        # The last resort is equal weights, except for draws that the data rule out.
        able = rows[todo] > -1e8
        weight[bad[todo]], khat[bad[todo]] = able / able.sum(axis=1, keepdims=True), -np.inf
        power[bad] = share
    return TrustedWeights(weight, khat_full, khat, power, 1 / (weight**2).sum(axis=1))
