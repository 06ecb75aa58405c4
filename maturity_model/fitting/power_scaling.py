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
from scipy.stats import beta, lognorm, norm

from maturity_model._typing import Floats
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population.constants import (
    BASELINE_SD,
    CARRY_SD,
    PERSISTENCE_SD,
    READING_SD_SD,
    SIGN_TANK_SD,
    SIGN_TANK_SD_SD,
)
from maturity_model.population.files import COORDINATES
from maturity_model.population.priors import Priors, equal_correlation
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


def _total(log_density: Floats) -> Floats:
    # Sum over all but the draws, which come last.
    return np.asarray(log_density.reshape(-1, log_density.shape[-1]).sum(axis=0))


def _normal(x: Floats, mean: Floats | float, sd: Floats | float) -> Floats:
    # Where the spread is above 0.
    x, mean = np.atleast_2d(x), np.atleast_1d(mean)
    sd = np.broadcast_to(sd, mean.shape)
    on = sd > 0
    return _total(norm.logpdf(x[on], mean[on][:, None], sd[on][:, None]))


def _correlated(x: Floats, mean: Floats, sd: Floats) -> Floats:
    # Of rows whose phases share half of their variance.
    inverse = np.linalg.inv(equal_correlation(mean.shape[1]))
    z = np.einsum("jk,gkd->gjd", inverse, (x - mean[:, :, None]) / sd[:, None, None])
    return _total(norm.logpdf(z))


def _log_normal(x: Floats, centre: Floats, sd: float) -> Floats:
    return _total(lognorm.logpdf(x, sd, scale=centre[..., None]))


def _beta(x: Floats, a: Floats | float, b: Floats | float) -> Floats:
    a, b = (np.reshape(v, (-1, 1)) for v in (a, b))
    return _total(beta.logpdf(np.atleast_2d(x), a, b))


def log_prior(population: Population, priors: Priors) -> Floats:
    """Log prior density of what tanks share, by draw, shape (D,), up to a constant.

    In the parameters of :func:`.model.build_model`; of the collapses, which move together,
    one counts. Signs and analytes of the draws stand in the order of the priors.
    """
    p, q = population, priors
    acting = (q.event_effect != 0).any(axis=1)
    memory_sd = np.where(acting, q.event_memory_sd, 0.0)
    effects = (p.event_advance, p.event_setback, p.event_collapse)
    size = q.carry * (1 - q.carry) / CARRY_SD**2 - 1
    parts = [
        _normal(p.log_advance, q.log_advance, q.log_advance_sd),
        _normal(p.log_setback[1:], q.log_setback[1:], BASELINE_SD),
        _normal(p.log_collapse[1:2], q.log_collapse[1:2], BASELINE_SD),
        *(
            _normal(effect, mean, np.where(mean != 0, q.event_sd, 0.0))
            for effect, mean in zip(effects, q.event_effect.T, strict=True)
        ),
        _normal(np.log(p.event_memory), np.log(q.event_memory), memory_sd),
        _normal(p.husbandry, q.husbandry, np.where(q.husbandry != 0, q.husbandry_sd[:, None], 0.0)),
        _normal(p.pace_sd, *q.pace_sd),
        _normal(p.skill_sd, *q.skill_sd),
        _correlated(p.sign_logit, q.sign_logit, q.sign_logit_sd),
        _normal(p.persistence, q.persistence, PERSISTENCE_SD),
        _normal(p.look_effect, q.look_effect, q.look_effect_sd),
        _correlated(p.reading_mean, q.reading_mean, q.reading_mean_sd),
        _log_normal(p.reading_sd, q.reading_sd, READING_SD_SD),
        _beta(p.carry, q.carry * size, (1 - q.carry) * size),
        *(
            _beta(getattr(p, name), *getattr(q, name).beta())
            for name in ("outlier", "judge_accuracy", "judge_repeat")
        ),
    ]
    if p.sign_tank_sd is not None:
        centre = np.full(len(q.signs), SIGN_TANK_SD)
        parts.append(_log_normal(p.sign_tank_sd, centre, SIGN_TANK_SD_SD))
    return np.asarray(sum(parts))


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


def power_scaling(population: Population, priors: Priors, log_likelihood: Floats) -> Sensitivity:
    """Sensitivity of everything that a fit learned to its prior and to its data.

    The log-likelihood is that of each tank, (N, D), at the fit's evidence weight
    (:class:`.leave_one_out.LeaveOneOut`).
    """
    values = shared_values(population)
    table = np.stack(list(values.values()))
    prior, prior_k = sensitivity(table, log_prior(population, priors))
    data, data_k = sensitivity(table, log_likelihood.sum(axis=0))
    columns = {
        "parameter": list(values),
        "prior_sensitivity": prior,
        "likelihood_sensitivity": data,
        "diagnosis": diagnosis(prior, data),
    }
    return Sensitivity(pd.DataFrame(columns), max(prior_k, data_k))
