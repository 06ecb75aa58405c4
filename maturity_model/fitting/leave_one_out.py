"""Leave one tank out: how well the others predict it.

Pareto-smoothed importance sampling (Vehtari, Gelman and Gabry 2017, *Statistics and
Computing* 27: 1413-1432) with one tank as the unit, its pace and skill integrated out, so
that a new tank is predicted. Two caveats. Tanks of one keeper share that
keeper's skill, which the remaining tanks still inform. And where the evidence weight is below
1, the tank is taken out of the fit at that weight, but scored by its plain likelihood.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from maturity_model._typing import Floats
from maturity_model.fitting.power_tables import checkins_by_tank, powers_of_fit
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.hmm.mixture import k_limit
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.panel import Panel


class LeaveOneOut(NamedTuple):
    """Predictive scores of N tanks under D draws.

    Attributes
    ----------
    table : pandas.DataFrame
        A ``tank`` a row: ``weeks_with_checkin``; ``elpd``, log p(log of the tank | logs of the
        others); ``in_sample``, log p(log of the tank | all logs, itself included); ``khat``,
        Pareto k: above ``limit`` the score is not to be trusted.
    limit : float
    log_likelihood : ndarray, shape (N, D)
        At the evidence weight of the fit.
    """

    table: pd.DataFrame
    limit: float
    log_likelihood: Floats

    @property
    def total(self) -> float:
        """Sum of the scores (ELPD)."""
        return float(self.table["elpd"].sum())

    @property
    def standard_error(self) -> float:
        """Standard error of the sum, over tanks; NaN for one tank."""
        return float(np.sqrt(len(self.table)) * self.table["elpd"].std())

    @property
    def effective_parameters(self) -> float:
        """Effective number: how much better tanks are described than predicted."""
        return float((self.table["in_sample"] - self.table["elpd"]).sum())

    @property
    def unreliable(self) -> int:
        """Number of tanks whose Pareto k is above the limit, or not a number."""
        return int((~(self.table["khat"] <= self.limit)).sum())


def log_mean(log_weight: Floats, log_value: Floats) -> Floats:
    """Log of weighted means, shape (N,), of rows given as logs, shape (N, D)."""
    return np.asarray(logsumexp(log_weight + log_value, axis=1))


def leave_one_out(fitted: Floats, plain: Floats | None = None) -> tuple[Floats, Floats, Floats]:
    """``elpd``, ``in_sample`` and ``khat``, each (N,), from log-likelihoods, each (N, D).

    ``fitted`` is that of each unit as it entered the fit; ``plain``, by default the same, is what
    is scored.
    """
    plain = fitted if plain is None else plain
    weight, khat = smooth_weights(-fitted)
    with np.errstate(divide="ignore"):
        elpd = log_mean(np.log(weight), plain)
    return elpd, log_mean(np.full(plain.shape, -np.log(plain.shape[1])), plain), khat


def loo_by_tank(panel: Panel, population: Population) -> LeaveOneOut:
    """Leave each tank of a fit's panel out, from draws of the fit and its evidence weight."""
    powers = powers_of_fit(population)
    fitted = tank_log_likelihood(panel, population, powers)
    plain = fitted if set(powers) == {1.0} else tank_log_likelihood(panel, population, 1.0)
    elpd, in_sample, khat = leave_one_out(fitted, plain)
    columns = {
        "tank": [t.name for t in panel.tanks],
        "weeks_with_checkin": checkins_by_tank(panel),
        "elpd": elpd,
        "in_sample": in_sample,
        "khat": khat,
    }
    return LeaveOneOut(pd.DataFrame(columns), float(k_limit(population.n_draws)), fitted)
