"""Sections on what to do, surprises, why, and where to look next."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.report.html import as_table, esc, section, table, unordered
from maturity_model.report.question_words import (
    action_line,
    alarm_title,
    alarm_words,
    bits_words,
    condition_words,
    observed_label,
    observed_words,
    odds_words,
    phase_label,
    push_words,
    threshold_words,
    uncapital,
)
from maturity_model.report.wording import (
    capital,
    day,
    percent,
    plural,
    short_chance,
    worded,
)

if TYPE_CHECKING:
    from maturity_model.assessment.attribution import EventEffect
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.next_checks import NextCheck
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.assessment.weight_of_evidence import GroupContribution

#: Verdict to its word and shape: full, half and empty, so that no colour is needed.
VERDICTS = {
    "yes": ("Yes", '<circle class="mark" cx="7" cy="7" r="5"/>'),
    "wait": (
        "Wait, look again",
        '<circle class="open" cx="7" cy="7" r="5"/><path class="mark" d="M7 2A5 5 0 0 0 7 12Z"/>',
    ),
    "not now": ("Not now", '<circle class="open" cx="7" cy="7" r="5"/>'),
}
#: Things to look at that are shown; the rest is folded away. Observations likewise.
_LOOKS, _SINGLES = 6, 15
#: Omit contributions of fewer bits.
_TELLING = 0.1
#: Summarise events with a smaller attributed probability in one line.
_SMALL = 0.01
_EVENTS = 8
_METHODS = {"careful": "a careful look", "torch": "with a torch", "glance": "a glance"}


def alarm_banner(tank: TankAssessment, assessment: Assessment) -> str:
    """The alarm for the top of the page, or nothing."""
    said = tank.questions.surprises if tank.questions else None
    if said is None or not said.alarm:
        return ""
    kind = "urgent" if said.alarm == "something is wrong" else "caution"
    return (
        f'<div class="{kind} alarm"><b>{alarm_title(tank)}.</b> {alarm_words(tank, assessment)} '
        '<a href="#surprises">More</a></div>'
    )


def now_line(tank: TankAssessment, questions: Questions) -> str:
    """What to do now, for the box with the answer."""
    if not questions.everything:
        return ""
    title = esc(alarm_title(tank))
    alarm = f"{title}. " if title else ""
    return (
        f'<p class="next"><b>What now:</b> {alarm}{esc(action_line(questions.decisions))} '
        '<a href="#do">Why</a></p>'
    )


def _verdict(verdict: str) -> str:
    word, mark = VERDICTS[verdict]
    return f'<svg width="14" height="14" aria-hidden="true">{mark}</svg> {word}'


def _overruled_by(decision: Decision) -> str:
    if decision.verdict == "yes":
        return "Overruled by a caution"
    if decision.missing and decision.why == decision.missing[0].why.rstrip("."):
        return "Evidence is missing"
    return "Overruled"


def do_section(tank: TankAssessment, assessment: Assessment, decisions: Sequence[Decision]) -> str:
    """What to do or leave alone: the rules, with what each needs to be probable."""
    rows: dict[str, list[list[str]]] = {verdict: [] for verdict in VERDICTS}
    for d in decisions:
        loss = d.rule.loss
        needless, missed = loss.needless.value, loss.missed.value
        costs = (
            f"missing it costs {missed / needless:g} × a needless one"
            if missed > needless
            else f"a needless one costs {needless / missed:g} × missing it"
            if missed < needless
            else "either mistake costs the same"
        )
        marks = ", ".join(dict.fromkeys((loss.needless.source, loss.missed.source)))
        reason = f"{esc(d.why)}."
        if d.overruled:
            reason = f"<b>{_overruled_by(d)}:</b> {reason}"
        condition = capital(condition_words(d.rule, tank, assessment))
        care = esc(d.rule.caution) if d.verdict != "not now" else ""
        rows[d.verdict].append(
            [
                f"<b>{esc(d.rule.label)}</b>",
                _verdict(d.verdict),
                f"{condition}: {short_chance(d.probability)}; "
                f"needed {threshold_words(d.threshold)} "
                f"<small>({costs} [{esc(marks, 20)}])</small>",
                reason + (f" <small>{care}.</small>" if care else ""),
            ]
        )
    sources = assessment.catalogue.sources
    used = dict.fromkeys(
        m.source for d in decisions for m in (d.rule.loss.needless, d.rule.loss.missed)
    )
    cited = "; ".join(
        f"[{esc(m, 20)}] {esc(sources[m].citation, 200)}" for m in used if m in sources
    )
    titles = ", ".join(esc(c.title) for c in tank.cautions)
    caption = "Probability of each condition now, with its range, and what it must reach"
    head = ["What", "Verdict", "Probable?", "Why"]
    # Readings that a permission lacks are asked for above.
    asked = {m.need for d in decisions if d.lacks_evidence for m in d.missing}
    answered = {"measure_ammonia"} if asked & {"ammonia", "nitrite", "both readings"} else set()
    if any(d.rule.permission == "next animals" and d.verdict == "not now" for d in decisions):
        answered.add("stop_adding")
    left = [d.rule for d in decisions if d.verdict == "not now" and d.action not in answered]
    # "Not now: leave the sand alone" would read as its opposite.
    uncalled = "; ".join(uncapital(r.label) for r in left if not r.permission)
    refused = "; ".join(uncapital(r.label) for r in left if r.permission)
    not_now = f"<p>{_verdict('not now')}: {esc(refused)}.</p>" if refused else ""
    if uncalled:
        not_now += f"<p>No special reason now to: {esc(uncalled)}.</p>"
    return section(
        "do",
        "What to do or leave alone",
        f'<div class="rules">{table(caption, head, [*rows["yes"], *rows["wait"]])}</div>',
        f"{not_now}"
        f'<details><summary>Why not now</summary><div class="rules">'
        f"{table(caption, head, rows['not now'])}</div></details>"
        if rows["not now"]
        else "",
        f'<p class="small"><b>Cautions that apply:</b> {titles}. <a href="#cautions">Read them</a>'
        "</p>"
        if titles
        else "",
        '<p class="small soft">Never a dose, and no diagnosis of an animal: a vet, local law and '
        f"animal-welfare law come before this table. {cited}.</p>",
    )


def surprises_section(tank: TankAssessment, assessment: Assessment, questions: Questions) -> str:
    """What the last check-in said that the log before it had not led to expect."""
    said = questions.surprises
    if said is None:
        return section("surprises", "Surprises", "<p>No check-in that could surprise yet.</p>")
    catalogue = assessment.catalogue
    date = day(said.items[0].what.date, seen_from=tank.dates[-1])
    slipped = worded(min(said.recent.slipped, 1.0))
    recent = (
        f"That the tank slipped in the three weeks before is {slipped.word}: {slipped.number}, "
        f"{slipped.frequency}."
    )
    if said.alarm:
        marked = [s for s in said.items if s.vanished or s.far_off]
        lead = f"<p><b>{alarm_title(tank)}</b> ({date}). {recent}</p>" + unordered(
            f"{observed_words(s.what, catalogue)}: {percent(s.probability)} was the chance"
            for s in marked
        )
    else:
        least = said.items[0]
        lead = (
            f"<p>The check-in of {date} gives no alarm. Least expected in it: "
            f"{uncapital(observed_words(least.what, catalogue))} ({percent(least.probability)}). "
            f"{recent}</p>"
        )
    rows = [
        [
            observed_words(s.what, catalogue),
            f"{percent(s.probability)}"
            + (", vanished" if s.vanished else ", far off" if s.far_off else ""),
        ]
        for s in said.items
    ]
    return section(
        "surprises",
        "Surprises",
        lead,
        as_table(
            "surprises",
            f"Check-in of {date}: how probable each answer was, given the log before it "
            "(a reading: one at least so far off)",
            ["Observation", "Probability"],
            rows,
        ),
    )


def _group(group: GroupContribution, assessment: Assessment) -> str:
    label = observed_label(group.name, assessment.catalogue)
    when = day(group.last, seen_from=assessment.provenance.as_of)
    if group.kind == "sign":
        said = f"seen {group.seen} of {plural(group.count, 'time')}, last look {when}"
    elif group.kind == "reading":
        reading = group.latest.reading
        last = f"{esc(reading.text, 30)} {esc(reading.unit, 30)}".rstrip() if reading else ""
        said = f"{plural(group.count, 'reading')}, last {last} on {when}"
    else:
        phase = phase_label(group.latest.phase or "", assessment)
        said = f"{plural(group.count, 'judgement')}, last {phase} on {when}"
    return f"<b>{label}</b>: {push_words(group.bits)}; {said}"


def why_section(assessment: Assessment, questions: Questions, labels: Sequence[str]) -> str:
    """What speaks for the present phase, and what for the next best."""
    found = questions.evidence
    if found is None:
        return section(
            "why", "Why", "<p>Nothing was seen or measured: age, rock and events alone speak.</p>"
        )
    here, rival = esc(labels[found.present].lower()), esc(labels[found.rival].lower())
    catalogue = assessment.catalogue
    strongest = sorted(found.singles, key=lambda p: -abs(p.bits))[:_SINGLES]

    def listed(groups: Sequence[GroupContribution]) -> str:
        large = [g for g in groups if abs(g.bits) >= _TELLING]
        return unordered(_group(g, assessment) for g in large) or "<p>Nothing stands out.</p>"

    return section(
        "why",
        "Why",
        f"<p>Odds of {here} against {rival}, the next best: {odds_words(found.forecast_bits)} by "
        f"age, rock and events alone, {odds_words(found.bits)} with all that was seen and "
        "measured.</p>",
        f"<h3>Speaks for {here}</h3>{listed(found.towards)}"
        f"<h3>Speaks for {rival}</h3>{listed(found.against)}",
        '<p class="small soft">What the odds owe to each sign or reading, all its observations '
        "taken out together. The numbers do not add up, because signs stand in for one another."
        "</p>",
        as_table(
            "single observations",
            f"The strongest single observations; above 0 for {here}, below for {rival}",
            ["Observation", "Date", "Bits"],
            (
                [
                    observed_words(p.what, catalogue),
                    p.what.date.isoformat(),
                    f"{'−' if p.bits < 0 else '+'}{bits_words(p.bits)}",
                ]
                for p in strongest
            ),
        ),
    )


def _effect(effect: EventEffect, tank: TankAssessment, assessment: Assessment) -> str:
    kind = assessment.catalogue.events.get(effect.event.kind)
    label = esc(kind.label if kind else effect.event.kind, 60)
    weeks = plural(effect.followed, "week")
    slipped = worded(*effect.slipped)
    return (
        f"<b>{label}, {day(effect.event.date, seen_from=tank.dates[-1])}:</b> a slip within "
        f"{weeks} {slipped.word}, {slipped.number}; due to it "
        f"{worded(*effect.due).frequency} (range {worded(*effect.due).interval})"
    )


def did_section(tank: TankAssessment, assessment: Assessment, questions: Questions) -> str:
    """What each recorded event did, by the model's attribution."""
    followed = [e for e in questions.event_effects if e.followed]
    if not followed:
        return section("did", "What events did", "<p>No event in the log to tell of yet.</p>")
    large = sorted(
        (e for e in followed if e.due.mean >= _SMALL), key=lambda e: e.event.date, reverse=True
    )
    small = len(followed) - len(large)
    lines = [_effect(e, tank, assessment) for e in large]
    rest = ""
    if small:
        what = "Each other event" if large else "Each event"
        rest = f"<p>{what} ({small}) set it back in fewer than {round(100 * _SMALL)} of 100.</p>"
    return section(
        "did",
        "What events did",
        unordered(lines[:_EVENTS]),
        f"<details><summary>Earlier events</summary>{unordered(lines[_EVENTS:])}</details>"
        if lines[_EVENTS:]
        else "",
        rest,
        '<p class="small soft">The model’s attribution, not proof. Events close together overlap, '
        "and their numbers do not add up.</p>",
    )


