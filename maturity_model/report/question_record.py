"""What was asked of a tank in machine form. Keys that were not asked for are null."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from maturity_model.assessment.decisions import Decision
    from maturity_model.assessment.intervals import Estimate
    from maturity_model.assessment.next_checks import Look
    from maturity_model.assessment.observed import Observed
    from maturity_model.assessment.plan import Plan
    from maturity_model.assessment.questions import Questions
    from maturity_model.assessment.sojourn import Stuck
    from maturity_model.assessment.surprise import Surprises
    from maturity_model.assessment.types import Assessment
    from maturity_model.assessment.weight_of_evidence import GroupPush, Why


#: Keys of the questions; null where they were not asked.
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
    """The answers of one tank, ready for JSON.

    Parameters
    ----------
    questions : Questions or None
        None for a report of phase and risk alone.
    assessment : Assessment

    Returns
    -------
    dict
        One entry for each of :data:`QUESTIONS`. A probability mixed over draws is an
        object with ``mean``, ``low`` and ``high`` (5 % and 95 %).
    """
    out: dict[str, Any] = dict.fromkeys(QUESTIONS)
    if questions is None:
        return out
    out["risk_if"] = [
        {
            **_plan(r.plan, assessment),
            "risk": {str(h): _estimate(e) for h, e in zip(r.horizons, r.risk, strict=True)},
            "change": {str(h): _estimate(e) for h, e in zip(r.horizons, r.change, strict=True)},
        }
        for r in questions.risks
    ]
    out["time_to_mature"] = [
        {
            **_plan(w.plan, assessment),
            "already": _estimate(w.already),
            "not_within_two_years": _estimate(w.not_within),
            "quantiles": {"0.05": w.low, "0.5": w.median, "0.95": w.high},
            "dots": list(w.dots),
            "by_week": w.by_week.tolist(),
        }
        for w in questions.waiting
    ]
    if not questions.everything:
        return out
    out["event_effects"] = [
        {
            "date": e.event.date.isoformat(),
            "event": e.event.kind,
            "amount": number(e.event.amount),
            "weeks_followed": e.followed,
            "slipped": _estimate(e.slipped),
            "without": _estimate(e.without),
            "due": _estimate(e.due),
        }
        for e in questions.event_effects
    ]
    out["stuck"] = _stuck(questions.stuck, assessment) if questions.stuck else None
    out["why"] = _why(questions.why, assessment) if questions.why else None
    out["surprises"] = _surprises(questions.surprises) if questions.surprises else None
    out["where_to_look"] = [_look(x) for x in questions.looks]
    out["decisions"] = [_decision(d) for d in questions.decisions]
    return out


def _plan(plan: Plan | None, assessment: Assessment) -> dict[str, Any]:
    if plan is None:
        return {"what_if": None, "label": "nothing further"}
    return {"what_if": plan.text, "label": plan.label(assessment.catalogue)}


def _stuck(found: Stuck, assessment: Assessment) -> dict[str, Any]:
    phases = assessment.phases
    low, middle, high = found.so_far
    return {
        "phase": phases[found.phase],
        "weeks_so_far": {"0.05": low, "0.5": middle, "0.95": high},
        "weeks_needed_by_90_of_100": dict(zip(phases, found.need, strict=True)),
        "lagging": _estimate(found.lagging),
        "lagging_by_phase": {p: _estimate(e) for p, e in zip(phases, found.by_phase, strict=True)},
        "pace": {
            "relative": number(found.pace.speed),
            "low": number(found.pace.low),
            "high": number(found.pace.high),
            "slower": number(found.pace.slower),
        },
        "next_phase_8_weeks": _estimate(found.next_phase) if found.next_phase else None,
        "levers": [
            {
                **_plan(x.plan, assessment),
                "stop": x.stop,
                "next_phase_8_weeks": _estimate(x.within),
                "change": _estimate(x.change),
            }
            for x in found.levers
        ],
    }


def _observed(what: Observed) -> dict[str, Any]:
    return {
        "date": what.date.isoformat(),
        "week": what.week,
        "kind": what.kind,
        "name": what.name,
        "seen": what.seen,
        "text": what.reading.text if what.reading else None,
        "unit": what.reading.unit if what.reading else None,
        "phase": what.phase,
    }


def _group(group: GroupPush) -> dict[str, Any]:
    return {
        "kind": group.kind,
        "name": group.name,
        "bits": number(group.bits),
        "observations": group.count,
        "seen": group.seen,
        "first": group.first.isoformat(),
        "last": group.last.isoformat(),
    }


def _why(found: Why, assessment: Assessment) -> dict[str, Any]:
    return {
        "present": assessment.phases[found.present],
        "rival": assessment.phases[found.rival],
        "probability": [number(p) for p in found.probability],
        "forecast_bits": number(found.forecast_bits),
        "bits": number(found.bits),
        "towards": [_group(g) for g in found.towards],
        "against": [_group(g) for g in found.against],
        "observations": [{**_observed(p.what), "bits": number(p.bits)} for p in found.singles],
    }


def _surprises(said: Surprises) -> dict[str, Any]:
    return {
        "alarm": said.alarm,
        "date": said.items[0].what.date.isoformat(),
        "slipped_lately": number(said.lately.slipped),
        "fell_lately": number(said.lately.fell),
        "vanished": number(said.vanished),
        "pods": said.pods,
        "observations": [
            {
                **_observed(s.what),
                "probability": number(s.probability),
                "vanished": s.vanished,
                "far_off": s.far_off,
                "high": s.high,
            }
            for s in said.items
        ],
    }


def _look(look: Look) -> dict[str, Any]:
    return {
        "kind": look.kind,
        "name": look.name,
        "how": look.how,
        "bits": number(look.bits),
        "minutes": number(look.minutes),
        "bits_per_minute": number(look.per_minute),
        "seen": number(look.seen),
        "last": look.last.isoformat() if look.last else None,
        "unchecked": look.unchecked,
    }


def _decision(decision: Decision) -> dict[str, Any]:
    rule = decision.rule
    return {
        "decision": decision.action,
        "label": rule.label,
        "verdict": decision.verdict,
        "condition": f"{rule.quantity} {rule.item}".strip(),
        "probability": _estimate(decision.probability),
        "threshold": number(decision.threshold),
        "loss": {
            "needless": number(rule.loss.needless.value),
            "missed": number(rule.loss.missed.value),
            "sources": [rule.loss.needless.source, rule.loss.missed.source],
        },
        "why": decision.why,
        "overruled": decision.overruled,
        "cautions": list(decision.cautions),
    }


def number(value: float | None) -> float | None:
    """A number for JSON, which knows neither infinity nor NaN: they become null."""
    return float(value) if value is not None and math.isfinite(value) else None


def _estimate(value: Estimate) -> dict[str, float | None]:
    return {name: number(x) for name, x in value._asdict().items()}
