"""The researcher's report on a pooled fit: a page, its figures as files, and tidy CSV."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup

from maturity_model.fitting.pooled_fit import shared_names, stack_chains
from maturity_model.fitting.power_scaling import power_scaling
from maturity_model.fitting.predictive_checks import predictive_checks
from maturity_model.fitting.report import view
from maturity_model.fitting.report.comparison import comparison_view
from maturity_model.fitting.report.learned import learned_sections
from maturity_model.fitting.report.provenance import fit_pairs
from maturity_model.fitting.summary import summarise
from maturity_model.logbook.formulas import without_formula
from maturity_model.report.pages import environment, render
from maturity_model.report.plain_text import cut
from maturity_model.whole_files import write_file

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult

_TEMPLATES = Path(__file__).with_name("templates")


@functools.cache
def _style(name: str) -> str:
    return (_TEMPLATES / name).read_text("utf-8")


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
    names, drift, diagnostics = names_of(result.panel.catalogue), result.drift, result.diagnostics
    record = result.population.provenance
    posterior = result.posterior
    units = [n for n in ("pace", "skill", "tank_sign") if n in posterior]
    draws = stack_chains(posterior, [*shared_names(posterior), *units])
    keepers = tuple(map(str, posterior["keeper"].values)) if "skill" in units else ()
    quantities = summarise(draws, result.prior, result.priors, keepers)
    checks = predictive_checks(result.panel, result.priors, draws)
    scaling = power_scaling(result.population, result.priors, loo.log_likelihood)
    moved = drift.overlaps[["parameter", "shift", "overlap"]]
    mixed = diagnostics.checks[["parameter", "r_hat", "ess_bulk", "ess_tail"]]
    frames = {
        "parameters": quantities.merge(
            moved.rename(columns={"shift": "shift_prior_sd"}), how="left", on="parameter"
        ).merge(mixed, how="left", on="parameter"),
        "predictive": checks,
        "loo": loo.table,
        "drift": drift.phases.drop(columns="most").rename(columns={"moved": "moved_prior_sd"}),
        "power_scaling": scaling.table,
    }
    if comparison is not None:
        frames |= {"comparison": comparison.differences, "comparison_tanks": comparison.by_tank}
    page = view.FitView(
        title=f"Pooled fit: {result.population.name}",
        name=result.population.name,
        size=f"{record.get('tanks', '')} tanks, {record.get('tank_weeks', '')} tank-weeks",
        problems=diagnostics.problems,
        drift=view.drift_tables(drift, names),
        judged=view.judged_words(drift),
        learned=tuple(learned_sections(quantities, names)),
        changed=view.changed_words(drift),
        changes=view.change_table(drift),
        scaling=view.scaling_words(scaling),
        sensitivities=view.sensitivity_tables(scaling),
        outside=view.outside_words(checks),
        checks=tuple(view.check_figures(checks, names)),
        runs=view.run_figure(checks, names),
        elpd=view.elpd_words(loo),
        loo=view.loo_table(loo),
        comparison=None if comparison is None else comparison_view(comparison),
        fit=tuple(fit_pairs(result.population, diagnostics)),
        worst=view.worst_table(diagnostics),
        foot=view.files_words(cut(command, 1000), tuple(frames)),
    )
    (folder / "figures").mkdir(parents=True, exist_ok=True)
    picture = environment(_TEMPLATES).get_template("figure.svg")
    style = Markup(_style("charts.css"))
    for figure in page.figures:
        svg = picture.render(figure=figure, style=style)
        write_file(folder / "figures" / f"{figure.name}.svg", svg)
    for name, frame in frames.items():
        write_csv(folder / f"{name}.csv", frame)
    rules = _style("fit.css") + _style("charts.css")
    html = render("fit.html", page, folder=_TEMPLATES, style=rules)
    write_file(folder / "index.html", html)
    return folder / "index.html"


def write_csv(path: Path, frame: pd.DataFrame) -> None:
    """Write a frame without its index, numbers with six digits; missing values are empty."""

    def safe(cell: object) -> object:
        if isinstance(cell, tuple):
            cell = "; ".join(cell)
        return without_formula(cell) if isinstance(cell, str) else cell

    write_file(path, frame.map(safe).to_csv(index=False, float_format="%.6g", lineterminator="\n"))
