"""Figures of a validation, drawn from its tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from maturity_model.lab.validation.forecasters import FITTED, FITTED_JUDGED, LOOKS, TOOL

#: A dot of a calibration curve stands for at least this many forecasts.
MIN_FORECASTS = 20


def _calibration_curve(axes: Axes, bins: pd.DataFrame, title: str) -> None:
    look = LOOKS[TOOL]
    shown = bins[bins["n"] >= MIN_FORECASTS]
    axes.plot([0, 100], [0, 100], "--", color="#999", linewidth=0.8)
    axes.plot(100 * shown["stated"], 100 * shown["observed"], color=look.colour, linewidth=0.8)
    # The numbers of forecasts span decades: the area of a dot goes with their square root.
    area = 60 * np.sqrt(shown["n"] / shown["n"].max())
    axes.scatter(
        100 * shown["stated"], 100 * shown["observed"], area, look.colour, marker=look.marker
    )
    axes.set(title=title, xlim=(-3, 103), ylim=(-3, 103), aspect="equal", xlabel="forecast, %")


def calibration(reliability: pd.DataFrame) -> Figure:
    """Draw frequency against forecast probability: all phases, then each.

    From :func:`.tables.reliability` of one case and the program.
    """
    n, means = reliability["n"], reliability[["stated", "observed"]]
    sums = means.mul(n, axis=0).assign(n=n).groupby(reliability["bin"]).sum()
    every = sums.div(sums["n"], axis=0).assign(n=sums["n"])
    phases = list(reliability.groupby("phase", sort=False))
    figure = Figure(figsize=(2.6 * (1 + len(phases)), 3), layout="constrained")
    axes = figure.subplots(1, 1 + len(phases), sharey=True)
    axes[0].set_ylabel("came true, %")
    for ax, (phase, bins) in zip(axes, [("all phases", every), *phases], strict=True):
        _calibration_curve(ax, bins, phase)
    return figure


def score_by_age(by_age: pd.DataFrame) -> Figure:
    """Draw the log score of every forecaster by band of age, from :func:`.tables.by_age`."""
    figure = Figure(figsize=(8, 4), layout="constrained")
    axes = figure.subplots()
    starts = sorted(by_age["from_week"].unique())
    for name, rows in by_age.groupby("forecaster", sort=False):
        look = LOOKS[str(name)]
        at = [starts.index(week) for week in rows["from_week"]]
        axes.plot(at, rows["log_score"], look.marker + "-", color=look.colour, label=look.label)
    axes.set_xticks(range(len(starts)), [str(week) for week in starts])
    axes.set(xlabel="from week", ylabel="log score", ylim=(None, 0))
    axes.grid(axis="y", color="#ddd")
    figure.legend(loc="outside right upper", frameon=False)
    return figure


def overview(scores: pd.DataFrame) -> Figure:
    """Draw the log score of every forecaster in every case, from :func:`.tables.scores`."""
    cases = list(scores["case"].unique())
    figure = Figure(figsize=(9, 1.2 + 0.3 * len(cases)), layout="constrained")
    axes = figure.subplots()
    for name, look in LOOKS.items():
        rows = scores[scores["forecaster"] == name]
        if rows.empty:
            continue
        at = [cases.index(case) for case in rows["case"]]
        if name in (TOOL, FITTED, FITTED_JUDGED):
            axes.hlines(at, rows["log_score_low"], rows["log_score_high"], look.colour)
        axes.plot(rows["log_score"], at, look.marker, color=look.colour, label=look.label)
    axes.set_yticks(range(len(cases)), cases)
    axes.set(xlabel="mean log probability of the true phase; right is better", xlim=(None, 0))
    axes.invert_yaxis()
    axes.grid(axis="x", color="#ddd")
    figure.legend(loc="outside upper center", ncols=4, frameon=False)
    return figure
