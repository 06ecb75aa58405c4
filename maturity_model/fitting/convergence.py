"""Convergence diagnostics of chains: R-hat, bulk and tail effective sample size, E-BFMI.

Rank-normalised split R-hat and effective sample sizes (Vehtari, Gelman, Simpson, Carpenter
and Buerkner 2021, *Bayesian Analysis* 16: 667-718), and the energy fraction of missing
information (Betancourt 2016, arXiv:1604.00695), for all parameters at once. ArviZ gives the
same numbers, in both of its lines of versions; the tests compare.
"""

from __future__ import annotations

import numpy as np

from maturity_model._typing import Floats


def split(draws: Floats) -> Floats:
    """Split each chain in two: (C, D, P) to (2 C, D // 2, P)."""
    half = draws.shape[1] // 2
    return np.concatenate([draws[:, :half], draws[:, -half:]])


def rank_normal(draws: Floats) -> Floats:
    """Normal scores of the ranks of all draws of a parameter; ties share their mean rank."""
    # Imported here: only the extra `fit` brings SciPy.
    from scipy.special import ndtri
    from scipy.stats import rankdata

    c, d, p = draws.shape
    ranks = rankdata(draws.reshape(c * d, p), axis=0)
    return np.asarray(ndtri((ranks - 0.375) / (c * d + 0.25))).reshape(c, d, p)


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
        return _if_finite(draws, np.fmax(bulk, _r_hat(rank_normal(folded))))


def _if_finite(draws: Floats, values: Floats) -> Floats:
    # Ranks would hide a draw that is not a number.
    return np.where(np.isfinite(draws).all(axis=(0, 1)), values, np.nan)


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
        # Up to the first negative pair, or to the last pair.
        stop = min([*np.flatnonzero(g < 0)[:1], (n - 3) // 2])
        tau = -1 + 2 * np.minimum.accumulate(g[:stop]).sum()
        # The first term left out, where it is positive, narrows the error.
        tau += max(rho[2 * stop, j], 0.0)
        out[j] = m * n / max(tau, 1 / np.log10(m * n))
    return out


def ess_bulk(draws: Floats) -> Floats:
    """Effective sample size of the bulk; shapes as for :func:`r_hat`."""
    return _if_finite(draws, _ess(rank_normal(split(draws))))


def ess_tail(draws: Floats) -> Floats:
    """Effective sample size of the 5 % and 95 % quantiles, the lesser of the two."""
    ess = [
        _ess(split((draws <= q).astype(float))) for q in np.quantile(draws, (0.05, 0.95), (0, 1))
    ]
    return _if_finite(draws, np.fmin(*ess))


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
