"""What the researcher's report shows: words, numbers and figures, no HTML."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from maturity_model.fitting.report.comparison import ComparisonView, comparison_view
from maturity_model.fitting.report.figures import Figure, check_figure, interval_figure
from maturity_model.fitting.report.learned import Learned, learned_sections
from maturity_model.fitting.report.provenance import fit_pairs
from maturity_model.fitting.report.tables import signed, table
from maturity_model.report.plain_text import cut
from maturity_model.report.views.tables import Table

if TYPE_CHECKING:
    import pandas as pd

    from maturity_model.catalogue import Catalogue
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.power_scaling import Sensitivity
    from maturity_model.fitting.report.analyses import Analyses

#: Rows of tables that show the worst only; the CSV has all.
MAX_WORST = 15


@dataclass(frozen=True)
class FitView:
    """The page: words and figures; single numbers it takes from what was ``found``.

    ``little``, ``prior_led`` and ``torn`` count parameters: those that kept more than 90 % of their
    prior, that the prior decides, and on which prior and data disagree; ``outside`` counts
    statistics of the log outside what the fit draws.
    """

    title: str
    name: str
    foot: str
    found: Analyses
    drift: tuple[Table, ...]
    learned: tuple[Learned, ...]
    changes: Table
    sensitivities: tuple[Table, ...]
    checks: tuple[Figure, ...]
    runs: Figure | None
    loo: Table
    comparison: ComparisonView | None
    fit: tuple[tuple[str, str], ...]
    worst: Table
    little: int
    prior_led: int
    torn: int
    outside: int

    @property
    def figures(self) -> Iterator[Figure]:
        """All figures of the page."""
        for section in self.learned:
            yield from section.figures
        yield from self.checks
        if self.runs is not None:
            yield self.runs
        if self.comparison is not None:
            yield from self.comparison.figures


def fit_view(found: Analyses, command: str) -> FitView:
    """What the page shows; it ends with the command that made the fit."""
    fit, drift, checks = found.fit, found.fit.drift, found.checks
    name, names = fit.population.name, _names(fit.panel.catalogue)
    diagnosis = found.scaling.table["diagnosis"]
    *others, last = (f"{file}.csv" for file in found.frames())
    return FitView(
        title=f"Pooled fit: {name}",
        name=name,
        foot=f"Made by {cut(command, 1000)}. Figures are in the folder figures; numbers are in "
        f"{', '.join(others)} and {last}.",
        found=found,
        drift=_drift_tables(drift, names),
        learned=tuple(learned_sections(found.quantities, names)),
        changes=_changes(drift),
        sensitivities=tuple(_sensitivities(found.scaling)),
        checks=tuple(_check_figures(checks, names)),
        runs=_runs(checks, names),
        loo=_loo_table(found.loo),
        comparison=None if found.comparison is None else comparison_view(found.comparison),
        fit=tuple(fit_pairs(fit.population, fit.diagnostics)),
        worst=_worst(fit.diagnostics),
        little=int((drift.overlaps["overlap"] > 0.9).sum()),
        prior_led=int((diagnosis == "the prior decides").sum()),
        torn=int((diagnosis == "prior and data disagree").sum()),
        outside=int((~checks["observed"].between(checks["q05"], checks["q95"])).sum()),
    )


def _names(catalogue: Catalogue) -> dict[str, str]:
    # Labels of everything that the catalogue names.
    parts = (catalogue.phases, catalogue.signs, catalogue.analytes, catalogue.events)
    labels = {name: entry.label for part in parts for name, entry in part.items()}
    return labels | {name: c.label for name, c in catalogue.husbandry.items()}


def _drift_tables(drift: Drift, names: Mapping[str, str]) -> tuple[Table, ...]:
    # How far each phase moved, and how far fitted phases are apart.
    def named(key: str) -> str:
        return names.get(key, key)

    def most(p: Any) -> str:
        return ", ".join(f"{named(name)} {signed(by, 1)}" for name, by in p.most[:3])

    moved = table(
        "Fitted tables of signs and readings against the catalogue’s",
        drift.phases,
        {
            "Phase": lambda p: named(p.phase),
            "Moved (prior sd)": lambda p: f"{p.moved:.2f}",
            "Looks like itself": lambda p: f"{100 * p.own_share:.0f} %",
            "Next (margin)": lambda p: f"{named(p.nearest_other)} ({p.margin:.2f})",
            "Moved most": most,
        },
    )
    phases = [named(phase) for phase in drift.phases["phase"]]
    apart = Table(
        "Distance between fitted phases, as a share of that in the catalogue",
        ("Phase", *phases),
        tuple(
            (p, *(f"{x:.2f}" for x in row)) for p, row in zip(phases, drift.separation, strict=True)
        ),
    )
    return moved, apart


def _changes(drift: Drift) -> Table:
    # Parameters that the data changed most.
    return table(
        "Changed most; all are in parameters.csv",
        drift.overlaps.nsmallest(MAX_WORST, "overlap"),
        {
            "Parameter": lambda o: o.parameter,
            "Overlap with the prior": lambda o: f"{100 * o.overlap:.0f} %",
            "Moved (prior sd)": lambda o: signed(o.shift, 2),
            "sd, posterior / prior": lambda o: f"{o.sd / o.prior_sd:.2f}",
        },
    )


def _sensitivities(sensitivity: Sensitivity) -> Iterator[Table]:
    # Parameters most sensitive to the prior, and to the data.
    columns: dict[str, Callable[[Any], str]] = {
        "Parameter": lambda p: p.parameter,
        "To the prior": lambda p: f"{p.prior_sensitivity:.2f}",
        "To the data": lambda p: f"{p.likelihood_sensitivity:.2f}",
        "Diagnosis": lambda p: p.diagnosis,
    }
    for by, caption in (
        ("prior_sensitivity", "Most sensitive to the prior; all are in power_scaling.csv"),
        ("likelihood_sensitivity", "Most sensitive to the data"),
    ):
        yield table(caption, sensitivity.table.nlargest(MAX_WORST, by), columns)


def _check_figures(checks: pd.DataFrame, names: Mapping[str, str]) -> Iterator[Figure]:
    # Checks of each sign and analyte by age.
    for kind, unit in (("prevalence", "share seen"), ("reading", "median, mg/L")):
        by_item = checks[checks["check"] == kind].groupby("item", sort=False)
        for i, (item, by_age) in enumerate(by_item, start=1):
            # A number, not the name: a club's own sign is named by its log.
            yield check_figure(f"{kind}_{i:02d}", names.get(item, item), unit, by_age)


def _runs(checks: pd.DataFrame, names: Mapping[str, str]) -> Figure | None:
    # How many answers in a row see each sign.
    rows = checks[checks["check"] == "run_length"]
    rows = rows.assign(item=rows["item"].map(lambda name: names.get(name, name)))
    title = "How long signs are seen in a row"
    return interval_figure("run_lengths", title, "answers in a row", rows, {"Sign": "item"})


def _loo_table(loo: LeaveOneOut) -> Table:
    # Scores of each tank.
    return table(
        "Log predictive density of each tank’s log",
        loo.table,
        {
            "Tank": lambda t: t.tank,
            "Weeks with check-in": lambda t: str(t.weeks_with_checkin),
            "Others": lambda t: f"{t.elpd:.1f}",
            "All": lambda t: f"{t.in_sample:.1f}",
            "k̂": lambda t: f"{t.khat:.2f}",
        },
    )


def _worst(diagnostics: Diagnostics) -> Table:
    # Parameters that mixed worst.
    return table(
        "Largest R-hat; all parameters are in parameters.csv",
        diagnostics.checks.nlargest(MAX_WORST, "r_hat"),
        {
            "Parameter": lambda c: c.parameter,
            "R-hat": lambda c: f"{c.r_hat:.3f}",
            "Effective draws, middle": lambda c: f"{c.ess_bulk:.0f}",
            "Tails": lambda c: f"{c.ess_tail:.0f}",
        },
    )
