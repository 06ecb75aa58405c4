"""What the researcher's report is about: all that is worked out from a fit, as tidy tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from maturity_model.fitting.pooled_fit import shared_names, stack_chains, thin
from maturity_model.fitting.power_scaling import Sensitivity, power_scaling
from maturity_model.fitting.predictive_checks import predictive_checks
from maturity_model.fitting.summary import summarise

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult


class Analyses(NamedTuple):
    """A fit and the tables and scores made from it; ``comparison`` where it was asked for."""

    fit: FitResult
    quantities: pd.DataFrame
    checks: pd.DataFrame
    scaling: Sensitivity
    loo: LeaveOneOut
    comparison: Comparison | None

    def frames(self) -> dict[str, pd.DataFrame]:
        """Tables by the name of their file."""
        drift = self.fit.drift
        moved = drift.overlaps[["parameter", "shift", "overlap"]]
        moved = moved.rename(columns={"shift": "shift_prior_sd"})
        mixed = self.fit.diagnostics.checks[["parameter", "r_hat", "ess_bulk", "ess_tail"]]
        frames = {
            "parameters": self.quantities.merge(moved, how="left").merge(mixed, how="left"),
            "predictive": self.checks,
            "loo": self.loo.table,
            "drift": drift.phases.drop(columns="most").rename(columns={"moved": "moved_prior_sd"}),
            "power_scaling": self.scaling.table,
        }
        if self.comparison is not None:
            frames["comparison"] = self.comparison.differences
            frames["comparison_tanks"] = self.comparison.by_tank
        return frames


def analyse(fit: FitResult, loo: LeaveOneOut, comparison: Comparison | None) -> Analyses:
    """Work out what the report says, besides the scores that are given."""
    units = [n for n in ("pace", "skill", "tank_sign") if n in fit.posterior]
    shared = shared_names(fit.posterior)
    draws = stack_chains(fit.posterior, [*shared, *units])
    keepers = tuple(map(str, fit.posterior["keeper"].values)) if "skill" in units else ()
    return Analyses(
        fit,
        summarise(draws, fit.prior, fit.priors, keepers),
        predictive_checks(fit.panel, fit.priors, draws),
        power_scaling(thin(fit.posterior)[shared], fit.log_prior, loo.log_likelihood),
        loo,
        comparison,
    )
