"""Summarise the results as tables: the CSV files beside the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from maturity_model.lab.studies.scores import BINS
from maturity_model.lab.validation.acceptance import criteria_table, evaluate, verify
from maturity_model.lab.validation.cases import Case
from maturity_model.lab.validation.forecasters import FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import (
    AGE_BANDS,
    Verification,
    bin_forecasts,
    calibration_error,
    estimate,
    phases_of,
    score_rows,
)
from maturity_model.lab.validation.time_to_mature import LEVELS, RESAMPLES, coverage

Results = Mapping[str, CaseResult]


def _estimate(name: str, values: np.ndarray) -> dict[str, float]:
    return dict(zip((name, f"{name}_low", f"{name}_high"), estimate(values), strict=True))


def scores(verified: Mapping[str, Verification]) -> pd.DataFrame:
    """Scores of every forecaster in every case, and in all presets of an ecology."""
    return pd.DataFrame(
        [
            {"case": case, "forecaster": name, "tank_weeks": row["tank_weeks"]}
            | _estimate("log_score", v.log_score(name))
            | {"brier": row["brier"]}
            | _estimate("calibration_error", v.calibration_error(name))
            | {"overconfidence": row["overconfidence"], "entropy": row["entropy"]}
            | _estimate("share_of_way", v.skill(name))
            | _estimate("tool_gain", v.gain(TOOL, name))
            for case, v in verified.items()
            for name, row in v.summary.iterrows()
        ]
    ).astype({"tank_weeks": int})


def by_phase(result: CaseResult) -> pd.DataFrame:
    """Log score in weeks truly of a phase, and Brier score of its probability in all weeks."""
    f, phases = result.forecasts, phases_of(result.forecasts)
    names = f["forecaster"].unique()
    log = score_rows(f).groupby(["forecaster", "truth"])["log_score"].agg(["size", "mean"])
    hit = f["truth"].to_numpy()[:, None] == np.arange(len(phases))
    brier = ((f[phases] - hit) ** 2).groupby(f["forecaster"]).mean().stack()
    rows = log.reindex(pd.MultiIndex.from_product([names, range(len(phases))]))
    return pd.DataFrame(
        {
            "forecaster": np.repeat(names, len(phases)),
            "phase": np.tile(phases, len(names)),
            "true_weeks": rows["size"].fillna(0).to_numpy(dtype=int),
            "log_score": rows["mean"].to_numpy(),
            "brier": brier.reindex(pd.MultiIndex.from_product([names, phases])).to_numpy(),
        }
    )


def by_age(result: CaseResult) -> pd.DataFrame:
    """Log and Brier score by band of age."""
    rows = score_rows(result.forecasts)
    band = np.searchsorted(AGE_BANDS, rows["week"], side="right") - 1
    grouped = rows.groupby(
        ["forecaster", pd.Series(np.array(AGE_BANDS)[band], name="from_week")], sort=False
    )
    means = grouped.agg(
        tank_weeks=("week", "size"), log_score=("log_score", "mean"), brier=("brier", "mean")
    )
    return means.reset_index()


def reliability(result: CaseResult) -> pd.DataFrame:
    """Mean forecast probability and frequency by forecaster, phase and bin."""
    phases = np.array(phases_of(result.forecasts))
    order = list(result.forecasts["forecaster"].unique())
    sums = bin_forecasts(result.forecasts, ("forecaster", "phase", "bin"))
    rows = sums.sort_index(level=["phase", "bin"]).reindex(order, level="forecaster").reset_index()
    return rows.assign(
        phase=phases[rows["phase"]],
        stated=rows["stated"] / rows["n"],
        observed=rows["observed"] / rows["n"],
    )


def time_to_mature(result: CaseResult, v: Verification) -> pd.DataFrame:
    """Coverage of the intervals of the time to mature."""
    rows = []
    for (until, name), times in result.times.groupby(["until", "forecaster"], sort=False):
        row = {"forecaster": name, "followed": until, "questions": len(times)}
        row["censored"] = times["censored"].mean()
        for level in LEVELS:
            values = coverage(times, level, v.weights[: 1 + RESAMPLES])
            row |= _estimate(f"coverage_{100 * level:.0f}", values)
        row["printed_90_where_known"] = times["covered"].mean()
        row["mean_width_weeks"] = times["width"].mean()
        rows.append(row)
    return pd.DataFrame(rows)


def slips(result: CaseResult) -> pd.DataFrame:
    """Slips that were detected, their delay, and false alarms."""
    sums = result.alarms.groupby(["forecaster", "rule"], sort=False).sum().reset_index()
    s = sums[sums["weeks"] > 0]
    years = s["weeks"] * 7 / 365.25
    return pd.DataFrame(
        {
            "forecaster": s["forecaster"],
            "rule": s["rule"],
            "slips": s["slips"],
            "detected": s["detected"],
            "share_detected": s["detected"] / s["slips"],
            "mean_delay_weeks": s["delay"] / s["detected"],
            "false_alarms": s["false_alarms"],
            "tank_years": years,
            "false_alarms_per_tank_year": s["false_alarms"] / years,
        }
    )


def risk(result: CaseResult) -> pd.DataFrame:
    """Risk of slipping back: stated, observed, error, skill against age alone."""
    rows = []
    for (name, horizon), r in result.risk.groupby(["forecaster", "horizon"], sort=False):
        bins = np.minimum((r["stated"] * BINS).astype(int), BINS - 1)
        sums = r.groupby(bins).agg(n=("week", "size"), s=("stated", "sum"), o=("slipped", "sum"))
        brier, reference = (((r[c] - r["slipped"]) ** 2).mean() for c in ("stated", "by_age"))
        rows.append(
            {
                "forecaster": name,
                "horizon_weeks": horizon,
                "tank_weeks": len(r),
                "stated": r["stated"].mean(),
                "observed": r["slipped"].mean(),
                "calibration_error": float(calibration_error(*sums.to_numpy(dtype=float).T)),
                "brier": brier,
                "skill_against_age": 1 - brier / reference if reference else np.nan,
            }
        )
    return pd.DataFrame(rows)


def summarize_results(cases: Sequence[Case], results: Results) -> dict[str, pd.DataFrame]:
    """All tables, by the name of their CSV file."""
    verified = verify(cases, results)

    def joined(parts: dict[str, pd.DataFrame]) -> pd.DataFrame:
        parts = {case: part for case, part in parts.items() if len(part)}
        if not parts:
            return pd.DataFrame(columns=["case"])
        return pd.concat(parts, names=["case"]).reset_index("case").reset_index(drop=True)

    of_case = {"by_phase": by_phase, "by_age": by_age, "reliability": reliability,
               "slips": slips, "risk": risk}  # fmt: skip
    tables = {n: joined({c.name: f(results[c.name]) for c in cases}) for n, f in of_case.items()}
    times = {c.name: time_to_mature(results[c.name], verified[c.name]) for c in cases}
    notes = ("evidence_weight", "ceiling", FITTED, FITTED_JUDGED)
    rows = [
        (c.name, c.title, verified[c.name].unit, *map(results[c.name].note.get, notes))
        for c in cases
    ]
    return tables | {
        "cases": pd.DataFrame(rows, columns=["case", "title", "resampled", *notes]),
        "scores": scores(verified),
        "time_to_mature": joined(times),
        "causes": joined({c.name: results[c.name].diagnosis for c in cases}),
        "must_hold": criteria_table(evaluate(cases, results, verified)),
    }
