"""What was fitted and how, and what of it the weekly command gets, in pairs of words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from maturity_model.fitting.report.figures import number
from maturity_model.report.wording import plural

if TYPE_CHECKING:
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.population.types import Population

_PARTS = {
    "signs": "how often signs are seen",
    "moves": "how tanks move",
    "readings": "what kits read",
}


def handed_on(record: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """What the weekly command gets where it differs from what was fitted; from the provenance."""
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
    if practice := [what for part, what in _PARTS.items() if record.get(part) == "practice"]:
        yield (
            "As practice says, in the weekly report",
            f"{', '.join(practice)}; what the fit says of them is in its report and in the file "
            "of all draws",
        )


def fit_pairs(population: Population, diagnostics: Diagnostics) -> Iterator[tuple[str, str]]:
    """What was fitted, and how."""
    record, worst = population.provenance, diagnostics.worst()
    yield "Tanks", record.get("tanks", "")
    yield "Tank-weeks", record.get("tank_weeks", "")
    yield "Evidence weight of the fit", f"ω = {population.evidence_weight:g}"
    yield from handed_on(record)
    yield "Parts of the model", record.get("options", "")
    yield (
        "Chains",
        f"{diagnostics.chains} × {plural(diagnostics.draws, 'draw')}, {record.get('sampler', '')}, "
        f"seed {record.get('seed', '')}",
    )
    yield "Divergent", str(diagnostics.divergent)
    yield "Largest R-hat", f"{worst['r_hat']:.3f}"
    yield (
        "Least effective draws",
        f"{worst['ess_bulk']:.0f} of the middle, {worst['ess_tail']:.0f} of the tails "
        "(shared parameters)",
    )
    yield "Least energy fraction", f"{min(diagnostics.energy, default=float('nan')):.2f}"
    yield (
        "Time",
        f"{diagnostics.seconds:.0f} s for the slowest chain; "
        f"{number(diagnostics.gradients_per_second)} gradients a second",
    )
    yield "Log", f"sha256 {record.get('logbook_sha256', '')}"
    yield "Priors", f"sha256 {record.get('priors_sha256', '')}"
    versions = {k: v for k, v in sorted(record.items()) if k.startswith("version_")}
    yield "Software", ", ".join(f"{k.removeprefix('version_')} {v}" for k, v in versions.items())
