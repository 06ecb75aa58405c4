"""What an answer rests on, so that it can be made again: for researchers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.report.likelihood_words import population_words
from maturity_model.report.plain_text import cut
from maturity_model.report.wording import capital, day, listed, plural

if TYPE_CHECKING:
    from maturity_model.assessment.types import Provenance

#: Parts of a population, as a keeper would say them.
_PARTS = {
    "signs": "how often signs are seen",
    "moves": "how tanks move from phase to phase",
    "readings": "what kits read",
}
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
        ("Population", population_sentence(provenance)),
        (
            "Its name, its digest",
            f"{provenance.population_name}, sha256 {provenance.population_sha256}",
        ),
        (
            "Evidence weight",
            f"ω = {provenance.evidence_weight:g}: what signs and readings of a tank count for, "
            "as they echo one another, beside independent witnesses",
        ),
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


def population_sentence(provenance: Provenance) -> str:
    """What the population is, and how far it can be trusted."""
    said = [capital(population_words(provenance))]
    if practice := practice_words(provenance.population_of_practice):
        said.append(practice)
    warning = cut(provenance.population_warning, 800)
    if provenance.population_kind == "elicited":
        said.append(
            "No pooled fit of real tanks lies behind it: its numbers are common practice written "
            "down as wide guesses and weighed with simulated tanks, and may be off for a tank "
            "like this one"
        )
    elif provenance.population_standing == "approximate":
        said.append(f"It is {warning}")
    elif warning:
        said.append(f"The fit behind it must not be trusted as it is: {warning}")
    return f"{'. '.join(said)}."


def practice_words(parts: Sequence[str]) -> str:
    """What in a fitted population is not the pool's; empty where all of it is."""
    said = [_PARTS[p] for p in parts if p in _PARTS]
    if not said:
        return ""
    return (
        f"In it {listed(said)} {'are' if len(said) > 1 else 'is'} as practice says: the pool's "
        "judged phases do not show that its own would be better"
    )
