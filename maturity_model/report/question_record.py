"""The answers about a tank in machine form. Keys of questions not asked are null."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from maturity_model.report.json_values import as_json

if TYPE_CHECKING:
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.observed import Observed
    from maturity_model.assessment.plan import Plan
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.sojourn import SojournCheck
    from maturity_model.assessment.surprise import Surprises
    from maturity_model.assessment.types import Assessment
    from maturity_model.assessment.weight_of_evidence import GroupContribution, WeightOfEvidence


#: Keys of the questions; null where they were not asked or have no answer.
QUESTIONS = (
    "risk_if",
    "event_effects",
    "time_to_mature",
    "stuck",
    "why",
    "surprises",
    "where_to_look",
    "decisions",
)


def question_record(questions: Questions | None, assessment: Assessment) -> dict[str, Any]:
    """The answers of one tank, ready for JSON: an entry for each of :data:`QUESTIONS`.

    A probability mixed over draws is an object with ``mean``, ``low`` and ``high`` (5 % and 95 %).
    """
    out: dict[str, Any] = dict.fromkeys(QUESTIONS)
    if questions is None:
        return out
    # In the first phase there is nothing to slip to, so that it stays null.
    out["risk_if"] = [
        {
            **_plan(r.plan, assessment),
            "risk": dict(zip(map(str, r.horizons), r.risk, strict=True)),
            "change": dict(zip(map(str, r.horizons), r.change, strict=True)),
        }
        for r in questions.risks
    ] or None
    out["time_to_mature"] = [
        {
            **_plan(w.plan, assessment),
            "already": w.already,
            "not_within_two_years": w.not_within,
            "quantiles": {"0.05": w.low, "0.5": w.median, "0.95": w.high},
            "dots": w.dots,
            "by_week": w.by_week,
        }
        for w in questions.first_passages
    ]
    if not questions.everything:
        return out
    out["event_effects"] = [
        {
            "date": e.event.date,
            "event": e.event.kind,
            "amount": e.event.amount,
            "weeks_followed": e.followed,
            "slipped": e.slipped,
            "without": e.without,
            "due": e.due,
        }
        for e in questions.event_effects
    ]
    out["stuck"] = _sojourn(questions.sojourn, assessment) if questions.sojourn else None
    out["why"] = _evidence(questions.evidence, assessment) if questions.evidence else None
    out["surprises"] = _surprises(questions.surprises) if questions.surprises else None
    out["where_to_look"] = [
        {**as_json(x), "bits_per_minute": x.per_minute} for x in questions.next_checks
    ]
    out["decisions"] = [_decision(d) for d in questions.decisions]
    return out


def _plan(plan: Plan | None, assessment: Assessment) -> dict[str, Any]:
    if plan is None:
        return {"what_if": None, "label": "nothing further"}
    return {"what_if": plan.text, "label": plan.label(assessment.catalogue)}


def _sojourn(check: SojournCheck, assessment: Assessment) -> dict[str, Any]:
    phases = assessment.phases
    low, middle, high = check.so_far
    return {
        "phase": phases[check.phase],
        "weeks_so_far": {"0.05": low, "0.5": middle, "0.95": high},
        "weeks_needed_by_90_of_100": dict(zip(phases, check.need, strict=True)),
        "lagging": check.lagging,
        "lagging_by_phase": dict(zip(phases, check.by_phase, strict=True)),
        "pace": {
            "relative": check.pace.speed,
            "low": check.pace.low,
            "high": check.pace.high,
            "slower": check.pace.slower,
        },
        "next_phase_8_weeks": check.next_phase,
        "levers": [
            {
                **_plan(x.plan, assessment),
                "stop": x.stop,
                "next_phase_8_weeks": x.within,
                "change": x.change,
            }
            for x in check.contrasts
        ],
    }


def _observed(what: Observed) -> dict[str, Any]:
    return {
        "date": what.date,
        "week": what.week,
        "kind": what.kind,
        "name": what.name,
        "seen": what.seen,
        "text": what.reading.text if what.reading else None,
        "unit": what.reading.unit if what.reading else None,
        "phase": what.phase,
    }


def _group(group: GroupContribution) -> dict[str, Any]:
    return {**as_json(group, "count", "latest", "strongest"), "observations": group.count}


def _evidence(evidence: WeightOfEvidence, assessment: Assessment) -> dict[str, Any]:
    return {
        "present": assessment.phases[evidence.present],
        "rival": assessment.phases[evidence.rival],
        "probability": evidence.probability,
        "forecast_bits": evidence.forecast_bits,
        "bits": evidence.bits,
        "towards": [_group(g) for g in evidence.towards],
        "against": [_group(g) for g in evidence.against],
        "observations": [{**_observed(p.what), "bits": p.bits} for p in evidence.singles],
    }


def _surprises(surprises: Surprises) -> dict[str, Any]:
    return {
        "alarm": surprises.alarm,
        "date": surprises.items[0].what.date,
        "slipped_lately": surprises.recent.slipped,
        "fell_lately": surprises.recent.fell,
        "vanished": surprises.vanished,
        "pods": surprises.pods,
        "observations": [
            {
                **_observed(s.what),
                "probability": s.probability,
                "vanished": s.vanished,
                "far_off": s.far_off,
                "high": s.high,
            }
            for s in surprises.items
        ],
    }


def _decision(decision: Decision) -> dict[str, Any]:
    rule = decision.rule
    return {
        "decision": decision.action,
        "label": rule.label,
        "verdict": decision.verdict,
        "condition": rule.condition,
        "probability": decision.probability,
        "threshold": rule.threshold,
        "loss": {
            "needless": rule.needless.value,
            "missed": rule.missed.value,
            "sources": [rule.needless.source, rule.missed.source],
        },
        "why": decision.why,
        "overruled": decision.overruled,
        "cautions": decision.cautions,
        "permission": rule.permission or None,
        "missing": decision.missing,
    }
