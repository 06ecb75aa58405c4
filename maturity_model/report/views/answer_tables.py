"""Tables of what was asked about a tank: rules, surprises, evidence, what-ifs, times, looks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from maturity_model.report.plain_text import cut
from maturity_model.report.views.labels import label_of
from maturity_model.report.views.tables import Table, chance, tenths
from maturity_model.report.wording import capital, uncapital

if TYPE_CHECKING:
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.first_passage import FirstPassage
    from maturity_model.assessment.observed import Observed
    from maturity_model.assessment.plan import Plan
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.sojourn import SojournCheck
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.assessment.weight_of_evidence import WeightOfEvidence

#: Single observations that are listed, the strongest.
_SINGLES = 15
#: Weeks at which the probability of having reached the last phase is listed.
_TOLD = (0, 4, 8, 13, 26, 39, 52, 78, 104)


def answer_tables(
    tank: TankAssessment, assessment: Assessment, labels: Sequence[str]
) -> Iterator[Table]:
    """Tables of the questions that were asked; none where none was."""
    questions = tank.questions
    if questions is None:
        return
    if questions.decisions:
        yield _decisions(questions.decisions, assessment)
    if questions.surprises:
        yield _surprises(questions, assessment)
    if questions.evidence:
        yield from _evidence(questions.evidence, assessment, labels)
    if questions.risks:
        yield _risks(questions, assessment)
    yield _waiting(questions.first_passages, assessment, labels)
    if questions.sojourn:
        yield _sojourn(questions.sojourn, assessment, labels)
    if questions.event_effects:
        yield _effects(questions)
    if questions.next_checks:
        yield _looks(questions, assessment)


def _overruled_by(decision: Decision) -> str:
    """What gave the verdict, where the probability did not."""
    if not decision.overruled:
        return ""
    if decision.verdict == "yes":
        return "Overruled by a caution: "
    if decision.missing and decision.why == decision.missing[0].why.rstrip("."):
        return "Evidence is missing: "
    return "Overruled: "


def _decisions(decisions: Sequence[Decision], assessment: Assessment) -> Table:
    rows = []
    for d in decisions:
        needless, missed = d.rule.needless, d.rule.missed
        marks = ", ".join(dict.fromkeys((needless.source, missed.source)))
        missing = "; ".join(f"{m.why.rstrip('.')}: {m.do}" for m in d.missing)
        rows.append(
            (
                d.rule.label,
                d.verdict,
                f"{capital(d.rule.condition)}: {chance(d.probability)}",
                f"{100 * d.rule.threshold:.3g}",
                f"{needless.value:g} to {missed.value:g} [{marks}]",
                f"{_overruled_by(d)}{d.why}",
                cut(missing, 600),
            )
        )
    sources = assessment.catalogue.sources
    used = dict.fromkeys(m.source for d in decisions for m in (d.rule.needless, d.rule.missed))
    cited = "; ".join(f"[{m}] {sources[m].citation}" for m in used if m in sources)
    return Table(
        "What to do or leave alone: the probability of each condition in percent, what it must "
        f"reach, and the costs of a needless act to a missed one. {cut(cited, 300)}",
        ("Rule", "Verdict", "Condition", "Needed", "Costs", "Why", "Evidence that is missing"),
        tuple(rows),
    )


def observed_words(what: Observed, assessment: Assessment) -> str:
    """One observation: 'Amphipods not seen', 'Nitrate 5 mg/L', 'Judged phase: mature'."""
    label = label_of(what.name, assessment)
    if what.kind == "sign":
        return f"{label} {'seen' if what.seen else 'not seen'}"
    if what.reading is not None:
        return f"{label} {cut(what.reading.text, 30)} {cut(what.reading.unit, 30)}".rstrip()
    return f"{label}: {cut(what.phase or '', 60)}"


def _surprises(questions: Questions, assessment: Assessment) -> Table:
    said = questions.surprises
    assert said is not None
    rows = tuple(
        (
            observed_words(s.what, assessment),
            tenths(s.probability),
            "vanished" if s.vanished else "far off" if s.far_off else "",
        )
        for s in said.items
    )
    return Table(
        f"Surprises of the check-in of {said.date}: how probable each answer was in "
        "percent, given the log before it (a reading: one at least so far off). Alarm: "
        f"{said.alarm or 'none'}. Slips expected in the three weeks before: "
        f"{said.recent.slipped:.3f}; fell to the first phase: {tenths(said.recent.fell)} %",
        ("Observation", "Probability", "Marked as"),
        rows,
    )


def _evidence(
    found: WeightOfEvidence, assessment: Assessment, labels: Sequence[str]
) -> Iterator[Table]:
    here, rival = labels[found.present].lower(), labels[found.rival].lower()
    yield Table(
        f"Weight of evidence for {here} against {rival} in bits: {found.forecast_bits:.2f} by age, "
        f"rock and events alone, {found.bits:.2f} with all that was seen and measured. Each row: "
        "all observations of a sign or analyte taken out together; the numbers do not add up",
        ("What", "Bits", "Observations", "Seen", "First", "Last"),
        tuple(
            (
                label_of(g.name, assessment),
                f"{g.bits:.2f}",
                str(g.count),
                str(g.seen) if g.kind == "sign" else "",
                g.first.isoformat(),
                g.last.isoformat(),
            )
            for g in (*found.towards, *found.against)
        ),
    )
    strongest = sorted(found.singles, key=lambda p: -abs(p.bits))[:_SINGLES]
    yield Table(
        f"The strongest single observations; above 0 for {here}, below for {rival}",
        ("Observation", "Date", "Bits"),
        tuple(
            (observed_words(p.what, assessment), p.what.date.isoformat(), f"{p.bits:.2f}")
            for p in strongest
        ),
    )


def _plan(plan: Plan | None, assessment: Assessment) -> str:
    return "Nothing further" if plan is None else cut(plan.label(assessment.catalogue), 200)


def _risks(questions: Questions, assessment: Assessment) -> Table:
    horizons = questions.risks[0].horizons
    return Table(
        "Risk of slipping back in percent, all else unchanged; 5 % to 95 % of draws in brackets",
        (
            "If",
            *(f"{h} weeks" for h in horizons),
            *(f"change, {h} weeks, points" for h in horizons),
        ),
        tuple(
            (
                _plan(r.plan, assessment),
                *map(chance, r.risk),
                *(f"{100 * x.mean:+.1f}" if r.plan else "" for x in r.change),
            )
            for r in questions.risks
        ),
    )


def _waiting(
    waiting: Sequence[FirstPassage], assessment: Assessment, labels: Sequence[str]
) -> Table:
    def week(weeks: int | None) -> str:
        return "later" if weeks is None else str(weeks)

    return Table(
        f"Time to {labels[-1].lower()}: weeks from now in which 5, 50 and 95 of 100 such tanks "
        "have reached it, and the probability in percent of having done so by a week",
        ("If", "5 %", "50 %", "95 %", *(f"week {w}" for w in _TOLD), "not in two years"),
        tuple(
            (
                _plan(w.plan, assessment),
                week(w.low),
                week(w.median),
                week(w.high),
                *(tenths(float(w.by_week[at])) if at < len(w.by_week) else "" for at in _TOLD),
                chance(w.not_within),
            )
            for w in waiting
        ),
    )


def _sojourn(found: SojournCheck, assessment: Assessment, labels: Sequence[str]) -> Table:
    low, middle, high = found.so_far
    need = found.need[found.phase]
    pace = found.pace
    rows = [
        ("Weeks in it so far", f"{middle} ({low}–{high})"),
        ("Weeks that nine in ten need", "no limit" if need is None else str(need)),
        ("Held up, %", chance(found.lagging)),
        ("Pace beside the median tank", f"{pace.speed:.2f} ({pace.low:.2f}–{pace.high:.2f})"),
        ("Slower than it, %", tenths(pace.slower)),
    ]
    if found.next_phase is not None:
        rows.append(("Next phase within 8 weeks, %", chance(found.next_phase)))
    for lever in found.contrasts:
        verb = "Without further" if lever.stop else "With"
        change = f"{100 * lever.change.mean:+.1f} points"
        rows.append(
            (
                f"{verb} {uncapital(_plan(lever.plan, assessment))}, %",
                f"{chance(lever.within)}, {change}",
            )
        )
    return Table(
        f"Time in {labels[found.phase].lower()}; a comparison of husbandry, not a dose",
        ("Quantity", "Value"),
        tuple(rows),
    )


def _effects(questions: Questions) -> Table:
    return Table(
        "What events did, by the model's attribution, in percent: a slip in the weeks followed, "
        "one without the event, and one due to it",
        ("Date", "Event", "Weeks followed", "Slipped", "Without", "Due"),
        tuple(
            (
                e.event.date.isoformat(),
                cut(e.event.kind, 60),
                str(e.followed),
                chance(e.slipped),
                chance(e.without),
                chance(e.due),
            )
            for e in questions.event_effects
        ),
    )


def _looks(questions: Questions, assessment: Assessment) -> Table:
    ordered = sorted(questions.next_checks, key=lambda x: (not x.unchecked, -x.per_minute, x.name))
    return Table(
        "Where to look next: bits about the phase, and minutes",
        ("What", "How", "Bits", "Minutes", "Chance of seeing it", "Last"),
        tuple(
            (
                label_of(x.name, assessment),
                cut(x.how.replace("_", " "), 30),
                f"{x.bits:.3f}",
                f"{x.minutes:g}",
                "" if x.seen is None else tenths(x.seen),
                "never" if x.last is None else x.last.isoformat(),
            )
            for x in ordered
        ),
    )
