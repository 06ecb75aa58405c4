"""The researcher's report on a pooled fit: a page, its figures as files, and tidy CSV."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from maturity_model.fitting.report.check_figure import check_figure
from maturity_model.fitting.report.comparison_section import (
    comparison_figures,
    comparison_rows,
    comparison_section,
    tank_rows,
)
from maturity_model.fitting.report.interval_figure import (
    FIGURE_CSS,
    Figure,
    Interval,
    interval_figure,
)
from maturity_model.fitting.report.pooled_sections import (
    drift_section,
    fit_section,
    loo_section,
    names_of,
    overlap_section,
    predictive_section,
    quantity_figures,
    verdict_section,
)
from maturity_model.fitting.report.scaling_section import scaling_rows, scaling_section
from maturity_model.report.files import csv_text
from maturity_model.report.html import esc, page, section
from maturity_model.whole_files import write_file

if TYPE_CHECKING:
    from maturity_model.fitting.comparison import Comparison
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.fitting.power_scaling import Sensitivity
    from maturity_model.fitting.predictive_checks import Check
    from maturity_model.fitting.summary import Quantity

_TITLES = {
    "sojourn": ("How long the phases last", "Grey below: the prior. Fast and slow tanks differ "
                "from the usual by the spread of pace."),
    "detection": ("What is seen when", "At a careful look, nothing recorded lately."),
    "persistence": ("What was seen is seen again", "Beyond what the phase explains."),
    "tank_signs": ("Tanks differ in what they show", "Spread over tanks of a tank’s own shift of "
                   "a sign’s log-odds, whatever its phase."),
    "kits": ("Readings", "The spread holds the kit’s noise and what differs between tanks; the "
             "width of a colour step comes on top."),
    "keepers": ("Keepers", "Only the signs that are easy to overlook tell of skill."),
    "events": ("What events do", "1 changes nothing; below 1 on advance slows maturing, above 1 on "
               "setback and collapse is worse. Associations in logs, not experiments."),
    "husbandry": ("Husbandry", "1 changes nothing. Associations in logs, not experiments."),
}  # fmt: skip


def write_pooled_report(
    result: FitResult,
    loo: LeaveOneOut,
    folder: Path,
    command: str,
    comparison: Comparison | None = None,
) -> Path:
    """Write the report.

    Parameters
    ----------
    result : FitResult
    loo : LeaveOneOut
    folder : Path
        Made if it is not there: ``index.html``, ``figures/*.svg``, ``*.csv``.
    command : str
    comparison : Comparison, optional
        With variants of the model.

    Returns
    -------
    Path
        Of the page.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    from maturity_model.fitting.pooled_fit import shared_names, stacked
    from maturity_model.fitting.power_scaling import power_scaling
    from maturity_model.fitting.predictive_checks import predictive_checks
    from maturity_model.fitting.summary import summarise

    posterior, catalogue = result.posterior, result.panel.catalogue
    units = [n for n in ("pace", "skill", "tank_sign") if n in posterior]
    draws = stacked(posterior, [*shared_names(posterior), *units])
    keepers = tuple(str(k) for k in posterior["keeper"].values) if "skill" in units else ()
    quantities = summarise(draws, result.prior, result.priors, keepers)
    checks = predictive_checks(result.panel, result.priors, draws)
    scaling = power_scaling(result.population, result.priors, loo.log_likelihood)
    names = names_of(catalogue)
    figures = quantity_figures(quantities, names)
    figures["predictive"] = _check_figures(checks, names)
    figures["comparison"] = [] if comparison is None else comparison_figures(comparison)
    (folder / "figures").mkdir(parents=True, exist_ok=True)
    for figure in (f for found in figures.values() for f in found):
        write_file(folder / "figures" / f"{figure.name}.svg", figure.svg)
    write_file(folder / "parameters.csv", _parameters(quantities, result.drift, result.diagnostics))
    write_file(folder / "predictive.csv", _predictive(checks))
    write_file(folder / "loo.csv", _loo(loo))
    write_file(folder / "drift.csv", _drift(result.drift))
    write_file(folder / "power_scaling.csv", _csv(*scaling_rows(scaling)))
    if comparison is not None:
        write_file(folder / "comparison.csv", _csv(*comparison_rows(comparison)))
        write_file(folder / "comparison_tanks.csv", _csv(*tank_rows(comparison)))
    html = _page(result, loo, comparison, checks, scaling, figures, names, command)
    write_file(folder / "index.html", html)
    return folder / "index.html"


def _check_figures(checks: Sequence[Check], names: dict[str, str]) -> list[Figure]:
    out = []
    for kind, unit in (("prevalence", "share seen"), ("reading", "median, mg/L")):
        items = dict.fromkeys(c.item for c in checks if c.kind == kind)
        for i, item in enumerate(items):
            # A number, not the name: a club's own sign is named by its log.
            found = [c for c in checks if c.kind == kind and c.item == item]
            out.append(check_figure(f"{kind}_{i + 1:02d}", names.get(item, item), unit, found))
    runs = [c for c in checks if c.kind == "run_length"]
    lines = [
        Interval(names.get(c.item, c.item), "", (c.low, c.middle, c.middle, c.middle, c.high),
                 observed=c.observed)
        for c in runs
    ]  # fmt: skip
    title = "How long signs are seen in a row"
    out.append(interval_figure("run_lengths", title, "answers in a row", lines))
    return [f for f in out if f is not None]


def _page(
    result: FitResult,
    loo: LeaveOneOut,
    comparison: Comparison | None,
    checks: Sequence[Check],
    scaling: Sensitivity,
    figures: dict[str, list[Figure]],
    names: dict[str, str],
    command: str,
) -> str:
    population = result.population
    provenance = dict(population.provenance)
    learned = [
        section(key, title, f"<p>{text}</p>", *(f.html for f in figures[key]))
        for key, (title, text) in _TITLES.items()
        if figures[key]
    ]
    main = "".join(
        [
            verdict_section(result.diagnostics),
            drift_section(result.drift, names),
            *learned,
            overlap_section(result.drift),
            scaling_section(scaling),
            predictive_section(checks, figures["predictive"]),
            loo_section(loo),
            "" if comparison is None else comparison_section(comparison, figures["comparison"]),
            fit_section(provenance, population.evidence_weight, result.diagnostics),
        ]
    )
    header = (
        f"<p>Pooled fit</p><h1>{esc(population.name)}</h1>"
        f"<p>{esc(provenance.get('tanks', ''))} tanks, {esc(provenance.get('tank_weeks', ''))} "
        "tank-weeks. Lines are 5 % to 95 %, bold parts 25 % to 75 %.</p>"
    )
    footer = (
        f"<p>Made by <code>{esc(command, 1000)}</code>. Figures are in the folder figures; numbers "
        "are in parameters.csv, predictive.csv, loo.csv, drift.csv and power_scaling.csv"
        + ("." if comparison is None else ", and in comparison.csv and comparison_tanks.csv.")
        + "</p>"
    )
    return page(f"Pooled fit: {population.name}", header, main, footer, FIGURE_CSS)


def _csv(head: str, rows: Iterable[Sequence[object]]) -> str:
    def cell(value: object) -> str:
        if value is None:
            return ""
        return f"{value:.6g}" if isinstance(value, float) else csv_text(str(value))

    return "\n".join([head, *(",".join(map(cell, row)) for row in rows)]) + "\n"


def _parameters(quantities: Sequence[Quantity], drift: Drift, diagnostics: Diagnostics) -> str:
    from maturity_model.fitting.summary import convergence_of

    mixed = convergence_of(diagnostics)
    moved = {o.name: o for o in drift.overlaps}
    rows = []
    for q in quantities:
        o = moved.get(q.parameter)
        rows.append(
            [
                q.kind, q.item, q.phase, q.unit, q.mean, q.sd, *q.quantiles,
                *(q.prior or [None] * 5), q.parameter,
                *((o.shift, o.overlap) if o else (None, None)),
                *mixed.get(q.parameter, (None, None, None)),
            ]
        )  # fmt: skip
    head = (
        "quantity,item,phase,unit,mean,sd,q05,q25,q50,q75,q95,prior_q05,prior_q25,prior_q50,"
        "prior_q75,prior_q95,parameter,shift_prior_sd,overlap,r_hat,ess_bulk,ess_tail"
    )
    return _csv(head, rows)


def _predictive(checks: Sequence[Check]) -> str:
    return _csv(
        "check,item,week,answers,observed,q05,q50,q95,p",
        (
            [c.kind, c.item, c.week, c.answers, c.observed, c.low, c.middle, c.high, c.p]
            for c in checks
        ),
    )


def _loo(loo: LeaveOneOut) -> str:
    columns = (loo.checkins, loo.elpd, loo.in_sample, loo.khat)
    return _csv(
        "tank,weeks_with_checkin,elpd,in_sample,khat",
        ([t, int(w), float(e), float(s), float(k)]
         for t, w, e, s, k in zip(loo.tanks, *columns, strict=True)),
    )  # fmt: skip


def _drift(drift: Drift) -> str:
    return _csv(
        "phase,moved_prior_sd,own_share,nearest_other,margin",
        ([p.phase, p.moved, p.own_share, p.nearest_other, p.margin] for p in drift.phases),
    )
