"""Sections of the researcher's report on a pooled fit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from maturity_model.fitting.report.interval_figure import (
    Figure,
    Interval,
    interval_figure,
    number,
)
from maturity_model.report.html import as_table, definitions, esc, section, table, unordered
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.catalogue import Catalogue
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.predictive_checks import Check
    from maturity_model.fitting.summary import Quantity

#: Rows of tables that show the worst only; the CSV has all.
MAX_WORST = 15


def names_of(catalogue: Catalogue) -> dict[str, str]:
    """Labels of everything that the catalogue names."""
    out: dict[str, str] = {}
    for part in (catalogue.phases, catalogue.signs, catalogue.analytes, catalogue.events):
        out |= {name: entry.label for name, entry in part.items()}
    return out | {name: c.label for name, c in catalogue.husbandry.items()}


def verdict_section(diagnostics: Diagnostics) -> str:
    """Whether the fit may be used, first of all."""
    if diagnostics.ok:
        text = "<p>Every check was passed: convergence, drift of the phases, judgements.</p>"
        return section("verdict", "May it be used?", text)
    said = unordered(f"{esc(p, 600)}." for p in diagnostics.problems)
    return section(
        "verdict",
        "May it be used?",
        f'<div class="caution urgent"><h3>Checks failed</h3>{said}<p>Every report that uses this '
        "population says so.</p></div>",
    )


def _use(provenance: dict[str, str]) -> list[tuple[str, str]]:
    # What the weekly path gets, where it differs from what was fitted.
    rows = []
    if "weekly_evidence_weight" in provenance:
        why = ""
        if "evidence_weight_chosen_by" in provenance:
            why = f", chosen by {esc(provenance['evidence_weight_chosen_by'])}"
        if "sign_shift_variance" in provenance:
            why += f"; variance of the shifts {esc(provenance['sign_shift_variance'])}"
        weight = esc(provenance["weekly_evidence_weight"])
        rows.append(("Evidence weight of the weekly report", f"ω = {weight}{why}"))
    if "one_step_score_per_checkin" in provenance:
        scores = esc(provenance["one_step_score_per_checkin"])
        rows.append(("Score of a check-in one week ahead, by ω", scores))
    if "judged_score" in provenance:
        rows += [
            ("Signs, moves and readings held against", esc(provenance["chosen_by"])),
            (
                "Mean log probability of a judgement, given the log without it",
                esc(provenance["judged_score"])
                + f"; practice alone: {esc(provenance['judged_score_of_practice'])}",
            ),
        ]
    if "tuned_score" in provenance:
        rows += [
            (
                "The same, practice shifted by judgements, of keepers left out",
                esc(provenance["tuned_score"]),
            ),
            (
                "Signs, moves and readings, in the weekly report",
                "practice's, shifted by the judgements: "
                f"{esc(provenance['tuned_length'])} prior standard deviations in all, "
                f"{esc(provenance['tuned_farthest'])} at most; a tank's judgements counted as "
                f"{esc(provenance['tuned_count'])} at most; what the fit says is here only",
            ),
        ]
    for part, what in (
        ("signs", "How often signs are seen"),
        ("moves", "How tanks move"),
        ("readings", "What kits read"),
    ):
        if provenance.get(part) == "practice":
            rows.append(
                (
                    f"{what}, in the weekly report",
                    "as practice says; what the fit says is here only",
                )
            )
    return rows


def fit_section(provenance: dict[str, str], weight: float, diagnostics: Diagnostics) -> str:
    """What was fitted, and how."""
    worst, energy = diagnostics.worst(), min(diagnostics.energy, default=float("nan"))
    versions = ", ".join(
        f"{key.removeprefix('version_')} {value}"
        for key, value in sorted(provenance.items())
        if key.startswith("version_")
    )
    rows = [
        ("Tanks", esc(provenance.get("tanks", ""))),
        ("Tank-weeks", esc(provenance.get("tank_weeks", ""))),
        ("Evidence weight of the fit", f"ω = {weight:g}"),
        *_use(provenance),
        ("Parts of the model", f"<code>{esc(provenance.get('options', ''))}</code>"),
        (
            "Chains",
            f"{diagnostics.chains} × {plural(diagnostics.draws, 'draw')}, "
            f"{esc(provenance.get('sampler', ''))}, seed {esc(provenance.get('seed', ''))}",
        ),
        ("Divergent", f"{diagnostics.divergent}"),
        ("Largest R-hat", f"{worst['r_hat']:.3f}"),
        (
            "Least effective draws",
            f"{worst['ess_bulk']:.0f} of the middle, {worst['ess_tail']:.0f} of the tails "
            "(shared parameters)",
        ),
        ("Least energy fraction", f"{energy:.2f}"),
        (
            "Time",
            f"{diagnostics.seconds:.0f} s for the slowest chain; "
            f"{number(diagnostics.gradients_per_second)} gradients a second",
        ),
        ("Log", f"<code>sha256 {esc(provenance.get('logbook_sha256', ''))}</code>"),
        ("Priors", f"<code>sha256 {esc(provenance.get('priors_sha256', ''))}</code>"),
        ("Software", esc(versions)),
    ]
    checks = sorted(diagnostics.checks, key=lambda c: -c.r_hat)[:MAX_WORST]
    worst_table = as_table(
        "parameters that mixed worst",
        "Largest R-hat; all parameters are in parameters.csv",
        ["Parameter", "R-hat", "Effective draws, middle", "tails"],
        (
            [
                f"<code>{esc(c.name)}</code>", f"{c.r_hat:.3f}", f"{c.ess_bulk:.0f}",
                f"{c.ess_tail:.0f}",
            ]
            for c in checks
        ),
    )  # fmt: skip
    return section("fit", "What was fitted", definitions(rows), worst_table)


def signed(x: float, digits: int) -> str:
    """A number with its sign, as typeset."""
    return f"{x:+.{digits}f}".replace("-", "−")


def drift_section(drift: Drift, names: dict[str, str]) -> str:
    """Whether the phases still mean what they meant."""

    def named(key: str) -> str:
        return esc(names.get(key, key))

    rows = (
        [
            named(p.phase),
            f"{p.moved:.2f}",
            f"{100 * p.own_share:.0f} %",
            f"{named(p.nearest_other)} ({p.margin:.2f})",
            ", ".join(f"{named(n)} {signed(by, 1)}" for n, by in p.most[:3]),
        ]
        for p in drift.phases
    )
    shown = table(
        "Fitted tables of signs and readings against the catalogue’s",
        ["Phase", "Moved (prior sd)", "Looks like itself", "Next (margin)", "Moved most"],
        rows,
    )
    apart = table(
        "Distance between fitted phases, as a share of that in the catalogue",
        ["", *(named(p.phase) for p in drift.phases)],
        (
            [named(p.phase), *(f"{x:.2f}" for x in drift.separation[k])]
            for k, p in enumerate(drift.phases)
        ),
    )
    judged = "<p>No phase was judged, so the log cannot say whether they kept their meaning.</p>"
    if drift.judged is not None:
        j = drift.judged
        judged = (
            f"<p>{plural(j.judgements, 'judgement')} of {plural(j.tanks, 'tank')}: signs and "
            f"readings alone gave what was then judged {100 * j.observed:.0f} % on average, where "
            f"{100 * j.expected:.0f} % was to be expected of judges as accurate as the catalogue "
            f"has them (standard error {100 * j.standard_error:.1f}).</p>"
        )
    return section(
        "drift",
        "Did the phases keep their meaning?",
        f'<div class="scroll">{shown}</div><div class="scroll">{apart}</div>',
        judged,
        '<p class="small">Moved: root mean square over signs and readings. Looks like itself: '
        "share of draws in which the phase is closer to the catalogue’s phase of its name than to "
        "any other (Bhattacharyya distance). Margin: how much farther the next one is, as a share "
        "of the catalogue’s distance; 1 unmoved, below 0 closer to the other.</p>",
    )


def _lines(
    quantities: Iterable[Quantity], names: dict[str, str], by_phase: bool = True
) -> list[Interval]:
    out = []
    for q in quantities:
        item, phase = names.get(q.item, q.item), names.get(q.phase, q.phase)
        group, label = (item, phase) if by_phase and q.phase else ("", item)
        out.append(Interval(group, label, q.quantiles, q.prior))
    return out


def quantity_figures(
    quantities: Sequence[Quantity], names: dict[str, str]
) -> dict[str, list[Figure]]:
    """Figures of what was learned, by section."""

    def of(kind: str) -> list[Quantity]:
        return [q for q in quantities if q.kind == kind]

    def group(heading: str, kind: str) -> list[Interval]:
        # Labels beside the lines are short; a name needs a line of its own.
        return [
            Interval(names.get(q.item, q.item), heading, q.quantiles, q.prior) for q in of(kind)
        ]

    events = [
        line for move in ("advance", "setback", "collapse") for line in group(move, f"event_{move}")
    ]
    events.sort(key=lambda line: line.group)
    figures = {
        "sojourn": [
            interval_figure(
                "sojourn", "Weeks in each phase", "weeks, without setbacks",
                [
                    Interval(names.get(q.phase, q.phase), q.item, q.quantiles, q.prior)
                    for q in of("sojourn")
                ],
                log=True,
            ),
            interval_figure(
                "setbacks", "Setbacks and collapses without events", "per year",
                [
                    Interval(kind, names.get(q.phase, q.phase), q.quantiles, q.prior)
                    for kind in ("setback", "collapse")
                    for q in of(f"{kind}_rate")
                ],
                log=True,
            ),
        ],
        "detection": [
            interval_figure(
                "detection", "Detection by sign and phase",
                "probability of seeing it at a careful look", _lines(of("detection"), names),
            )
        ],
        "persistence": [
            interval_figure(
                "persistence", "Persistence",
                "odds ratio of seeing a sign that was seen every week", group("", "persistence"),
                log=True,
            )
        ],
        "tank_signs": [
            interval_figure(
                "tank_signs", "Tank-level sign effects", "standard deviation of log-odds",
                group("", "sign_tank_sd"),
            )
        ],
        "kits": [
            interval_figure(
                "kit_noise", "Spread of readings, kit and tank together",
                "standard deviation of the logarithm", _lines(of("kit_noise"), names),
            ),
            interval_figure(
                "reading_level", "Median reading by phase", "mg/L; less than 0.01 is drawn there",
                _lines(of("reading_level"), names), log=True, floor=0.01,
            ),
        ],
        "keepers": [
            interval_figure(
                "skill", "Keepers", "odds ratio of seeing a small sign, against usual skill",
                group("", "skill"), log=True,
            )
        ],
        "events": [
            interval_figure(
                "events", "Events", "hazard ratio at the reference amount, just after it", events,
                log=True,
            )
        ],
        "husbandry": [
            interval_figure(
                "husbandry", "Husbandry", "hazard ratio on advance per unit of the covariate",
                _lines(of("husbandry"), names), log=True,
            )
        ],
    }  # fmt: skip
    return {key: [f for f in found if f is not None] for key, found in figures.items()}


def overlap_section(drift: Drift) -> str:
    """What the data changed."""
    rows = (
        [
            f"<code>{esc(o.name)}</code>",
            f"{100 * o.overlap:.0f} %",
            f"{signed(o.shift, 2)}",
            f"{o.sd / o.prior_sd:.2f}",
        ]
        for o in sorted(drift.overlaps, key=lambda o: o.overlap)[:MAX_WORST]
    )
    little = sum(o.overlap > 0.9 for o in drift.overlaps)
    return section(
        "priors",
        "What the data changed",
        f"<p>Of {plural(len(drift.overlaps), 'shared parameter')}, {little} kept more than 90 % of "
        "their prior: of those the log says next to nothing, and the answer is practice’s.</p>",
        '<div class="scroll">',
        table(
            "Changed most; all are in parameters.csv",
            ["Parameter", "Overlap with the prior", "Moved (prior sd)", "sd, posterior / prior"],
            rows,
        ),
        "</div>",
    )


def predictive_section(checks: Sequence[Check], figures: Sequence[Figure]) -> str:
    """Logs drawn from the fit beside the log itself."""
    outside = sum(c.outside for c in checks)
    return section(
        "predictive",
        "Would the model have written this log?",
        "<p>Bars are 5 % to 95 % of logs drawn from the fit with the same tanks, dates and looks; "
        f"rings are the log itself. {outside} of {len(checks)} rings lie outside their bar; about "
        f"{len(checks) / 10:.0f} would if the model were true. The draws are of the model as it "
        "is, whatever evidence weight it was fitted with.</p>",
        f'<div class="panels">{"".join(f.html for f in figures if f.name != "run_lengths")}</div>',
        "".join(f.html for f in figures if f.name == "run_lengths"),
    )


def loo_section(loo: LeaveOneOut) -> str:
    """How well the others predict each tank."""
    bad = loo.unreliable()
    said = (
        f"For {plural(len(bad), 'tank')} Pareto k̂ is above {loo.limit:.2f}: its score cannot be "
        "trusted, nor can the sum."
        if bad
        else f"Pareto k̂ is below {loo.limit:.2f} for every tank."
    )
    rows = (
        [
            esc(t), f"{loo.checkins[i]}", f"{loo.elpd[i]:.1f}", f"{loo.in_sample[i]:.1f}",
            f"{loo.khat[i]:.2f}",
        ]
        for i, t in enumerate(loo.tanks)
    )  # fmt: skip
    return section(
        "loo",
        "How well the others predict a tank",
        f"<p>ELPD {loo.total:.1f} (standard error {loo.standard_error:.1f} over tanks); "
        f"effective parameters {loo.effective_parameters:.1f}. {said}</p>"
        '<p class="small">Pace and skill of the tank are integrated out, so each is predicted as '
        "a new tank of a new keeper. Tanks of one keeper share that keeper’s skill, which the "
        "others still know of. Below ω = 1 a tank is taken out of the fit at that weight, and "
        "scored by its plain likelihood.</p>",
        as_table(
            "leave one tank out",
            "Log predictive density of each tank’s log",
            ["Tank", "Weeks with check-in", "Others", "All", "k̂"],
            rows,
        ),
    )
