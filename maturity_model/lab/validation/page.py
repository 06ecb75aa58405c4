"""Fill in the page of a validation, ``page.md``: all its numbers are read from the tables."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.lab.page import Page, bullets, markdown_table, plain
from maturity_model.lab.validation.cases import Settings
from maturity_model.lab.validation.cases import cases as every_case
from maturity_model.lab.validation.figures import calibration, overview, score_by_age
from maturity_model.lab.validation.forecasters import (
    BASELINES,
    CEILING,
    FITTED,
    FITTED_JUDGED,
    LOOKS,
    TOOL,
)
from maturity_model.lab.validation.permissions import LEAST_PERMITTED, MOST_CYCLING
from maturity_model.lab.validation.scores import AGE_BANDS, RESAMPLES
from maturity_model.lab.validation.slips import DETECTION_WEEKS, GRACE_WEEKS, RULES
from maturity_model.lab.validation.time_to_mature import END, NEXT_EVENT

Tables = Mapping[str, pd.DataFrame]
TITLE = "Is it right?"
#: Evidence misleads if the log score gains more than this without it.
MISLEADING = 0.01
#: A calibration error above this is pointed out, and a share of answers so far from expectation.
LARGE_ERROR, FAR = 0.05, 0.15
#: With fewer weeks or answers than this nothing is pointed out.
ENOUGH = 100
LABELS = {name: look.label for name, look in LOOKS.items()}


def number(x: float, digits: int = 3) -> str:
    """A number, or a dash where it is not known."""
    return f"{x:.{digits}f}" if np.isfinite(x) else "–"


def interval(low: float, high: float, digits: int = 3) -> str:
    """An interval in brackets."""
    return f"({number(low, digits)} to {number(high, digits)})"


def _with_interval(frame: pd.DataFrame, name: str, digits: int = 3) -> list[str]:
    rows = frame[[name, f"{name}_low", f"{name}_high"]].itertuples(index=False)
    return [f"{number(x, digits)} {interval(a, b, digits)}" for x, a, b in rows]


def _written(x: float, form: str) -> str:
    return f"{x:{form}}".replace("%", " %")


def _table(title: str, frame: pd.DataFrame, columns: Mapping[str, str]) -> str:
    # By column of the frame: its heading, and after a bar the format of its numbers.
    shown, formats = {}, {}
    for name, words in columns.items():
        heading, _, form = words.partition("|")
        numbers = pd.api.types.is_numeric_dtype(frame[name])
        shown[heading] = frame[name] if numbers else frame[name].map(plain, na_action="ignore")
        if form:
            formats[heading] = partial(_written, form=form)
    return f"*{plain(title)}*\n\n" + markdown_table(pd.DataFrame(shown), formats, missing="–")


def _items(lines: Iterable[str]) -> str:
    return bullets(map(plain, lines))


def _wanted(least: float, most: float) -> str:
    if np.isnan(most):
        return f"at least {least:g}"
    return f"at most {most:g}" if np.isnan(least) else f"{least:g} to {most:g}"


def missed_criteria(must_hold: pd.DataFrame) -> list[str]:
    """Criteria that are missed, in words."""
    rows = must_hold[must_hold["verdict"].str.startswith("MISSED")]
    return [
        f"MISSED: {r.case}: {r.what}: {number(r.value)} {interval(r.low, r.high)}, "
        f"wanted {_wanted(r.least, r.most)}"
        for r in rows.itertuples()
    ]


def _must_hold(rows: pd.DataFrame) -> str:
    rows = rows.assign(
        wanted=list(map(_wanted, rows["least"], rows["most"])),
        interval=list(map(interval, rows["low"], rows["high"])),
    )
    columns = {"case": "case", "what": "what", "wanted": "wanted", "value": "found|.3f",
               "interval": "5 % to 95 %", "verdict": "verdict"}  # fmt: skip
    return _table("What must hold", rows, columns)


def _scores(rows: pd.DataFrame) -> str:
    way = pd.Series(_with_interval(rows, "share_of_way", 2), rows.index)
    rows = rows.assign(
        label=rows["forecaster"].map(LABELS),
        error=_with_interval(rows, "calibration_error"),
        way=way.mask(rows["forecaster"].isin(("age", CEILING)), ""),
    )
    columns = {
        "case": "case", "label": "forecaster", "log_score": "log score|.3f", "brier": "Brier|.3f",
        "error": "calibration error", "overconfidence": "over-sure by|+.3f",
        "entropy": "entropy|.2f", "way": "share of the way",
    }  # fmt: skip
    return _table("Scores", rows, columns)


def _times(rows: pd.DataFrame) -> str:
    rows = rows.assign(label=rows["forecaster"].map(LABELS)).set_index(["case", "label"])
    event, end = (rows[rows["followed"] == until] for until in (NEXT_EVENT, END))
    columns = {
        "case": "case", "label": "forecaster", "censored": "censored|.0%",
        "coverage_50": "50 %|.2f", "coverage_90": "90 %|.2f",
        "censored_end": "to the end: censored|.0%",
        "coverage_50_end": "to the end: 50 %|.2f", "coverage_90_end": "to the end: 90 %|.2f",
        "mean_width_weeks": "mean width, weeks|.0f",
    }  # fmt: skip
    return _table("Coverage", event.join(end.add_suffix("_end")).reset_index(), columns)


def _slips(rows: pd.DataFrame) -> str:
    columns = {
        "case": "case", "rule": "rule", "slips": "slips", "detected": "noticed",
        "mean_delay_weeks": "delay|.1f", "false_alarms_per_tank_year": "false per tank-year|.2f",
        "tank_years": "tank-years|.0f",
    }  # fmt: skip
    rows = rows[rows["forecaster"] == TOOL].replace({"rule": RULES})
    return _table("Slips that were noticed", rows, columns)


def _risk(rows: pd.DataFrame) -> str:
    columns = {
        "case": "case", "horizon_weeks": "weeks ahead", "tank_weeks": "tank-weeks",
        "stated": "stated|.2%", "observed": "came true|.2%",
        "skill_against_age": "skill against age|+.3f",
    }  # fmt: skip
    return _table("Risk of slipping back", rows[rows["forecaster"] == TOOL], columns)


def missed_permissions(rows: pd.DataFrame) -> list[str]:
    """What was wanted of permissions and is missed, in words."""
    early, late = rows[rows["cycling"] > MOST_CYCLING], rows[rows["ready"] < LEAST_PERMITTED]
    return [
        f"MISSED: {r.case}: share of the permitted weeks that are cycling {number(r.cycling)} "
        f"{interval(r.cycling_low, r.cycling_high)}, wanted at most {MOST_CYCLING:g}"
        for r in early.itertuples()
    ] + [
        f"MISSED: {r.case}: share of the weeks past cycling with evidence enough "
        f"{number(r.ready)} {interval(r.ready_low, r.ready_high)}, wanted at least "
        f"{LEAST_PERMITTED:g}"
        for r in late.itertuples()
    ]


def missed(tables: Tables) -> list[str]:
    """All that was wanted and is missed, in words."""
    return missed_criteria(tables["must_hold"]) + missed_permissions(tables["permissions"])


def _permissions(rows: pd.DataFrame) -> str:
    shares = ("cycling", "ready", "waiting", "evidence", "said")
    columns = {
        "case": "case", "permitted": "weeks permitted", "cycling": "of these cycling",
        "measured": "weeks past cycling", "ready": "evidence enough",
        "waiting": "waiting", "evidence": "enough, waits refused", "said": "permitted",
    }  # fmt: skip
    rows = rows.assign(**{name: _with_interval(rows, name) for name in shares})
    return _table("Permissions", rows, columns)


def _refusals(rows: pd.DataFrame) -> str:
    parts = []
    for asked, some in rows.groupby("asked"):
        share = some.pivot(index="case", columns="reason", values="share").fillna(0.0)
        often = share.mean().sort_values(ascending=False, kind="stable").index
        table = share.loc[some["case"].unique(), often].reset_index()
        columns = {name: f"{name}|.0%" for name in often}
        parts.append(_table(f"Against the {asked}", table, {"case": "case", **columns}))
    return "\n\n".join(parts)


def _kind(causes: pd.DataFrame, kind: str) -> pd.DataFrame:
    return causes[causes["kind"] == kind]


def _gains(causes: pd.DataFrame, kind: str) -> pd.DataFrame:
    # Log score gained over that with all evidence, and nothing corrected.
    whole = causes.loc[(causes["kind"] == "without") & (causes["item"] == "nothing"), "log_score"]
    rows = _kind(causes, kind)
    return rows.assign(gain=rows["log_score"] - whole.iloc[0])[rows["item"] != "nothing"]


def _unexpected(causes: pd.DataFrame) -> Iterator[str]:
    sign, reading, dwell = (_kind(causes, kind) for kind in ("sign", "reading", "dwell"))
    far = (sign["observed"] - sign["expected"]).abs() > FAR
    for r in sign[far & (sign["n"] >= ENOUGH)].itertuples():
        yield (
            f"{r.item} in {r.phase}: seen at {100 * r.observed:.0f} % of looks, expected "
            f"{100 * r.expected:.0f} % ({r.n:.0f} looks)"
        )
    far = (reading["observed"] - reading["expected"]).abs() > reading["expected_sd"]
    for r in reading[far & (reading["n"] >= ENOUGH)].itertuples():
        yield (
            f"{r.item} in {r.phase}: mean log level {r.observed:.2f}, expected {r.expected:.2f} "
            f"(spread {r.expected_sd:.2f}; {r.n:.0f} readings)"
        )
    ratio = dwell["observed"] / dwell["expected"]
    for r in dwell[(dwell["n"] > 0) & ~((ratio > 0.75) & (ratio < 1.33))].itertuples():
        yield (
            f"{r.item} lasts {r.observed:.1f} weeks where it was left ({r.n:.0f} tanks, "
            f"{r.open:.0f} more fell back or stayed), expected {r.expected:.1f}"
        )


def _causes(title: str, rows: pd.DataFrame) -> str:
    error = {"calibration_error": "calibration error|.3f"}
    sure = {"overconfidence": "over-sure by|+.3f"}
    gain = {"gain": "log score gained|+.3f"}
    weights = _kind(rows, "weight")
    weights = weights.assign(item="ω = " + weights["item"])
    less = _gains(rows, "without").sort_values("gain", ascending=False, kind="stable")
    less["spread"] = less["item"].map(_kind(rows, "spread").set_index("item")["ratio"])
    parts = [
        _table(
            f"{title}: evidence weights",
            weights,
            {"item": "weight", "log_score": "log score|.3f", **error, **sure},
        ),
        _table(
            f"{title}: with evidence left out",
            less,
            {"item": "left out", **gain, **error, "spread": "tanks differ by|.1f"},
        ),
        _table(
            f"{title}: brought to what other tanks of this world show",
            _gains(rows, "corrected"),
            {"item": "what", **gain, **error, **sure},
        ),
        f"{plain(title)}: not as the population expects.",
        _items(_unexpected(rows)),
    ]
    return "\n\n".join(parts)


def _doubts(tables: Tables) -> Iterator[str]:
    for r in tables["scores"].itertuples():
        if r.forecaster == TOOL and r.calibration_error > LARGE_ERROR:
            ends = interval(r.calibration_error_low, r.calibration_error_high)
            yield f"{r.case}: calibration error {r.calibration_error:.3f} {ends}"
        if r.forecaster in BASELINES and not r.tool_gain > 0:
            ends = interval(r.tool_gain_low, r.tool_gain_high)
            yield f"{r.case}: no better than {LABELS[r.forecaster]}: {r.tool_gain:+.3f} {ends}"
    ages = tables["by_age"].pivot(index=["case", "from_week"], columns="forecaster")
    last = dict(zip(AGE_BANDS, [*(str(w - 1) for w in AGE_BANDS[1:]), "the end"], strict=True))
    for case in tables["cases"]["case"]:
        for week, r in ages.loc[case].iterrows():
            ours, theirs = r["log_score", TOOL], r["log_score", "age"]
            if r["tank_weeks", TOOL] >= ENOUGH and ours < theirs:
                yield f"{case}: weeks {week} to {last[week]}: {ours:.2f}, age alone {theirs:.2f}"
        bins = tables["reliability"]
        bins = bins[(bins["case"] == case) & (bins["forecaster"] == TOOL)]
        for phase, b in bins.groupby("phase", sort=False):
            stated, observed = (np.average(b[c], weights=b["n"]) for c in ("stated", "observed"))
            if abs(stated - observed) > LARGE_ERROR:
                yield (
                    f"{case}: {phase} is stated too {'often' if stated > observed else 'seldom'}: "
                    f"{100 * stated:.0f} % of weeks, true in {100 * observed:.0f} %"
                )
        causes = tables["causes"][tables["causes"]["case"] == case]
        if len(causes):
            less = _gains(causes, "without")
            for r in less[less["gain"] > MISLEADING].itertuples():
                yield f"{case}: {r.item} mislead: without them the log score is {r.gain:+.3f}"


def _overview(page: Page, rows: pd.DataFrame) -> str:
    by_case = rows.pivot(index="case", columns="forecaster", values="log_score")
    words = "; ".join(
        f"{case}: the program {s[TOOL]:.2f}, age alone {s['age']:.2f}, ceiling {s[CEILING]:.2f}"
        for case, s in by_case.iterrows()
    )
    title = "Log score of every forecaster in every case"
    return page.image("scores.svg", overview(rows), title, words)


def _figures(page: Page, tables: Tables) -> Iterator[str]:
    curves, ages = (tables[name].groupby("case") for name in ("reliability", "by_age"))
    for case, title in tables["cases"][["case", "title"]].itertuples(index=False):
        bins = curves.get_group(case)
        yield page.image(
            f"calibration-{case}.svg",
            calibration(bins[bins["forecaster"] == TOOL]),
            f"{plain(title)}: observed against stated",
            "In percent, in 15 equal bins; the diagonal is perfect.",
        )
        yield page.image(
            f"age-{case}.svg",
            score_by_age(ages.get_group(case)),
            f"{plain(title)}: log score by age",
            "Mean log probability of the true phase; higher is better.",
        )


def build_page(tables: Tables, settings: Settings, command: str) -> Page:
    """Fill in the page from the tables of :func:`.tables.summarize_results`."""
    page = Page(TITLE, command)
    cases, must_hold, causes = tables["cases"], tables["must_hold"], tables["causes"]
    asked = tables["permissions"]
    columns = {"case": "case", "title": "world", "evidence_weight": "evidence weight",
               "ceiling": "ceiling"}  # fmt: skip
    fits = cases.set_index("case")[[FITTED, FITTED_JUDGED]].stack().dropna()
    missed, unknown = missed_criteria(must_hold), int(must_hold["value"].isna().sum())
    page.fill(
        Path(__file__).with_suffix(".md"),
        missed=bullets(f"**{plain(line)}**" for line in missed),
        missed_count=len(missed),
        known=len(must_hold) - unknown,
        unknown=unknown,
        must_hold=_must_hold(must_hold),
        s=settings,
        resamples=RESAMPLES,
        unit=cases["resampled"].iloc[0],
        cases=_table("Cases", cases, columns),
        not_run=plain(", ".join(sorted({c.name for c in every_case()} - set(cases["case"]))))
        or "none",
        fits=_items(f"{case}, {name}: {note}" for (case, name), note in fits.items()),
        overview=_overview(page, tables["scores"]),
        scores=_scores(tables["scores"]),
        figures="\n\n".join(_figures(page, tables)),
        times=_times(tables["time_to_mature"]),
        detection=DETECTION_WEEKS,
        grace=GRACE_WEEKS,
        slips=_slips(tables["slips"]),
        risk=_risk(tables["risk"]),
        most_cycling=100 * MOST_CYCLING,
        least_permitted=100 * LEAST_PERMITTED,
        cycling=round((asked["permitted"] * asked["cycling"]).sum()),
        permitted_weeks=asked["permitted"].sum(),
        permissions_missed=_items(missed_permissions(asked)),
        permissions=_permissions(asked),
        refusals=_refusals(tables["refusals"]),
        causes="\n\n".join(
            _causes(case.title, causes[causes["case"] == case.case])
            for case in cases[cases["case"].isin(causes["case"])].itertuples()
        ),
        doubts=_items(_doubts(tables)),
    )
    return page
