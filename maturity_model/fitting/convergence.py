"""Whether chains agree, and how many independent draws they are worth.

Rank-normalised split R-hat and effective sample sizes of bulk and tails (Vehtari, Gelman,
Simpson, Carpenter and Buerkner 2021, *Bayesian Analysis* 16: 667-718), and the energy
fraction of missing information (Betancourt 2016, arXiv:1604.00695). Plain NumPy, so that
the same numbers come out with every version of other software; the tests hold them
against ArviZ.
"""

from __future__ import annotations

import numpy as np

from maturity_model._typing import Floats


def normal_quantile(p: Floats) -> Floats:
    """Quantiles of the standard normal, absolute error below 1e-9.

    Acklam's rational approximation with one step of Halley's method.
    """
    import math

    a = (-39.69683028665376, 220.9460984245205, -275.9285104469687, 138.3577518672690,
         -30.66479806614716, 2.506628277459239)  # fmt: skip
    b = (-54.47609879822406, 161.5858368580409, -155.6989798598866, 66.80131188771972,
         -13.28068155288572, 1.0)  # fmt: skip
    c = (-0.007784894002430293, -0.3223964580411365, -2.400758277161838, -2.549732539343734,
         4.374664141464968, 2.938163982698783)  # fmt: skip
    d = (0.007784695709041462, 0.3224671290700398, 2.445134137142996, 3.754408661907416, 1.0)
    p = np.asarray(p, dtype=np.float64)
    tail = np.minimum(p, 1 - p)
    low = tail < 0.02425
    q = p - 0.5
    r = q * q
    x = np.polyval(a, r) * q / np.polyval(b, r)
    s = np.sqrt(-2 * np.log(np.where(low, tail, 0.5)))
    far = np.polyval(c, s) / np.polyval(d, s)
    x = np.where(low, np.where(q < 0, far, -far), x)
    error = 0.5 * np.vectorize(math.erfc, otypes=[float])(-x / np.sqrt(2)) - p
    u = error * np.sqrt(2 * np.pi) * np.exp(x * x / 2)
    return np.asarray(x - u / (1 + x * u / 2))


def split(draws: Floats) -> Floats:
    """Halves of chains as chains of their own: (C, D, P) to (2 C, D // 2, P)."""
    half = draws.shape[1] // 2
    return np.concatenate([draws[:, :half], draws[:, -half:]])


def rank_normal(draws: Floats) -> Floats:
    """Normal scores of the ranks of all draws of a parameter; ties share their mean rank."""
    c, d, p = draws.shape
    flat = draws.reshape(c * d, p)
    order = np.argsort(flat, axis=0, kind="stable")
    ranks = np.empty(flat.shape)
    np.put_along_axis(ranks, order, np.arange(1.0, c * d + 1)[:, None], axis=0)
    for j in range(p):
        values, where, counts = np.unique(flat[:, j], return_inverse=True, return_counts=True)
        if len(values) < c * d:
            ends = np.cumsum(counts)
            ranks[:, j] = (ends - (counts - 1) / 2)[where.reshape(-1)]
    return normal_quantile((ranks - 0.375) / (c * d + 0.25)).reshape(c, d, p)


def _r_hat(chains: Floats) -> Floats:
    n = chains.shape[1]
    within = chains.var(axis=1, ddof=1).mean(axis=0)
    between = n * chains.mean(axis=1).var(axis=0, ddof=1)
    return np.asarray(np.sqrt(((n - 1) / n * within + between / n) / within))


def r_hat(draws: Floats) -> Floats:
    """The larger of the R-hats of bulk and of spread.

    Parameters
    ----------
    draws : ndarray, shape (C, D, P)
        C chains of D draws of P parameters.

    Returns
    -------
    ndarray, shape (P,)
        1 where chains agree; NaN for a constant.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        halves = split(draws)
        bulk = _r_hat(rank_normal(halves))
        folded = np.abs(halves - np.median(halves, axis=(0, 1)))
        return _numbers_only(draws, np.fmax(bulk, _r_hat(rank_normal(folded))))


def _numbers_only(draws: Floats, found: Floats) -> Floats:
    # Ranks would hide a draw that is not a number.
    return np.where(np.isfinite(draws).all(axis=(0, 1)), found, np.nan)


def _autocovariance(chains: Floats) -> Floats:
    # (C, D, P), by Fourier transform.
    n = chains.shape[1]
    size = 1 << (2 * n - 1).bit_length()
    centred = chains - chains.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(centred, size, axis=1)
    return np.asarray(np.fft.irfft(np.abs(spectrum) ** 2, size, axis=1)[:, :n] / n)


def _ess(chains: Floats) -> Floats:
    # Geyer's initial monotone sequence, all parameters at once.
    m, n, p = chains.shape
    with np.errstate(invalid="ignore", divide="ignore"):
        covariance = _autocovariance(chains)
        within = covariance[:, 0].mean(axis=0) * n / (n - 1)
        total = within * (n - 1) / n
        if m > 1:
            total = total + chains.mean(axis=1).var(axis=0, ddof=1)
        rho = 1 - (within - covariance.mean(axis=0)) / total
    rho[0] = 1.0
    out = np.empty(p)
    pairs = rho[: n - n % 2].reshape(-1, 2, p).sum(axis=1)
    for j in range(p):
        g = pairs[:, j]
        if not np.isfinite(g).all():
            out[j] = np.nan
            continue
        # Up to the first negative pair, or as far as there are pairs to look at.
        stop = min([*np.flatnonzero(g < 0)[:1], (n - 3) // 2])
        tau = -1 + 2 * np.minimum.accumulate(g[:stop]).sum()
        # The first term that was left out, where it is positive, narrows the error.
        tau += max(rho[2 * stop, j], 0.0)
        out[j] = m * n / max(tau, 1 / np.log10(m * n))
    return out


def ess_bulk(draws: Floats) -> Floats:
    """Effective sample size of the bulk; shapes as for :func:`r_hat`."""
    return _numbers_only(draws, _ess(rank_normal(split(draws))))


def ess_tail(draws: Floats) -> Floats:
    """Effective sample size of the 5 % and 95 % quantiles, the lesser of the two."""
    found = []
    for level in (0.05, 0.95):
        cut = np.quantile(draws, level, axis=(0, 1))
        found.append(_ess(split((draws <= cut).astype(np.float64))))
    return _numbers_only(draws, np.fmin(*found))


def energy_fraction(energy: Floats) -> Floats:
    """Energy fraction of missing information of each chain; below 0.3 is a bad sign.

    Parameters
    ----------
    energy : ndarray, shape (C, D)

    Returns
    -------
    ndarray, shape (C,)
    """
    return np.asarray((np.diff(energy, axis=1) ** 2).mean(axis=1) / energy.var(axis=1, ddof=1))
