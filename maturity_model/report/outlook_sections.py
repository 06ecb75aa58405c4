"""Sections on what may come: risk under what-ifs, time to mature, lagging."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.report.html import esc, section, table, unordered
from maturity_model.report.question_words import ratio, uncapital
from maturity_model.report.waiting_figure import waiting_figure
from maturity_model.report.wording import (
    capital,
    chance_words,
    no_risk_words,
    percent,
    plural,
    points,
    points_range,
    short_chance,
    short_percent,
    start_words,
    weeks_range,
    weeks_words,
    worded,
)

if TYPE_CHECKING:
    from maturity_model.assessment.first_passage import FirstPassage
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.sojourn import HusbandryContrast, Pace, SojournCheck
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue

#: Omit changes of husbandry that move the probability of the next phase by less.
WORTH_TELLING = 0.02
#: With this chance of being in the last phase now, the picture of the time is folded away.
ALREADY = 0.9


def impossible_words(questions: Questions, catalogue: Catalogue) -> list[str]:
    """What-ifs that were asked for and cannot be, each in a sentence of plain text."""
    return [
        f"{capital(plan.label(catalogue))}: not reckoned, because this tank has no sand."
        for plan in questions.impossible
    ]


def if_section(tank: TankAssessment, assessment: Assessment, questions: Questions) -> str:
    """Risk of slipping back under each what-if, the largest change first."""
    left_out = "".join(
        f"<p>{esc(said, 300)}</p>" for said in impossible_words(questions, assessment.catalogue)
    )
    first = next(iter(assessment.catalogue.phases.values())).label
    if not questions.risks:
        return section(
            "if", "Risk of slipping back", f"<p>{esc(start_words(first))}.</p>", left_out
        )
    base, *others = questions.risks
    last = len(base.horizons) - 1
    others.sort(key=lambda r: -r.change[last].mean)
    head = ["If", *(f"in {h} weeks" for h in base.horizons), "change"]
    rows = [
        ["Nothing further", *(short_chance(r) for r in base.risk), ""],
        *(
            [
                esc(capital(r.plan.label(assessment.catalogue)) if r.plan else "", 200),
                *(short_chance(x) for x in r.risk),
                points(r.change[last].mean),
            ]
            for r in others
        ),
    ]
    lead = f"As things stand, within {base.horizons[last]} weeks: {chance_words(base.risk[last])}"
    if tank.slipped_before is not None:
        lead = esc(no_risk_words(tank, first))
    return section(
        "if",
        "Risk of slipping back, if …",
        f"<p>{lead}.</p>",
        '<div class="scroll" role="region" tabindex="0" aria-label="Risk of slipping back">',
        table(
            "P(a lower phase than now) in percent, with its range; what an event is worth by "
            "itself, all else unchanged",
            head,
            rows,
        ),
        "</div>",
        left_out,
    )


def _waiting_words(waiting: FirstPassage, last: str) -> str:
    not_within = worded(*waiting.not_within)
    if waiting.already.mean >= 0.66:
        lead = f"{capital(last)} already: {chance_words(waiting.already)}."
    elif waiting.median is None:
        lead = "More likely than not, later than two years from now."
    else:
        lead = (
            f"Half of tanks with a log like this one are {last} within about "
            f"{weeks_words(waiting.median)} (nine in ten: "
            f"{weeks_range(waiting.low, waiting.high)})."
        )
    return f"{lead} Not within two years: {not_within.frequency}."


def mature_section(questions: Questions, labels: Sequence[str], assessment: Assessment) -> str:
    """When the tank reaches the last phase, as things stand and under the plans."""
    base, *others = questions.first_passages
    last = esc(labels[-1].lower())
    under = ""
    if others:
        rows = [
            [
                esc(capital(w.plan.label(assessment.catalogue)) if w.plan else "As now", 200),
                weeks_words(w.median),
                weeks_range(w.low, w.high),
                f"{short_percent(w.not_within.mean)} %",
            ]
            for w in questions.first_passages
        ]
        under = (
            '<div class="scroll" role="region" tabindex="0" aria-label="Time under what-ifs">'
            + table(
                "Under your what-ifs",
                ["If", "Half by", "5 % to 95 %", "Not in 2 years"],
                rows,
            )
            + "</div>"
        )
    figure = waiting_figure(base)
    if base.already.mean >= ALREADY:
        # Nearly all dots would stand at 'now'.
        figure = f"<details><summary>As a picture</summary>{figure}</details>"
    return section(
        "mature",
        f"Time to {last}",
        f"<p>{_waiting_words(base, last)} All this with husbandry as it stands and no further "
        "event.</p>",
        f"<div>{figure}</div>",
        under,
    )


def _pace_words(pace: Pace) -> str:
    if round(pace.speed, 1) == 1.0:
        said = "about that of the median tank"
    elif pace.speed < 1:
        said = f"{pace.speed:.1f} times that of the median tank"
    else:
        said = f"{ratio(pace.speed)} times that of the median tank"
    return (
        f"{said} (range {pace.low:.1f}–{pace.high:.1f}); slower than it: "
        f"{worded(pace.slower).frequency}"
    )


def _lever(lever: HusbandryContrast, base: float, assessment: Assessment) -> str:
    events = assessment.catalogue.events
    if lever.stop:
        kind = events.get(lever.plan.steps[0].kind)
        name = esc(kind.label.lower() if kind else lever.plan.text, 80)
        other = lever.within.mean - lever.change.mean
        return (
            f"Without further {name}: {percent(lever.within.mean)}, rather than "
            f"{percent(other)} if it went on as in the last eight weeks "
            f"({points(lever.change.mean)})"
        )
    return (
        f"With {esc(uncapital(lever.plan.label(assessment.catalogue)), 120)}: "
        f"{percent(lever.within.mean)}, rather than {percent(base)} ({points(lever.change.mean)}, "
        f"range {points_range(lever.change.low, lever.change.high)})"
    )


def _so_far(found: SojournCheck) -> str:
    low, middle, high = found.so_far
    spread = f" ({low}–{high})" if low != high else ""
    return f"about {plural(middle, 'week')}{spread}"


def lag_section(assessment: Assessment, found: SojournCheck, labels: Sequence[str]) -> str:
    """Whether the tank lags, its pace, and which husbandry would move it most."""
    name = esc(labels[found.phase].lower())
    pace = f"<p>Its pace is {_pace_words(found.pace)}.</p>"
    if found.next_phase is None:
        return section(
            "lag",
            "Lagging?",
            f"<p>There is no later phase than {name}. That it lags in an earlier one: "
            f"{chance_words(found.lagging)}.</p>",
            pace,
        )
    need = found.need[found.phase]
    needed = "more than ten years" if need is None else plural(need, "week")
    base = found.next_phase.mean
    contrasts = [
        _lever(x, base, assessment) for x in found.contrasts if x.change.mean > WORTH_TELLING
    ]
    ahead = esc(labels[found.phase + 1].lower())
    husbandry = ""
    if found.contrasts:
        husbandry = (
            unordered(contrasts)
            + '<p class="small soft">A comparison of husbandry in the model, not a dose.</p>'
            if contrasts
            else "<p>No husbandry in the model would move that by more than 2 points.</p>"
        )
    return section(
        "lag",
        "Lagging?",
        f"<p>{capital(chance_words(found.lagging))}. Nine of ten comparable tanks leave {name} "
        f"within {needed}; this one has been in it for {_so_far(found)}.</p>",
        pace,
        f"<p>{capital(ahead)} within 8 weeks, if it is in {name} now: "
        f"{chance_words(found.next_phase)}.</p>",
        husbandry,
    )
