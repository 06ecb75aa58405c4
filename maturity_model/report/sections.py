"""Sections of a page that need no picture: problems, cautions, how sure, provenance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.report.html import definitions, esc, section, unordered
from maturity_model.report.wording import (
    capital,
    day,
    interval,
    percent,
    plural,
    population_words,
    practice_words,
    tuned_words,
)

if TYPE_CHECKING:
    from maturity_model.assessment.cautions import Caution
    from maturity_model.assessment.types import Assessment, Provenance, TankAssessment
    from maturity_model.logbook.types import Account, Problem

_PRACTICE = "common practice, no source"
#: Shown on every page: what to heed, and who says so.
GENERAL_CAUTIONS = (
    ("The law on animal welfare and a vet come before any probability on this page.", ""),
    ("Never release livestock, plants, rock or tank water outdoors.", "US FWS"),
    (
        "Electricity near salt water: a residual-current device on every circuit, and unplug "
        "before hands go in.",
        "CPSC; BS 7671",
    ),
    (
        "Zoanthids can carry palytoxin: never scrub them, scrape them dry or boil their rock.",
        "CDC MMWR 64(31), 2015",
    ),
    (
        "Mycobacterium marinum: gloves, no open cuts in the water; tell the doctor about the tank.",
        _PRACTICE,
    ),
    (
        "Disturbing a deep old sand bed can free hydrogen sulphide: small parts at a time, "
        "windows open.",
        _PRACTICE,
    ),
    ("Stony corals and giant clams need permits to cross a border.", "CITES"),
)
#: A tank's page lists this many problems; the page of all tanks lists every one.
MAX_PROBLEMS = 60


def problem_item(problem: Problem) -> str:
    """One problem of a log as HTML: place, value, what is wrong, how to mend it."""
    place = [esc(problem.file, 120)]
    if problem.line is not None:
        place.append(f"line {problem.line}")
    if problem.column is not None:
        place.append(f"column {esc(problem.column, 60)}")
    tag = f"{problem.scope} not used" if problem.severity == "error" else "used, as said"
    value = f" <code>{esc(problem.value, 80)}</code>" if problem.value else ""
    return (
        f'<span class="tag">{esc(tag)}</span><b>{", ".join(place)}:</b>{value} '
        f"{esc(problem.what)}; {esc(problem.mend)}."
    )


def unused_words(account: Account) -> str:
    """What of the log was not used, in one line; empty where all of it was."""
    refused, rows = account.count("refused"), len(account.refused_rows)
    counts = [plural(refused, "file or sheet", "files or sheets")] if refused else []
    counts += [plural(rows, "row")] if rows else []
    for scope in ("column", "cell"):
        if parts := sum(p.scope == scope for p in account.refused_parts):
            counts.append(plural(parts, scope))
    out = [f"Not used of the log: {', '.join(counts)}"] if counts else []
    if aside := account.count("set aside"):
        out.append(f"{plural(aside, 'file or sheet', 'files or sheets')} set aside")
    return "; ".join(out)


def problems_section(problems: Sequence[Problem]) -> str:
    """Log problems of one tank; those of the log as a whole are counted and pointed to."""
    own = [p for p in problems if p.tank is not None]
    others = len(problems) - len(own)
    index = '<a href="./index.html#problems">page of all tanks</a>'
    notes = []
    if len(own) > MAX_PROBLEMS:
        notes.append(f"<p>And {len(own) - MAX_PROBLEMS} more; all are on the {index}.</p>")
    if others:
        notes.append(f"<p>{plural(others, 'problem')} of the log as a whole: see the {index}.</p>")
    listed = unordered(map(problem_item, own[:MAX_PROBLEMS]), "problems")
    return section("problems", "Log problems", listed or "<p>None found for this tank.</p>", *notes)


def caution_card(caution: Caution) -> str:
    """One caution with its authority."""
    urgent = caution.level == "urgent"
    return (
        f'<div class="caution{" urgent" if urgent else ""}">'
        f"<h3>{'Urgent: ' if urgent else ''}{esc(caution.title)}</h3>"
        f"<p>{esc(caution.text, 1200)}</p>"
        f'<p class="small soft">Authority: {esc(caution.authority)}</p></div>'
    )


def cautions_section(cautions: Sequence[Caution]) -> str:
    """Cautions that this log calls for, urgent ones first."""
    if not cautions:
        return section("cautions", "Cautions", "<p>This log calls for none beyond those below.</p>")
    items = map(caution_card, sorted(cautions, key=lambda c: c.level != "urgent"))
    return section("cautions", "Cautions", *items)


def general_cautions() -> str:
    """The short cautions at the foot of every page."""
    items = (
        esc(said) + (f" <small>({esc(by)})</small>" if by else "") for said, by in GENERAL_CAUTIONS
    )
    return f"<h2>Always</h2>{unordered(items)}"


def reweighting_words(tank: TankAssessment) -> str:
    """How the population's draws were reweighted, and whether that could be trusted."""
    rw = tank.reweighting
    if rw.share >= 1.0:
        return (
            "The population’s draws were reweighted by all of this tank’s likelihood "
            f"(Pareto k̂ {rw.khat:.2f}, reliable below {rw.limit:.2f})."
        )
    plain = (
        f"The plain weights were unreliable (Pareto k̂ {rw.khat_full:.2f}, above the limit "
        f"{rw.limit:.2f})"
    )
    if rw.share <= 0.0:
        return (
            f"{plain}, so the draws were not reweighted at all: this tank did not teach the "
            "population’s numbers anything."
        )
    return (
        f"{plain}, so only {percent(rw.share)} of this tank’s likelihood was used to reweight "
        f"the population’s draws (k̂ then {rw.khat:.2f})."
    )


