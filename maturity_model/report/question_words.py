"""Words for what questions speak of: observations, conditions, alarms. HTML, escaped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from maturity_model.assessment.surprise import CORROBORATED, FELL, PODS
from maturity_model.report.html import esc
from maturity_model.report.wording import capital, day, worded

if TYPE_CHECKING:
    from maturity_model.assessment.cautions import Caution
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.observed import Observed
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Catalogue, DecisionRule

#: The rule that closes the line.
LEAVE_BE = "do_nothing"
#: The rule that helps the animals at once, before anything is measured again.
FIRST_REMEDY = "change_water"
#: What a rule needs to be probable, by its quantity; ``{}`` is the phase or event it is about.
_CONDITIONS: Mapping[str, str] = {
    "phase at least": "{} or later",
    "phase is": "{} now",
    "present phase uncertain": "another phase than the one named",
    "slipped lately": "slipped in the three weeks before the check-in of {date}",
    "fallen lately": "fell to the first phase in the three weeks before the check-in of {date}",
    "no slip within 8 weeks": "no slip within 8 weeks",
    "no look for weeks": "no look in the last four weeks",
    "slips within 8 weeks after": "a slip within 8 weeks, {} today",
}


def uncapital(text: str) -> str:
    """Text with a small first letter, for the middle of a sentence; 'pH' and units stay."""
    return text if text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


def phase_label(name: str, assessment: Assessment) -> str:
    """Label of a phase by its name, in running text."""
    known = assessment.catalogue.phases
    return esc(known[name].label.lower() if name in known else name, 60)


def observed_label(name: str, catalogue: Catalogue) -> str:
    """Label of a sign, an analyte or the judged phases."""
    if name in catalogue.signs:
        return esc(catalogue.signs[name].label, 80)
    if name in catalogue.analytes:
        return esc(catalogue.analytes[name].label, 80)
    return "Judged phase" if name == "judged_phase" else esc(capital(name), 80)


def observed_words(what: Observed, catalogue: Catalogue) -> str:
    """One observation: 'Amphipods not seen', 'Nitrate 5 mg/L', 'Judged phase: mature'."""
    label = observed_label(what.name, catalogue)
    if what.kind == "sign":
        return f"{label} {'seen' if what.seen else 'not seen'}"
    if what.reading is not None:
        return f"{label} {esc(what.reading.text, 30)} {esc(what.reading.unit, 30)}".rstrip()
    known = catalogue.phases
    phase = what.phase or ""
    return f"{label}: {esc(known[phase].label.lower() if phase in known else phase, 60)}"


def condition_words(rule: DecisionRule, tank: TankAssessment, assessment: Assessment) -> str:
    """What must be probable for a rule, dated by the check-in that it rests on."""
    item = rule.item
    kind = assessment.catalogue.events.get(item)
    named = esc(kind.label.lower(), 60) if kind else phase_label(item, assessment)
    said = tank.questions.surprises if tank.questions else None
    date = day(said.date, seen_from=tank.dates[-1]) if said else "the last look"
    words = esc(_CONDITIONS.get(rule.quantity, rule.quantity), 120)
    return words.replace("{}", named).replace("{date}", date)


def _run(labels: Sequence[str]) -> str:
    return "; ".join([labels[0], *(x[:1].lower() + x[1:] for x in labels[1:])])


def action_line(decisions: Sequence[Decision]) -> str:
    """What to do now, and what may be done, in one line of plain text.

    A rule whose needless use costs more than missing it gives leave; the others call.
    """
    called = [d for d in decisions if d.verdict == "yes"]
    # What a caution asks for comes first, and of that what helps before what tells.
    called.sort(key=lambda d: (not d.remedy, d.remedy and d.action != FIRST_REMEDY))
    yes = [d.rule for d in called]
    calls = [r.label for r in yes if r.threshold <= 0.5]
    leave = [r.label for r in yes if r.threshold > 0.5 and r.name != LEAVE_BE]
    out = [f"{_run(calls)}."] if calls else ["No rule calls for anything."]
    if leave:
        may = _run(leave)
        out.append(f"You may {may[:1].lower()}{may[1:]}.")
    lacking = next((d for d in decisions if d.lacks_evidence and d.verdict == "not now"), None)
    if lacking is not None:
        label = lacking.rule.label
        head = "Do not leave it be yet" if lacking.action == LEAVE_BE else f"{label}: not yet"
        out.append(f"{head}. {lacking.why}. {lacking.missing[0].do}")
    out += [f"{r.label}." for r in yes if r.name == LEAVE_BE]
    return " ".join(out)


def _list(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def acts_first(cautions: Sequence[Caution]) -> bool:
    """Whether a caution asks to act at once, so that no test is to be waited for."""
    return any(c.level == "urgent" or FIRST_REMEDY in c.remedies for c in cautions)


def alarm_title(tank: TankAssessment) -> str:
    """The alarm in a few words, or nothing; plain text."""
    said = tank.questions.surprises if tank.questions else None
    if said is None or not said.alarm:
        return ""
    if said.alarm == "something is wrong":
        return "Something may be wrong, look again"
    return "Act first, then check the kit" if acts_first(tank.cautions) else "Check the kit"


def alarm_words(tank: TankAssessment, assessment: Assessment) -> str:
    """Why there is an alarm: what vanished, what is far off, whether it slipped."""
    questions = tank.questions
    said = questions.surprises if questions else None
    if said is None or not said.alarm:
        return ""
    catalogue = assessment.catalogue
    date = day(said.items[0].what.date, seen_from=tank.dates[-1])
    parts = []
    gone = sorted((s.what.name for s in said.items if s.vanished), key=lambda n: n not in PODS)
    if gone:
        names = _list([observed_label(n, catalogue).lower() for n in gone])
        parts.append(f"{names}, seen again and again before, not seen")
    off = [
        f"{observed_words(s.what, catalogue)}, far {'above' if s.high else 'below'} what the log "
        "led to expect"
        for s in said.items
        if s.far_off
    ]
    parts += off
    if said.alarm == "check the kit":
        measure = "Measure again, with another kit if you can."
        if acts_first(tank.cautions):
            act = "Do first what the cautions ask for, as if it were true. "
            return f"Check-in of {date}: {'; '.join(parts)}. {act}{measure}"
        return (
            f"Check-in of {date}: {'; '.join(parts)}, and nothing else agrees with it. {measure} "
            "If animals look unwell, do not wait for it."
        )
    first = phase_label(assessment.phases[0], assessment)
    if said.recent.slipped >= CORROBORATED or not parts:
        recent = worded(min(said.recent.slipped, 1.0))
        parts.append(
            f"that the tank slipped in the three weeks before is {recent.word}: {recent.number}, "
            f"{recent.frequency}"
        )
    if said.recent.fell >= FELL:
        fell = worded(said.recent.fell)
        parts.append(f"that it fell back to {first}: {fell.number}, {fell.frequency}")
    return (
        f"Check-in of {date}: {'; '.join(parts)}. Look at the animals now, then test; a vet "
        "comes before this page."
    )


def threshold_words(p: float) -> str:
    """A threshold in percent, to two digits."""
    return f"{100 * p:.2g} %"


def ratio(value: float) -> str:
    """A factor of at least 1, as short as it is known."""
    if value > 1000:
        return "more than 1000"
    if value < 2.95:
        return f"{value:.1f}"
    return str(round(value)) if value < 20 else f"{float(f'{value:.1g}'):.0f}"


def odds_words(bits: float) -> str:
    """Odds from their binary logarithm: '12 to 1', '1 to 3', 'even'."""
    shown = ratio(2.0 ** min(abs(bits), 64.0))
    if shown == "1.0":
        return "even"
    return f"{shown} to 1" if bits > 0 else f"1 to {shown}"


def bits_words(bits: float) -> str:
    """An amount of evidence or information: '0.8 bits'."""
    size = abs(bits)
    return "<0.01 bits" if size < 0.01 else f"{size:.2g} bits"


def push_words(bits: float) -> str:
    """What a weight of evidence does to the odds: 'odds × 1.8 (0.8 bits)'."""
    sign = "×" if bits > 0 else "÷"
    return f"odds {sign} {ratio(2.0 ** min(abs(bits), 64.0))} ({bits_words(bits)})"
