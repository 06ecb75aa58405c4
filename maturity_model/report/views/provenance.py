"""What an answer rests on, so that it can be made again: for researchers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.report.wording import day, plural

if TYPE_CHECKING:
    from maturity_model.assessment.types import Provenance

#: A term and what it is.
Pair = tuple[str, str]


def provenance_pairs(provenance: Provenance, command: str) -> tuple[Pair, ...]:
    """Terms and values."""
    draws, pace, skill = provenance.quadrature
    as_of = "" if provenance.as_of_given else " (the last date in the log)"
    return (
        ("Program", f"maturity-model {provenance.version}"),
        ("Command", command),
        ("As of", f"{day(provenance.as_of)}{as_of}"),
        ("Log", f"sha256 {provenance.logbook_sha256}"),
        ("Population", f"{provenance.population_name}, {provenance.population_kind}"),
        ("Its digest", f"sha256 {provenance.population_sha256}"),
        ("Evidence weight", f"ω = {provenance.evidence_weight:g}"),
        (
            "Quadrature",
            f"{draws} draws × {plural(pace, 'pace node')} × {plural(skill, 'skill node')}",
        ),
        ("Likelihood words", "Mastrandrea et al. 2010, IPCC guidance note on uncertainties"),
    )


def foot_words(provenance: Provenance) -> str:
    """What every page rests on, for its foot."""
    if provenance.population_kind == "elicited":
        return (
            "Rests on your log and on rules of thumb that the authors wrote down. Not yet checked "
            "against real tanks. A vet and the law come first."
        )
    failed = {
        "approximate": " That fit was a first, rough one.",
        "passed": "",
    }.get(provenance.population_standing, " That fit did not pass its checks: do not lean on it.")
    return (
        "Rests on your log and on what was learned from a pool of logs."
        f"{failed} A vet and the law come first."
    )