def _evidence_words(weight: float) -> str:
    if weight >= 1.0:
        return "ω = 1: signs and readings count as independent witnesses."
    return (
        f"ω = {weight:g}. Signs and readings of one tank echo one another, so together they count "
        f"for {weight:g} of what independent witnesses would."
    )


def sure_section(tank: TankAssessment, assessment: Assessment, labels: Sequence[str]) -> str:
    """How sure the answer is, and what keeps it from being surer."""
    k, reach, rw = tank.present, tank.reach, tank.reweighting
    name = labels[k].lower()
    now = percent(float(tank.filtered[-1, k]))
    provenance = assessment.provenance
    empty = reach.weeks - reach.weeks_with_checkin
    pairs = [
        (
            "Range",
            f"Nine in ten of the population’s draws put {esc(name)} at "
            f"{interval(float(tank.now_low[k]), float(tank.now_high[k]))}: doubt about the "
            "population’s numbers, not about this tank.",
        ),
        (
            "Without looking",
            f"Age, rock, events and husbandry alone say {esc(name)} "
            f"{percent(float(tank.forecast_only[-1, k]))}; with signs and readings {now}.",
        ),
        ("Population", _population_sentence(provenance)),
        ("Reweighting", reweighting_words(tank)),
        ("Effective draws", f"{rw.ess:.0f} of {rw.draws}."),
        ("Evidence weight", _evidence_words(provenance.evidence_weight)),
        (
            "Signs checked",
            f"{capital(percent(reach.share_signs_checked))} of the answers that the check-ins "
            "could have held. A blank is taken to say nothing about what would have been seen.",
        ),
        (
            "Weeks without check-in",
            f"{empty} of {reach.weeks}."
            + (
                f" The last check-in was {plural(reach.weeks_since_checkin, 'week')} ago."
                if reach.weeks_since_checkin
                else ""
            ),
        ),
    ]
    return section(
        "sure",
        "How sure, and why not surer",
        definitions(pairs),
        "" if tank.questions and tank.questions.next_checks else _look_next(tank, assessment),
        unordered(esc(note, 600) for note in tank.notes),
    )


def _population_sentence(provenance: Provenance) -> str:
    said = capital(esc(population_words(provenance)))
    if kept := practice_words(provenance.population_of_practice):
        said = f"{said}. {esc(kept)}"
    if tuned := tuned_words(provenance.population_tuned_by):
        said = f"{said}. {esc(tuned)}"
    if provenance.population_kind == "elicited":
        return (
            f"{said}. No pooled fit of real tanks lies behind it: its numbers are common practice "
            "written down as wide guesses and weighed with simulated tanks, and may be off for a "
            "tank like this one."
        )
    if provenance.population_standing == "approximate":
        return f"{said}. It is {esc(provenance.population_warning, 1000)}."
    if provenance.population_warning:
        return (
            f"{said}. The fit behind it must not be trusted as it is: "
            f"{esc(provenance.population_warning, 1000)}."
        )
    return f"{said}."


def _look_next(tank: TankAssessment, assessment: Assessment) -> str:
    signs = assessment.catalogue.signs
    unchecked = [signs[s] for s in tank.reach.unchecked_signs if s in signs]
    if not unchecked:
        return ""
    names = esc(", ".join(s.label.lower() for s in unchecked))
    hows = unordered(f"<b>{esc(s.label)}.</b> {esc(s.where)}. {esc(s.how)}." for s in unchecked)
    return (
        f"<p>Not checked in the last four weeks: {names}.</p>"
        f"<details><summary>Where and how to look</summary>{hows}</details>"
    )


def provenance_section(provenance: Provenance, command: str) -> str:
    """Where the answer comes from, so that it can be made again."""
    draws, pace, skill = provenance.quadrature
    as_of = "" if provenance.as_of_given else " (the last date in the log)"
    return section(
        "provenance",
        "Where this comes from",
        definitions(
            [
                ("Program", f"maturity-model {esc(provenance.version)}"),
                ("Command", f"<code>{esc(command, 1000)}</code>"),
                ("As of", f"{day(provenance.as_of)}{as_of}"),
                ("Log", f"<code>sha256 {esc(provenance.logbook_sha256)}</code>"),
                (
                    "Population",
                    f"{esc(provenance.population_name)}, {esc(provenance.population_kind)}<br>"
                    f"<code>sha256 {esc(provenance.population_sha256)}</code>",
                ),
                ("Evidence weight", f"ω = {provenance.evidence_weight:g}"),
                (
                    "Quadrature",
                    f"{draws} draws × {plural(pace, 'pace node')} × {plural(skill, 'skill node')}",
                ),
                (
                    "Likelihood words",
                    "Mastrandrea et al. 2010, IPCC guidance note on uncertainties",
                ),
            ]
        ),
    )
