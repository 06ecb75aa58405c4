"""Power-scaling: how sensitive a posterior is to its prior, and to its data.

The prior, or the likelihood, is raised to a power near 1, and the draws are reweighted by
Pareto-smoothed importance sampling; how fast a parameter's distribution moves is its
sensitivity (Kallioinen, Paananen, Bürkner and Vehtari 2023, *Statistics and Computing* 34,
57). Pace and skill are integrated out, so that only the priors of what tanks share are
scaled, as that paper advises for hierarchical models.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import rel_entr

from maturity_model._typing import Floats
from maturity_model.fitting.diagnostics import flatten
from maturity_model.hmm.psis import smooth_weights

if TYPE_CHECKING:
    import xarray as xr

#: Powers are 1 / (1 + DELTA) and 1 + DELTA.
DELTA = 0.01
#: A sensitivity from which it is worth a look (Kallioinen et al. 2023, section 5).
NOTABLE = 0.05
#: Largest Pareto k at which the reweighting can be relied on (Vehtari et al. 2024, JMLR 25, 72).
RELIABLE = 0.7


class Sensitivity(NamedTuple):
    """How fast parameters move.

    Attributes
    ----------
    table : pandas.DataFrame
        A ``parameter`` a row, named as in the diagnostics: distance moved per doubling of the
        power of the prior, at power 1 (``prior_sensitivity``), and of the likelihood
        (``likelihood_sensitivity``), and what the two together say (``diagnosis``), or nothing.
    khat : float
        Largest Pareto k of the weights, reliable up to ``limit``.
    notable, limit : float
        Limits of a sensitivity that is worth a look, and of ``khat``.
    """

    table: pd.DataFrame
    khat: float
    notable: float = NOTABLE
    limit: float = RELIABLE


def diagnosis(prior: Floats, likelihood: Floats) -> list[str]:
    """What the sensitivities of parameters to prior and likelihood say of each."""
    said = np.where(likelihood < NOTABLE, "the prior decides", "prior and data disagree")
    return list(np.where(prior < NOTABLE, "", said))


def cumulative_distance(x: Floats, weight: Floats) -> float:
    """Distance between draws and the same draws weighted, in [0, 1].

    Square root of the symmetrised cumulative Jensen-Shannon divergence over its bound
    (Nguyen and Vreeken 2015), the larger of that of x and of -x.

    Parameters
    ----------
    x : ndarray, shape (D,)
    weight : ndarray, shape (D,)
        Sums to 1.
    """
    order = np.argsort(x, kind="stable")
    return max(_one_way(x[order], weight[order]), _one_way(-x[order][::-1], weight[order][::-1]))


def _one_way(x: Floats, weight: Floats) -> float:
    width = np.diff(x)
    p = np.arange(1, len(x)) / len(x)
    q = np.minimum(np.cumsum(weight)[:-1], 1.0)
    area = float((p + q) @ width)
    if area <= 0:
        return 0.0
    # The remainders 1/(2 ln 2) of the two directions cancel in the sum.
    middle = 0.5 * (p + q)
    total = float((rel_entr(p, middle) + rel_entr(q, middle)) @ width) / np.log(2)
    return float(np.sqrt(max(total, 0.0) / area))


def sensitivity(values: Floats, log_density: Floats) -> tuple[Floats, float]:
    """Sensitivity of parameters to the power on one part of the posterior.

    Parameters
    ----------
    values : ndarray, shape (Q, D)
    log_density : ndarray, shape (D,)
        Log prior, or log-likelihood, of each draw, up to a constant.

    Returns
    -------
    ndarray, shape (Q,)
    khat : float
    """
    powers = np.array([1 / (1 + DELTA), 1 + DELTA])
    weight, khat = smooth_weights((powers[:, None] - 1) * log_density)
    moved = np.array([[cumulative_distance(x, w) for w in weight] for x in values])
    return np.asarray(moved.sum(axis=1) / (2 * np.log2(1 + DELTA))), float(khat.max())


def power_scaling(posterior: xr.Dataset, log_prior: Floats, log_likelihood: Floats) -> Sensitivity:
    """Sensitivity of everything that tanks share to its prior and to its data.

    Parameters
    ----------
    posterior : xarray.Dataset
        D draws of what tanks share, in all chains together.
    log_prior : ndarray, shape (D,)
        Of them.
    log_likelihood : ndarray, shape (N, D)
        Of each tank, at the fit's evidence weight (:class:`.leave_one_out.LeaveOneOut`).
    """
    labels, draws = flatten(posterior, list(posterior))
    values = draws.reshape(-1, len(labels)).T
    # What does not vary is not sensitive.
    varies = np.isfinite(values).all(axis=1) & (np.ptp(values, axis=1) > 0)
    prior, prior_k = sensitivity(values[varies], log_prior)
    data, data_k = sensitivity(values[varies], log_likelihood.sum(axis=0))
    columns = {
        "parameter": np.array(labels)[varies],
        "prior_sensitivity": prior,
        "likelihood_sensitivity": data,
        "diagnosis": diagnosis(prior, data),
    }
    return Sensitivity(pd.DataFrame(columns), max(prior_k, data_k))