def _look_row(look: NextCheck, tank: TankAssessment, assessment: Assessment) -> list[str]:
    last = "never" if look.last is None else day(look.last, seen_from=tank.dates[-1])
    how = _METHODS.get(look.how, esc(look.how.replace("_", " "), 30))
    return [
        f"{observed_label(look.name, assessment.catalogue)}, <small>{how}</small>",
        bits_words(look.bits),
        f"{look.minutes:g} min",
        last,
    ]


def best_looks(looks: Sequence[NextCheck]) -> list[NextCheck]:
    """One way of looking for each sign or test, unchecked ones first, then by bits a minute."""
    best: dict[str, NextCheck] = {}
    for look in looks:
        if look.name not in best or look.per_minute > best[look.name].per_minute:
            best[look.name] = look
    return sorted(best.values(), key=lambda x: (not x.unchecked, -x.per_minute, x.name))


def look_section(tank: TankAssessment, assessment: Assessment, questions: Questions) -> str:
    """Where to look next: what tells most about the phase for a minute of effort."""
    looks = best_looks(questions.next_checks)
    rows = [_look_row(x, tank, assessment) for x in looks]
    head = ["What", "Tells", "Takes", "Last"]
    caption = "Unchecked for four weeks first, then by what a minute tells about the phase"
    signs = assessment.catalogue.signs
    hows = unordered(
        f"<b>{esc(s.label)}.</b> {esc(s.where)}. {esc(s.how)}."
        for x in looks[:_LOOKS]
        if x.name in signs
        for s in [signs[x.name]]
    )
    return section(
        "look",
        "Where to look next",
        '<div class="scroll" role="region" tabindex="0" aria-label="Where to look next">',
        table(caption, head, rows[:_LOOKS]),
        "</div>",
        as_table("all signs and tests", caption, head, rows) if rows[_LOOKS:] else "",
        f"<details><summary>Where and how to look</summary>{hows}</details>" if hows else "",
    )
