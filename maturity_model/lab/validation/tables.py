"""Summarise the results as tables: the CSV files beside the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.lab.studies.scores import calibration_error
from maturity_model.lab.validation.acceptance import criteria_table, evaluate, verify
from maturity_model.lab.validation.cases import Case
from maturity_model.lab.validation.forecasters import FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.permissions import permission_row, refusals
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import (
    AGE_BANDS,
    Verification,
    bin_forecasts,
    estimate,
    phases_of,
    score_rows,
)
from maturity_model.lab.validation.time_to_mature import LEVELS, RESAMPLES, coverage


def _estimate(name: str, values: Floats) -> dict[str, float]:
    return dict(zip((name, f"{name}_low", f"{name}_high"), estimate(values), strict=True))


def scores(verified: Mapping[str, Verification]) -> pd.DataFrame:
    """Scores of every forecaster in every case, and in all presets of an ecology."""
    rows = [
        {"case": case, "forecaster": name, "tank_weeks": int(row["tank_weeks"])}
        | _estimate("log_score", v.log_score(name))
        | {"brier": row["brier"]}
        | _estimate("calibration_error", v.calibration_error(name))
        | {"overconfidence": row["overconfidence"], "entropy": row["entropy"]}
        | _estimate("share_of_way", v.skill(name))
        | _estimate("tool_gain", v.gain(TOOL, name))
        for case, v in verified.items()
        for name, row in v.summary.iterrows()
    ]
    return pd.DataFrame(rows)


def _in_order(names: pd.Series) -> pd.Categorical:
    return pd.Categorical(names, names.unique())


def by_phase(result: CaseResult) -> pd.DataFrame:
    """Log score in weeks truly of a phase, and Brier score of its probability in all weeks."""
    f, phases = result.forecasts, phases_of(result.forecasts)
    phase = pd.Categorical.from_codes(f["truth"], phases)
    rows = score_rows(f).assign(forecaster=_in_order(f["forecaster"]), phase=phase)
    out = rows.groupby(["forecaster", "phase"], observed=False)["log_score"].agg(["size", "mean"])
    out = out.reset_index().rename(columns={"size": "true_weeks", "mean": "log_score"})
    brier = (f[phases] - pd.get_dummies(phase, dtype=float)).pow(2)
    means = brier.groupby(rows["forecaster"], observed=True).mean()
    return out.assign(brier=means.to_numpy().ravel())


def by_age(result: CaseResult) -> pd.DataFrame:
    """Log and Brier score by band of age."""
    rows = score_rows(result.forecasts)
    band = np.searchsorted(AGE_BANDS, rows["week"], side="right") - 1
    rows["from_week"] = np.array(AGE_BANDS)[band]
    means = rows.groupby(["forecaster", "from_week"], sort=False).agg(
        tank_weeks=("week", "size"), log_score=("log_score", "mean"), brier=("brier", "mean")
    )
    return means.reset_index()


def reliability(result: CaseResult) -> pd.DataFrame:
    """Mean forecast probability and frequency by forecaster, phase and bin."""
    sums = bin_forecasts(result.forecasts, ("forecaster", "phase", "bin")).reset_index()
    rows = sums.assign(forecaster=_in_order(sums["forecaster"]))
    rows = rows.sort_values(["forecaster", "phase", "bin"])
    return rows.assign(
        phase=np.array(phases_of(result.forecasts))[rows["phase"]],
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
    sums = result.alarms.drop(columns="tank").groupby(["forecaster", "rule"], sort=False).sum()
    s = sums.assign(tank_years=sums["weeks"] * 7 / 365.25)
    s["share_detected"] = s["detected"] / s["slips"]
    s["mean_delay_weeks"] = s["delay"] / s["detected"]
    s["false_alarms_per_tank_year"] = s["false_alarms"] / s["tank_years"]
    columns = ["slips", "detected", "share_detected", "mean_delay_weeks", "false_alarms",
               "tank_years", "false_alarms_per_tank_year"]  # fmt: skip
    return s[columns].reset_index()


def risk(result: CaseResult) -> pd.DataFrame:
    """Risk of slipping back: stated, observed, error, skill against age alone."""
    rows = []
    for (name, horizon), r in result.risk.groupby(["forecaster", "horizon"], sort=False):
        brier, reference = (((r[c] - r["slipped"]) ** 2).mean() for c in ("stated", "by_age"))
        rows.append(
            {
                "forecaster": name,
                "horizon_weeks": horizon,
                "tank_weeks": len(r),
                "stated": r["stated"].mean(),
                "observed": r["slipped"].mean(),
                "calibration_error": calibration_error(r["stated"], r["slipped"]),
                "brier": brier,
                "skill_against_age": 1 - brier / reference if reference else np.nan,
            }
        )
    return pd.DataFrame(rows)


def _joined(parts: dict[str, pd.DataFrame]) -> pd.DataFrame:
    # pandas warns of parts without rows.
    some = {case: part for case, part in parts.items() if len(part)}
    return pd.concat(some or parts, names=["case"]).reset_index("case")


def permission_tables(results: Mapping[str, CaseResult]) -> dict[str, pd.DataFrame]:
    """What was permitted and why the rest was not, by the name of their CSV file."""
    rows = [{"case": case, **permission_row(r.permissions)} for case, r in results.items()]
    why = {case: refusals(r.permissions) for case, r in results.items()}
    return {"permissions": pd.DataFrame(rows), "refusals": _joined(why)}


def summarize_results(
    cases: Sequence[Case], results: Mapping[str, CaseResult]
) -> dict[str, pd.DataFrame]:
    """All tables, by the name of their CSV file."""
    verified = verify(cases, results)
    parts: dict[str, dict[str, pd.DataFrame]] = {}
    for case in cases:
        result = results[case.name]
        tables = {
            "by_phase": by_phase(result),
            "by_age": by_age(result),
            "reliability": reliability(result),
            "time_to_mature": time_to_mature(result, verified[case.name]),
            "slips": slips(result),
            "risk": risk(result),
            "causes": result.diagnosis,
        }
        for name, table in tables.items():
            parts.setdefault(name, {})[case.name] = table
    notes = ("evidence_weight", "ceiling", FITTED, FITTED_JUDGED)
    rows = [
        (c.name, c.title, verified[c.name].unit, *map(results[c.name].note.get, notes))
        for c in cases
    ]
    return (
        permission_tables(results)
        | {name: _joined(some) for name, some in parts.items()}
        | {
            "cases": pd.DataFrame(rows, columns=["case", "title", "resampled", *notes]),
            "scores": scores(verified),
            "must_hold": criteria_table(evaluate(cases, results, verified)),
        }
    )
