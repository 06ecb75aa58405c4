"""The researcher's report on a pooled fit: a page, its figures as files, and tidy CSV."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from maturity_model.fitting.report import sections, tables
from maturity_model.fitting.report.comparison_section import comparison_figures, comparison_section
from maturity_model.fitting.report.figures import (
    FIGURE_CSS,
    Figure,
    Interval,
    check_figure,
    interval_figure,
)
from maturity_model.fitting.report.learned_sections import learned_sections, quantity_figures
from maturity_model.report.html import esc, page
from maturity_model.whole_files import write_file

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.fitting.predictive_checks import Check


def names_of(catalogue: Catalogue) -> dict[str, str]:
    """Labels of everything that the catalogue names."""
    parts = (catalogue.phases, catalogue.signs, catalogue.analytes, catalogue.events)
    labels = {name: entry.label for part in parts for name, entry in part.items()}
    return labels | {name: c.label for name, c in catalogue.husbandry.items()}


def write_report(
    result: FitResult,
    loo: LeaveOneOut,
    folder: Path,
    command: str,
    comparison: Comparison | None = None,
) -> Path:
    """Write ``index.html``, ``figures/*.svg`` and ``*.csv`` into a folder; the path of the page.

    The command that made the fit stands at the end of the page; the comparison is with variants of
    the model.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    from maturity_model.fitting.pooled_fit import shared_names, stack_chains
    from maturity_model.fitting.power_scaling import power_scaling
    from maturity_model.fitting.predictive_checks import predictive_checks
    from maturity_model.fitting.summary import summarise

    posterior, names = result.posterior, names_of(result.panel.catalogue)
    units = [n for n in ("pace", "skill", "tank_sign") if n in posterior]
    draws = stack_chains(posterior, [*shared_names(posterior), *units])
    keepers = tuple(map(str, posterior["keeper"].values)) if "skill" in units else ()
    quantities = summarise(draws, result.prior, result.priors, keepers)
    checks = predictive_checks(result.panel, result.priors, draws)
    scaling = power_scaling(result.population, result.priors, loo.log_likelihood)
    learned = quantity_figures(quantities, names)
    checked = _check_figures(checks, names)
    compared = [] if comparison is None else comparison_figures(comparison)
    frames = {
        "parameters": tables.parameter_table(quantities, result.drift, result.diagnostics),
        "predictive": pd.DataFrame(checks),
        "loo": tables.loo_table(loo),
        "drift": tables.drift_table(result.drift),
        "power_scaling": tables.scaling_table(scaling),
    }
    if comparison is not None:
        frames["comparison"] = tables.comparison_table(comparison)
        frames["comparison_tanks"] = tables.comparison_by_tank(comparison)
    main = (
        sections.verdict_section(result.diagnostics)
        + sections.drift_section(result.drift, names)
        + learned_sections(learned)
        + sections.overlap_section(result.drift)
        + sections.scaling_section(scaling)
        + sections.predictive_section(checks, checked)
        + sections.loo_section(loo)
        + ("" if comparison is None else comparison_section(comparison, compared))
        + sections.fit_section(result.population, result.diagnostics)
    )
    (folder / "figures").mkdir(parents=True, exist_ok=True)
    for figure in (*(f for figures in learned.values() for f in figures), *checked, *compared):
        write_file(folder / "figures" / f"{figure.name}.svg", figure.svg)
    for name, frame in frames.items():
        tables.write_csv(folder / f"{name}.csv", frame)
    write_file(folder / "index.html", _page(result, main, command, comparison is not None))
    return folder / "index.html"


def _check_figures(checks: Sequence[Check], names: dict[str, str]) -> list[Figure]:
    figures = []
    for kind, unit in (("prevalence", "share seen"), ("reading", "median, mg/L")):
        items = dict.fromkeys(c.item for c in checks if c.check == kind)
        for i, item in enumerate(items, start=1):
            # A number, not the name: a club's own sign is named by its log.
            by_age = [c for c in checks if c.check == kind and c.item == item]
            title = names.get(item, item)
            figures.append(check_figure(f"{kind}_{i:02d}", title, unit, by_age))
    lines = [
        Interval(names.get(c.item, c.item), "", (c.q05, c.q50, c.q50, c.q50, c.q95),
                 observed=c.observed)
        for c in checks
        if c.check == "run_length"
    ]  # fmt: skip
    title = "How long signs are seen in a row"
    runs = interval_figure("run_lengths", title, "answers in a row", lines)
    return figures if runs is None else [*figures, runs]


def _page(result: FitResult, main: str, command: str, compared: bool) -> str:
    name, said = result.population.name, result.population.provenance
    header = (
        f"<p>Pooled fit</p><h1>{esc(name)}</h1>"
        f"<p>{esc(said.get('tanks', ''))} tanks, {esc(said.get('tank_weeks', ''))} "
        "tank-weeks. Lines are 5 % to 95 %, bold parts 25 % to 75 %.</p>"
    )
    footer = (
        f"<p>Made by <code>{esc(command, 1000)}</code>. Figures are in the folder figures; numbers "
        "are in parameters.csv, predictive.csv, loo.csv, drift.csv and power_scaling.csv"
        + (", and in comparison.csv and comparison_tanks.csv." if compared else ".")
        + "</p>"
    )
    return page(f"Pooled fit: {name}", header, main, footer, FIGURE_CSS)
