"""Power-scaling: how sensitive a posterior is to its prior, and to its data.

The prior, or the likelihood, is raised to a power near 1, and the draws are reweighted by
Pareto-smoothed importance sampling; how fast a parameter's distribution moves is its
sensitivity (Kallioinen, Paananen, Bürkner and Vehtari 2023, *Statistics and Computing* 34,
57). Pace and skill are integrated out, so that only the priors of what tanks share are
scaled, as that paper advises for hierarchical models.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import rel_entr

from maturity_model._typing import Floats
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population.files import COORDINATES
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population

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


def shared_values(population: Population) -> dict[str, Floats]:
    """Every scalar that varies between a population's draws, by name, each of shape (D,)."""
    out = {}
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        values = getattr(population, name)
        if values is None or dims[-1] != "draw":
            continue
        coordinates = [getattr(population, COORDINATES[d]) for d in dims[:-1]]
        for where in np.ndindex(*values.shape[:-1]):
            x = values[where]
            if np.isfinite(x).all() and np.ptp(x) > 0:
                label = ", ".join(c[i] for c, i in zip(coordinates, where, strict=True))
                out[f"{name}[{label}]" if label else name] = x
    return out


def power_scaling(population: Population, log_prior: Floats, log_likelihood: Floats) -> Sensitivity:
    """Sensitivity of everything that a fit learned to its prior and to its data.

    By draw of the population: the log prior, (D,), of what tanks share, and the log-likelihood of
    each tank, (N, D), at the fit's evidence weight (:class:`.leave_one_out.LeaveOneOut`).
    """
    values = shared_values(population)
    table = np.stack(list(values.values()))
    prior, prior_k = sensitivity(table, log_prior)
    data, data_k = sensitivity(table, log_likelihood.sum(axis=0))
    columns = {
        "parameter": list(values),
        "prior_sensitivity": prior,
        "likelihood_sensitivity": data,
        "diagnosis": diagnosis(prior, data),
    }
    return Sensitivity(pd.DataFrame(columns), max(prior_k, data_k))
