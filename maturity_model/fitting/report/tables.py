"""Tidy tables of a pooled fit, as CSV for a spreadsheet or a script."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from maturity_model.fitting.summary import LEVELS
from maturity_model.logbook.formulas import without_formula
from maturity_model.whole_files import write_file

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.power_scaling import Sensitivity
    from maturity_model.fitting.summary import Quantity


def write_csv(path: Path, frame: pd.DataFrame) -> None:
    """Write a frame without its index, numbers with six digits; missing values are empty."""
    safe = frame.map(lambda cell: without_formula(cell) if isinstance(cell, str) else cell)
    write_file(path, safe.to_csv(index=False, float_format="%.6g", lineterminator="\n"))


def parameter_table(
    quantities: Sequence[Quantity], drift: Drift, diagnostics: Diagnostics
) -> pd.DataFrame:
    """What was learned, a quantity a row, and how its parameter moved and converged."""
    frame = pd.DataFrame(quantities)
    levels = [f"q{100 * level:02.0f}" for level in LEVELS]
    posterior = pd.DataFrame(frame.pop("quantiles").tolist(), columns=levels)
    none = (float("nan"),) * len(levels)
    priors = [prior or none for prior in frame.pop("prior")]
    prior = pd.DataFrame(priors, columns=[f"prior_{x}" for x in levels])
    frame = pd.concat([frame, posterior, prior, frame.pop("parameter")], axis=1)
    moved = pd.DataFrame(
        [(o.name, o.shift, o.overlap) for o in drift.overlaps],
        columns=["parameter", "shift_prior_sd", "overlap"],
    )
    checks = pd.DataFrame(diagnostics.checks).rename(columns={"name": "parameter"})
    checks = checks[["parameter", "r_hat", "ess_bulk", "ess_tail"]]
    return frame.merge(moved, how="left", on="parameter").merge(checks, how="left", on="parameter")


def loo_table(loo: LeaveOneOut) -> pd.DataFrame:
    """Scores of tanks left out, a tank a row."""
    columns = {
        "tank": loo.tanks, "weeks_with_checkin": loo.checkins, "elpd": loo.elpd,
        "in_sample": loo.in_sample, "khat": loo.khat,
    }  # fmt: skip
    return pd.DataFrame(columns)


def drift_table(drift: Drift) -> pd.DataFrame:
    """How far each phase moved."""
    frame = pd.DataFrame([asdict(p) for p in drift.phases])
    columns = ["phase", "moved", "own_share", "nearest_other", "margin"]
    return frame[columns].rename(columns={"moved": "moved_prior_sd"})


def scaling_table(sensitivity: Sensitivity) -> pd.DataFrame:
    """Sensitivity to prior and data, a parameter a row."""
    columns = {
        "parameter": sensitivity.names, "prior_sensitivity": sensitivity.prior,
        "likelihood_sensitivity": sensitivity.likelihood,
        "diagnosis": [sensitivity.verdict(i) for i in range(len(sensitivity.names))],
    }  # fmt: skip
    return pd.DataFrame(columns)


def comparison_table(comparison: Comparison) -> pd.DataFrame:
    """Every variant against the fit, on every target."""
    rows: list[dict[str, Any]] = [
        {
            "variant": d.variant.name, "label": d.variant.label, "target": d.target,
            "elpd": d.elpd, "elpd_fit": d.reference, "difference": d.difference,
            "standard_error": d.standard_error, "tanks": d.tanks, "answers": d.answers,
            "verdict": d.verdict, "doubts": "; ".join(d.doubts),
        }
        for d in comparison.differences
    ]  # fmt: skip
    return pd.DataFrame(rows)


def comparison_by_tank(comparison: Comparison) -> pd.DataFrame:
    """Scores of variants, a tank and target a row."""
    frames = [
        pd.DataFrame({
            "variant": score.variant.name, "target": target, "tank": comparison.tanks,
            "elpd": elpd, "answers": comparison.answers[target], "khat": score.khat,
            "tanks_left_out_of_a_refit": score.left_out,
        })
        for score in comparison.scores
        for target, elpd in score.elpd.items()
    ]  # fmt: skip
    return pd.concat(frames, ignore_index=True)
