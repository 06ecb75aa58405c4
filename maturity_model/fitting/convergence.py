"""Convergence diagnostics of chains: R-hat, bulk and tail effective sample size, E-BFMI.

By ArviZ: rank-normalised split R-hat and effective sample sizes (Vehtari, Gelman, Simpson,
Carpenter and Buerkner 2021, *Bayesian Analysis* 16: 667-718), and the energy fraction of missing
information (Betancourt 2016, arXiv:1604.00695). What is called here is the same in ArviZ 0.23
and in ArviZ 1. Draws have the shape (C, D, P): C chains of D draws of P parameters; results
(P,). A parameter with a draw that is not finite has none.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np

from maturity_model._typing import Floats


def _by_parameter(statistic: str, draws: Floats, **options: Any) -> Floats:
    import arviz as az
    import xarray as xr

    data = xr.Dataset({"x": (("chain", "draw", "parameter"), draws)})
    with warnings.catch_warnings():
        # Of constants; the NaN that comes out says it too.
        warnings.simplefilter("ignore")
        found = getattr(az, statistic)(data, **options)["x"].values
    # Ranks would hide a draw that is infinite.
    return np.where(np.isfinite(draws).all(axis=(0, 1)), found, np.nan)


def r_hat(draws: Floats) -> Floats:
    """The larger of the R-hats of bulk and of spread: 1 where chains agree; NaN for a constant.

    The halves of a single chain stand for two chains.
    """
    if len(draws) == 1:
        half = draws.shape[1] // 2
        draws = np.concatenate([draws[:, :half], draws[:, -half:]])
    return _by_parameter("rhat", draws, method="rank")


def ess_bulk(draws: Floats) -> Floats:
    """Effective sample size of the bulk."""
    return _by_parameter("ess", draws, method="bulk")


def ess_tail(draws: Floats) -> Floats:
    """Effective sample size of the 5 % and 95 % quantiles, the lesser of the two."""
    return _by_parameter("ess", draws, method="tail", prob=(0.05, 0.95))


def energy_fraction(energy: Floats) -> Floats:
    """Energy fraction of missing information of each chain, (C, D) to (C,); below 0.3 is bad."""
    return np.asarray((np.diff(energy, axis=1) ** 2).mean(axis=1) / energy.var(axis=1, ddof=1))
