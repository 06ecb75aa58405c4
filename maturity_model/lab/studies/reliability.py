"""Whether stated probabilities come true, and whether they beat simpler ways of judging."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from maturity_model.lab.page import Page, bullets, markdown_table
from maturity_model.lab.studies.baselines import LATELY
from maturity_model.lab.studies.reliability_forecasts import (
    ALL,
    DRAWN,
    HALVES,
    QUIET,
    RISKS,
    TARGETS,
    TRAINING,
    TRAINING_CLUBS,
    forecasts_of,
)
from maturity_model.lab.studies.scores import (
    BASELINES,
    BINS,
    RESAMPLED,
    brier_by_club,
    calibration_error,
    reliability_curve,
    skill_intervals,
    skill_of_knowing,
    skills,
)
from maturity_model.lab.studies.settings import Reliability
from maturity_model.lab.tasks import Say, run_tasks, silent

#: Clubs of each half; a club has one draw of the parameters.
CLUBS = 30
#: Nearly all risks of slipping lie in the lowest of :data:`BINS`, so these are looked at too.
FINE = 10 * BINS
#: Wanted: a smaller calibration error than this, and skill above 0.
LARGEST_ERROR = 0.03
#: A dot is drawn for at least as many forecasts.
FEWEST = 20
#: What each baseline is called in the tables.
_CALLED = {
    "age": "age",
    "readings": "readings, filtered",
    "readings_table": "readings, table",
    "checklist": "checklist",
}
_TITLES = {
    "phase": "P(phase), filtered",
    **{name: f"P(slipping back within {h} weeks)" for name, h in RISKS.items()},
}
_KEY = ["half", "target", "weeks"]


def _scores(forecasts: pd.DataFrame, seed: int) -> dict[str, float]:
    # The scores of one half, target and choice of weeks.
    phases = forecasts["target"].iloc[0] == "phase"
    # Every tank is in one phase each week.
    weeks = round(forecasts["chance"].sum()) if phases else len(forecasts)
    out = {
        "forecasts": weeks,
        "stated": forecasts["stated"].mean(),
        "observed": forecasts["chance"].mean(),
        "calibration_error": calibration_error(forecasts["stated"], forecasts["chance"]),
        "brier": brier_by_club(forecasts)["stated"].sum() / weeks,
    }
    intervals = skill_intervals(forecasts, seed)
    for name, skill in skills(forecasts).items():
        out[f"skill_{name}"] = skill
        out[f"skill_{name}_low"], out[f"skill_{name}_high"] = intervals.loc[name]
    return {**out, "skill_true_phase_against_age": skill_of_knowing(forecasts)}


def summarise(forecasts: pd.DataFrame, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Scores and reliability curves by half, target and choice of weeks, as in the CSV files."""
    scores, curves = [], []
    for (target, weeks), rows in forecasts.groupby(["target", "weeks"], sort=False):
        both = rows.assign(half="both", club=rows.groupby(["half", "club"]).ngroup())
        for half, part in pd.concat([rows, both]).groupby("half", sort=False):
            key = {"half": half, "target": target, "weeks": weeks}
            scores.append({**key, **_scores(part, seed)})
            for bins in (BINS,) if target == "phase" else (BINS, FINE):
                curve = reliability_curve(part, bins, seed)
                curves.append(pd.DataFrame({**key, "bins": bins, **curve}))
    return pd.DataFrame(scores), pd.concat(curves, ignore_index=True)


