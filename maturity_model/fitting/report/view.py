"""What the researcher's report shows: words, numbers and figures, no HTML."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from maturity_model.fitting.power_scaling import NOTABLE, RELIABLE
from maturity_model.fitting.report.comparison import ComparisonView
from maturity_model.fitting.report.figures import Figure, check_figure, interval_figure
from maturity_model.fitting.report.learned import Learned
from maturity_model.fitting.report.tables import signed, table
from maturity_model.report.views.tables import Table
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    import pandas as pd

    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.power_scaling import Sensitivity

#: Rows of tables that show the worst only; the CSV has all.
MAX_WORST = 15


@dataclass(frozen=True)
class FitView:
    """The page; each section's part is named after it."""

    title: str
    name: str
    size: str
    problems: tuple[str, ...]
    drift: tuple[Table, Table]
    judged: str
    learned: tuple[Learned, ...]
    changed: str
    changes: Table
    scaling: str
    sensitivities: tuple[Table, ...]
    outside: str
    checks: tuple[Figure, ...]
    runs: Figure | None
    elpd: str
    loo: Table
    comparison: ComparisonView | None
    fit: tuple[tuple[str, str], ...]
    worst: Table
    foot: str

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


def drift_tables(drift: Drift, names: Mapping[str, str]) -> tuple[Table, Table]:
    """How far each phase moved, and how far fitted phases are apart."""

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


def judged_words(drift: Drift) -> str:
    """What signs and readings alone said of phases that were then judged."""
    j = drift.judged
    if j is None:
        return "No phase was judged, so the log cannot say whether they kept their meaning."
    return (
        f"{plural(j.judgements, 'judgement')} of {plural(j.tanks, 'tank')}: signs and "
        f"readings alone gave what was then judged {100 * j.observed:.0f} % on average, where "
        f"{100 * j.expected:.0f} % was to be expected of judges as accurate as the catalogue "
        f"has them (standard error {100 * j.standard_error:.1f})."
    )


def changed_words(drift: Drift) -> str:
    """How many parameters the data hardly moved."""
    little = int((drift.overlaps["overlap"] > 0.9).sum())
    return (
        f"Of {plural(len(drift.overlaps), 'shared parameter')}, {little} kept more than 90 % of "
        "their prior: of those the log says next to nothing, and the answer is practice’s."
    )


def change_table(drift: Drift) -> Table:
    """Parameters that the data changed most."""
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


def scaling_words(sensitivity: Sensitivity) -> str:
    """How many parameters rest on the prior, and whether that can be relied on."""
    said = sensitivity.table["diagnosis"]
    prior_led, torn = (
        int((said == words).sum()) for words in ("the prior decides", "prior and data disagree")
    )
    # "not <=" also catches NaN.
    doubt = (
        f" Pareto k̂ of the weights is {sensitivity.khat:.2f}, above {RELIABLE:g}: do not rely on "
        "this table."
        if not sensitivity.khat <= RELIABLE
        else ""
    )
    return (
        "The prior, or the likelihood, of what tanks share was raised to a power slightly "
        f"beside 1; a sensitivity is how fast a parameter then moves, and from {NOTABLE:g} on it "
        f"is worth a look. Of {plural(len(said), 'parameter')}, the prior decides "
        f"{prior_led}, and on {torn} prior and data disagree.{doubt}"
    )


def sensitivity_tables(sensitivity: Sensitivity) -> tuple[Table, ...]:
    """Parameters most sensitive to the prior, and to the data."""
    captions = {
        "prior_sensitivity": "Most sensitive to the prior; all are in power_scaling.csv",
        "likelihood_sensitivity": "Most sensitive to the data",
    }
    return tuple(
        table(
            caption,
            sensitivity.table.nlargest(MAX_WORST, by),
            {
                "Parameter": lambda p: p.parameter,
                "To the prior": lambda p: f"{p.prior_sensitivity:.2f}",
                "To the data": lambda p: f"{p.likelihood_sensitivity:.2f}",
                "Diagnosis": lambda p: p.diagnosis,
            },
        )
        for by, caption in captions.items()
    )


def outside_words(checks: pd.DataFrame) -> str:
    """How many statistics of the log lie outside what the fit draws."""
    outside = int((~checks["observed"].between(checks["q05"], checks["q95"])).sum())
    return (
        f"{outside} of {len(checks)} rings lie outside their bar; about {len(checks) / 10:.0f} "
        "would if the model were true."
    )


def check_figures(checks: pd.DataFrame, names: Mapping[str, str]) -> Iterator[Figure]:
    """Checks of each sign and analyte by age."""
    for kind, unit in (("prevalence", "share seen"), ("reading", "median, mg/L")):
        by_item = checks[checks["check"] == kind].groupby("item", sort=False)
        for i, (item, by_age) in enumerate(by_item, start=1):
            # A number, not the name: a club's own sign is named by its log.
            yield check_figure(f"{kind}_{i:02d}", names.get(item, item), unit, by_age)


def run_figure(checks: pd.DataFrame, names: Mapping[str, str]) -> Figure | None:
    """How many answers in a row see each sign."""
    rows = checks[checks["check"] == "run_length"]
    rows = rows.assign(item=rows["item"].map(lambda name: names.get(name, name)))
    title = "How long signs are seen in a row"
    return interval_figure("run_lengths", title, "answers in a row", rows, {"Sign": "item"})


def elpd_words(loo: LeaveOneOut) -> str:
    """How well the others predict each tank, and whether that can be trusted."""
    bad = loo.unreliable()
    trust = (
        f"For {plural(len(bad), 'tank')} Pareto k̂ is above {loo.limit:.2f}: its score cannot be "
        "trusted, nor can the sum."
        if bad
        else f"Pareto k̂ is below {loo.limit:.2f} for every tank."
    )
    return (
        f"ELPD {loo.total:.1f} (standard error {loo.standard_error:.1f} over tanks); "
        f"effective parameters {loo.effective_parameters:.1f}. {trust}"
    )


def loo_table(loo: LeaveOneOut) -> Table:
    """Scores of each tank."""
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


def worst_table(diagnostics: Diagnostics) -> Table:
    """Parameters that mixed worst."""
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


def files_words(command: str, csv_files: Sequence[str]) -> str:
    """How the page was made, and where its numbers are."""
    *others, last = (f"{name}.csv" for name in csv_files)
    return (
        f"Made by {command}. Figures are in the folder figures; numbers are in "
        f"{', '.join(others)} and {last}."
    )
