"""Sections of the researcher's report on a pooled fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from maturity_model.fitting.power_scaling import NOTABLE, RELIABLE
from maturity_model.fitting.report.figures import Figure, number
from maturity_model.report.html import as_table, definitions, esc, section, table, unordered
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.leave_one_out import LeaveOneOut
    from maturity_model.fitting.power_scaling import Sensitivity
    from maturity_model.fitting.predictive_checks import Check
    from maturity_model.population.types import Population

#: Rows of tables that show the worst only; the CSV has all.
MAX_WORST = 15


def signed(x: float, digits: int) -> str:
    """A number with its sign, as typeset."""
    return f"{x:+.{digits}f}".replace("-", "−")


def code(text: str) -> str:
    """Text in a fixed width."""
    return f"<code>{esc(text)}</code>"


def caution(problems: Sequence[str], before: str = "", after: str = "") -> str:
    """A box that lists failed checks, between paragraphs in HTML."""
    listed = unordered(f"{esc(problem, 600)}." for problem in problems)
    return f'<div class="caution urgent"><h3>Checks failed</h3>{before}{listed}{after}</div>'


def verdict_section(diagnostics: Diagnostics) -> str:
    """Whether the fit may be used, first of all."""
    text = "<p>Every check was passed: convergence, drift of the phases, judgements.</p>"
    if not diagnostics.ok:
        after = "<p>Every report that uses this population says so.</p>"
        text = caution(diagnostics.problems, after=after)
    return section("verdict", "May it be used?", text)


def _handed_on(record: dict[str, str]) -> Iterator[tuple[str, str]]:
    # What the weekly command gets, where it differs from what was fitted; from the provenance.
    record = {key: esc(value) for key, value in record.items()}
    if "weekly_evidence_weight" in record:
        why = ""
        if "evidence_weight_chosen_by" in record:
            why = f", chosen by {record['evidence_weight_chosen_by']}"
        if "sign_shift_variance" in record:
            why += f"; variance of the shifts {record['sign_shift_variance']}"
        weight = record["weekly_evidence_weight"]
        yield "Evidence weight of the weekly report", f"ω = {weight}{why}"
    if "one_step_score_per_checkin" in record:
        yield "Score of a check-in one week ahead, by ω", record["one_step_score_per_checkin"]
    if "judged_score" in record:
        yield "Signs, moves and readings held against", record["chosen_by"]
        yield (
            "Mean log probability of a judgement, given the log without it",
            f"{record['judged_score']}; practice alone: {record['judged_score_of_practice']}",
        )
    for part, what in (
        ("signs", "How often signs are seen"),
        ("moves", "How tanks move"),
        ("readings", "What kits read"),
    ):
        if record.get(part) == "practice":
            yield (
                f"{what}, in the weekly report",
                "as practice says; what the fit says is here only",
            )


def fit_section(population: Population, diagnostics: Diagnostics) -> str:
    """What was fitted, and how."""
    provenance = population.provenance
    worst, energy = diagnostics.worst(), min(diagnostics.energy, default=float("nan"))
    versions = ", ".join(
        f"{key.removeprefix('version_')} {value}"
        for key, value in sorted(provenance.items())
        if key.startswith("version_")
    )
    rows = [
        ("Tanks", esc(provenance.get("tanks", ""))),
        ("Tank-weeks", esc(provenance.get("tank_weeks", ""))),
        ("Evidence weight of the fit", f"ω = {population.evidence_weight:g}"),
        *_handed_on(provenance),
        ("Parts of the model", code(provenance.get("options", ""))),
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
        ("Log", code(f"sha256 {provenance.get('logbook_sha256', '')}")),
        ("Priors", code(f"sha256 {provenance.get('priors_sha256', '')}")),
        ("Software", esc(versions)),
    ]
    worst_table = as_table(
        "parameters that mixed worst",
        "Largest R-hat; all parameters are in parameters.csv",
        ["Parameter", "R-hat", "Effective draws, middle", "tails"],
        (
            [code(c.name), f"{c.r_hat:.3f}", f"{c.ess_bulk:.0f}", f"{c.ess_tail:.0f}"]
            for c in sorted(diagnostics.checks, key=lambda c: -c.r_hat)[:MAX_WORST]
        ),
    )
    return section("fit", "What was fitted", definitions(rows), worst_table)


def drift_section(drift: Drift, names: dict[str, str]) -> str:
    """Whether the phases still mean what they meant."""

    def named(key: str) -> str:
        return esc(names.get(key, key))

    moved = table(
        "Fitted tables of signs and readings against the catalogue’s",
        ["Phase", "Moved (prior sd)", "Looks like itself", "Next (margin)", "Moved most"],
        (
            [
                named(p.phase),
                f"{p.moved:.2f}",
                f"{100 * p.own_share:.0f} %",
                f"{named(p.nearest_other)} ({p.margin:.2f})",
                ", ".join(f"{named(n)} {signed(by, 1)}" for n, by in p.most[:3]),
            ]
            for p in drift.phases
        ),
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
        f'<div class="scroll">{moved}</div><div class="scroll">{apart}</div>',
        judged,
        '<p class="small">Moved: root mean square over signs and readings. Looks like itself: '
        "share of draws in which the phase is closer to the catalogue’s phase of its name than to "
        "any other (Bhattacharyya distance). Margin: how much farther the next one is, as a share "
        "of the catalogue’s distance; 1 unmoved, below 0 closer to the other.</p>",
    )


def overlap_section(drift: Drift) -> str:
    """What the data changed."""
    rows = (
        [code(o.name), f"{100 * o.overlap:.0f} %", signed(o.shift, 2), f"{o.sd / o.prior_sd:.2f}"]
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
    trust = (
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
        f"effective parameters {loo.effective_parameters:.1f}. {trust}</p>"
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


def scaling_section(sensitivity: Sensitivity) -> str:
    """What moves with the prior, and what with the data."""

    def largest(values: Sequence[float], caption: str) -> str:
        order = sorted(range(len(values)), key=lambda i: -values[i])[:MAX_WORST]
        rows = (
            [
                code(sensitivity.names[i]), f"{sensitivity.prior[i]:.2f}",
                f"{sensitivity.likelihood[i]:.2f}", esc(sensitivity.verdict(i)),
            ]
            for i in order
        )  # fmt: skip
        head = ["Parameter", "To the prior", "To the data", ""]
        return f'<div class="scroll">{table(caption, head, rows)}</div>'

    verdicts = [sensitivity.verdict(i) for i in range(len(sensitivity.names))]
    prior_led, torn = (verdicts.count(v) for v in ("the prior decides", "prior and data disagree"))
    worst = max(sensitivity.khat)
    # "not <=" also catches NaN.
    doubt = (
        f" Pareto k̂ of the weights is {worst:.2f}, above {RELIABLE:g}: do not rely on this table."
        if not worst <= RELIABLE
        else ""
    )
    prior, likelihood = sensitivity.prior.tolist(), sensitivity.likelihood.tolist()
    return section(
        "scaling",
        "Does the answer rest on the prior or on the data?",
        f"<p>The prior, or the likelihood, of what tanks share was raised to a power slightly "
        f"beside 1; a sensitivity is how fast a parameter then moves, and from {NOTABLE:g} on it "
        f"is worth a look. Of {plural(len(verdicts), 'parameter')}, the prior decides "
        f"{prior_led}, and on {torn} prior and data disagree.{doubt}</p>",
        largest(prior, "Most sensitive to the prior; all are in power_scaling.csv"),
        largest(likelihood, "Most sensitive to the data"),
        '<p class="small">Kallioinen, Paananen, Bürkner and Vehtari 2023, Statistics and Computing '
        "34, 57. Pace and skill are integrated out, so their spreads count as priors of tanks "
        "and keepers, not as what is scaled.</p>",
    )