def run(
    setting: Reliability,
    work: Path | None = None,
    processes: int = 1,
    say: Say = silent,
    *,
    clubs: int = CLUBS,
    training: int = TRAINING,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Simulate, forecast and score both halves: scores and curves, as of :func:`summarise`.

    ``clubs`` are those of each half, ``training`` the further tanks of each half for the frequency
    tables.

    Raises
    ------
    ValueError
        When there are fewer tanks than clubs.
    """
    if setting.tanks // 2 < clubs:
        raise ValueError(f"{setting.tanks} tanks are too few for two halves of {clubs} clubs")
    tasks = {
        half.name: (
            half, setting.tanks // 2, setting.weeks, setting.seed * 10 + 2 * i, clubs, training,
        )
        for i, half in enumerate(HALVES)
    }  # fmt: skip
    parts = run_tasks(forecasts_of, tasks, folder=work, processes=processes, say=say)
    return summarise(pd.concat(parts.values(), ignore_index=True), setting.seed)


def read(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The committed scores and curves."""
    return pd.read_csv(folder / "scores.csv"), pd.read_csv(folder / "reliability.csv")


def wanted(target: str, weeks: str) -> tuple[str, ...]:
    """Baselines that must be beaten.

    The phase is weighed against all. The risk of slipping back is stated for weeks without
    further events, so it is weighed there, and against frequency tables.
    """
    if target == "phase":
        return BASELINES
    return ("age", "readings_table", "checklist") if weeks == QUIET else ()


def missed(scores: pd.DataFrame) -> list[str]:
    """Each target that is missed, in words."""
    out = []
    for row in scores.to_dict("records"):
        name = f"{row['target']}, {row['half']}, weeks: {row['weeks']}"
        if not row["calibration_error"] < LARGEST_ERROR:
            out.append(f"{name}: calibration error {row['calibration_error']:.4f}")
        out += [
            f"{name}: skill {row[f'skill_{baseline}']:+.4f} against {_CALLED[baseline]}"
            for baseline in wanted(row["target"], row["weeks"])
            if not row[f"skill_{baseline}"] > 0
        ]
    return out


def summary(results: tuple[pd.DataFrame, pd.DataFrame], setting: Reliability) -> list[str]:
    """What is missed."""
    return [f"missed: {miss}" for miss in missed(results[0])]


def drawn(curves: pd.DataFrame, target: str) -> pd.DataFrame:
    """The dots of a target's figure: bins with enough forecasts, of the weeks it is stated for."""
    weeks, bins = (ALL, BINS) if target == "phase" else (QUIET, FINE)
    on = (curves["target"] == target) & (curves["weeks"] == weeks) & (curves["bins"] == bins)
    return curves[on & (curves["n"] >= FEWEST) & (curves["half"] != "both")]


def curves_figure(dots: pd.DataFrame) -> Figure:
    """Observed frequency against stated probability, a panel for each half."""
    # Nothing is larger than NaN, the largest of no dots.
    largest = dots[["stated", "observed"]].max(axis=None)
    top = next(t for t in (0.1, 0.2, 0.4, 0.6, 0.8, 1.0) if not largest > t)
    figure = Figure((8.5, 4.4), layout="constrained")
    panels = figure.subplots(1, len(HALVES), sharex=True, sharey=True)
    for half, panel in zip(HALVES, panels, strict=True):
        own = dots[dots["half"] == half.name]
        panel.plot([0, top], [0, top], ls="--", color="0.6", lw=1)
        panel.vlines(own["stated"], own["observed_low"], own["observed_high"], color="C0", lw=1)
        # The area of a dot goes with the square root of its forecasts: they span decades.
        size = 10 + 60 * np.sqrt(own["n"] / own["n"].max())
        panel.plot(own["stated"], own["observed"], color="C0", lw=1)
        panel.scatter(own["stated"], own["observed"], s=size, color="C0")
        panel.set(xlim=(0, top), ylim=(0, top), aspect="equal", xlabel="stated")
        panel.set_title(f"{half.name}, ω = {half.weight:g}")
        for axis in (panel.xaxis, panel.yaxis):
            axis.set_major_formatter(lambda p, _: f"{100 * p:g} %")
    panels[0].set_ylabel("observed")
    return figure


def _figure(page: Page, scores: pd.DataFrame, curves: pd.DataFrame, target: str) -> str:
    weeks, bins = (ALL, BINS) if target == "phase" else (QUIET, FINE)
    which = "" if weeks == ALL else ", weeks without further events"
    error = scores.set_index(_KEY)["calibration_error"]
    errors = [
        f"{half.name}: expected calibration error {error[half.name, target, weeks]:.4f} over "
        f"{BINS} bins"
        for half in HALVES
    ]
    return page.image(
        f"{target}.svg",
        curves_figure(drawn(curves, target)),
        f"Reliability of {_TITLES[target]}{which}",
        f"Observed frequency against stated probability in {bins} equal bins; the diagonal is "
        f"perfect. {'; '.join(errors)}.",
    )


def _table(scores: pd.DataFrame, curves: pd.DataFrame, target: str) -> pd.DataFrame:
    own = scores[scores["target"] == target].copy()
    digits = 2 if target == "phase" else 4
    table = pd.DataFrame({"tanks": own["half"], "weeks": own["weeks"]})
    table["tank-weeks"] = own["forecasts"]
    table["calibration error"] = own["calibration_error"].map("{:.4f}".format)
    if target != "phase":
        mean = own[["stated", "observed"]].map(lambda x: f"{100 * x:.2f} %")
        table.insert(3, "stated / observed", mean["stated"] + " / " + mean["observed"])
        fine = curves[(curves["bins"] == FINE) & (curves["target"] == target)]
        gap = ((fine["stated"] - fine["observed"]).abs() * fine["n"]).groupby(
            [fine["half"], fine["weeks"]]
        )
        error = gap.sum() / fine.groupby(["half", "weeks"])["n"].sum()
        at = pd.MultiIndex.from_frame(own[["half", "weeks"]])
        table["calibration error"] += [f" ({x:.4f})" for x in error.loc[at]]
    for name, called in _CALLED.items():
        cells = own[[f"skill_{name}{end}" for end in ("", "_low", "_high")]].itertuples(index=False)
        form = f"{{:+.{digits}f}} ({{:+.{digits}f}} to {{:+.{digits}f}})"
        table[f"against {called}"] = [form.format(*row) for row in cells]
    knowing = own["skill_true_phase_against_age"].map(f"{{:+.{digits}f}}".format)
    table["*knowing the phase, against age*"] = knowing
    return table


def page(results: tuple[pd.DataFrame, pd.DataFrame], setting: Reliability) -> Page:
    """``scores.csv``, ``reliability.csv``, a figure for each target, and what they say."""
    scores, curves = results
    misses = bullets(f"**{miss}**" for miss in missed(scores))
    page = Page("Do the stated probabilities come true?", setting.command)
    targets = [
        f"## {_TITLES[target]}\n\n{_figure(page, scores, curves, target)}\n\n"
        + markdown_table(_table(scores, curves, target))
        for target in TARGETS
    ]
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        halves=HALVES,
        clubs=CLUBS,
        largest_error=LARGEST_ERROR,
        bins=BINS,
        fine=FINE,
        verdict=f"**Missed:**\n\n{misses}" if missed(scores) else "All of these are reached.",
        all=ALL,
        quiet=QUIET,
        drawn=DRAWN,
        training=TRAINING,
        training_clubs=TRAINING_CLUBS,
        lately=LATELY,
        resampled=RESAMPLED,
        fewest=FEWEST,
        targets="\n\n".join(targets),
    )
    page.csv("scores.csv", scores, dict.fromkeys(scores.columns[4:], "{:.5f}"))
    page.csv("reliability.csv", curves, dict.fromkeys(curves.columns[5:9], "{:.5f}"))
    return page
