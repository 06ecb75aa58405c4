"""Everything on a tank's page in machine form."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from maturity_model.report.question_record import number, question_record
from maturity_model.report.wording import start_words, statement

if TYPE_CHECKING:
    import datetime as dt

    import numpy as np

    from maturity_model.assessment.types import (
        Assessment,
        Provenance,
        Reach,
        Reweighting,
        TankAssessment,
    )
    from maturity_model.logbook.types import Account, CheckIn, Event, Problem, Tank

#: Raised when a key changes its meaning or goes away.
SCHEMA_VERSION = 1


def tank_record(
    tank: TankAssessment, assessment: Assessment, command: str, labels: tuple[str, ...]
) -> dict[str, Any]:
    """The record of one tank, ready for JSON.

    Probabilities are listed by week, then phase (``phases`` gives their order); numbers
    that are infinite or unknown are null.

    Parameters
    ----------
    labels : tuple of str
        Labels of the phases.
    """
    return {
        "schema_version": SCHEMA_VERSION,
        "statement": statement(tank, labels, assessment.provenance),
        "provenance": provenance_record(assessment.provenance, command),
        "tank": _tank(tank.tank),
        "as_of": assessment.provenance.as_of.isoformat(),
        "phases": list(assessment.phases),
        "present_phase": assessment.phases[tank.present],
        "weeks": [int(w) for w in tank.weeks],
        "dates": [d.isoformat() for d in tank.dates],
        "filtered": _array(tank.filtered),
        "smoothed": _array(tank.smoothed),
        "forecast_only": _array(tank.forecast_only),
        "intervals": {
            "levels": [0.05, 0.95],
            "smoothed_low": _array(tank.smoothed_low),
            "smoothed_high": _array(tank.smoothed_high),
            "now_low": _array(tank.now_low),
            "now_high": _array(tank.now_high),
        },
        "regression": {
            "horizons_weeks": list(tank.horizons),
            "probability": _array(tank.regression),
            **_slip_now(tank, labels),
        },
        "slipped": _array(tank.slipped),
        "reach": _reach(tank.reach),
        "reweighting": _reweighting(tank.reweighting),
        "checkins": [_checkin(c) for c in tank.checkins],
        "events": [_event(e) for e in tank.events],
        "problems": [problem_record(p) for p in tank.problems],
        "account": account_record(assessment.account),
        "cautions": [
            {"level": c.level, "title": c.title, "text": c.text, "authority": c.authority}
            for c in tank.cautions
        ],
        "notes": list(tank.notes),
        "pool": {
            "tank": tank.in_pool,
            "keeper_skill": None if tank.skill is None else tank.skill._asdict(),
        },
        **question_record(tank.questions, assessment),
    }


def _slip_now(tank: TankAssessment, labels: tuple[str, ...]) -> dict[str, Any]:
    """Return the risk of slipping back now by horizon, or null with the reason."""
    if tank.at_start:
        return {"now": None, "now_low": None, "now_high": None, "reason": start_words(labels[0])}
    return {
        "now": _array(tank.regression[-1]),
        "now_low": _array(tank.regression_low),
        "now_high": _array(tank.regression_high),
        "reason": None,
    }


def _tank(tank: Tank) -> dict[str, Any]:
    return {
        "name": tank.name,
        "started": tank.started.isoformat(),
        "earlier_start": _date(tank.earlier_start),
        "keeper": tank.keeper,
        "club": tank.club,
        "volume_l": number(tank.volume_l),
        "rock": tank.rock,
        "sand_depth_mm": number(tank.sand_depth_mm),
    }


def _reach(reach: Reach) -> dict[str, Any]:
    return {
        "weeks": reach.weeks,
        "weeks_with_checkin": reach.weeks_with_checkin,
        "last_checkin": _date(reach.last_checkin),
        "weeks_since_checkin": reach.weeks_since_checkin,
        "share_signs_checked": number(reach.share_signs_checked),
        "readings": reach.readings,
        "unchecked_signs": list(reach.unchecked_signs),
        "last_look": _date(reach.last_look),
        "weeks_since_look": reach.weeks_since_look,
        "silent": reach.silent,
    }


def _reweighting(reweighting: Reweighting) -> dict[str, Any]:
    return {
        "khat_full": number(reweighting.khat_full),
        "khat": number(reweighting.khat),
        "share": number(reweighting.share),
        "ess": number(reweighting.ess),
        "draws": reweighting.draws,
        "limit": number(reweighting.limit),
    }


def provenance_record(provenance: Provenance, command: str) -> dict[str, Any]:
    """Where the answer comes from, ready for JSON."""
    draws, pace, skill = provenance.quadrature
    return {
        "program": "maturity-model",
        "version": provenance.version,
        "command": command,
        "population": {
            "name": provenance.population_name,
            "kind": provenance.population_kind,
            "sha256": provenance.population_sha256,
            "standing": provenance.population_standing,
            "warning": provenance.population_warning or None,
        },
        "logbook_sha256": provenance.logbook_sha256,
        "evidence_weight": number(provenance.evidence_weight),
        "as_of": provenance.as_of.isoformat(),
        "as_of_given": provenance.as_of_given,
        "quadrature": {"draws": draws, "pace_nodes": pace, "skill_nodes": skill},
    }


def problem_record(problem: Problem) -> dict[str, Any]:
    """One problem of a log, ready for JSON."""
    return {
        "severity": problem.severity,
        "scope": problem.scope,
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "value": problem.value,
        "what": problem.what,
        "mend": problem.mend,
        "tank": problem.tank,
    }


def account_record(account: Account) -> dict[str, Any]:
    """What became of each file and sheet of a log, and its rows counted, ready for JSON.

    The rows that were refused stand among the problems.
    """
    return {
        "entries": [{"name": e.name, "fate": e.fate, "why": e.why} for e in account.entries],
        "rows": [
            {"file": r.file, "read": r.read, "used": r.used, "refused": r.refused}
            for r in account.rows
        ],
    }


def to_json(record: dict[str, Any]) -> str:
    """Strict JSON, so a number that is not finite is an error here and not in a reader."""
    return json.dumps(record, allow_nan=False, ensure_ascii=True, separators=(",", ":")) + "\n"


def _checkin(checkin: CheckIn) -> dict[str, Any]:
    return {
        "date": checkin.date.isoformat(),
        "observer": checkin.observer,
        "look": checkin.look,
        "judged_phase": checkin.judged_phase,
        "note": checkin.note,
        "signs": dict(checkin.signs),
        "readings": {
            name: {
                "text": r.text,
                "unit": r.unit,
                "method": r.method,
                "low": number(r.low),
                "high": number(r.high),
                "best": number(r.best),
            }
            for name, r in checkin.readings.items()
        },
        "file": checkin.file,
        "line": checkin.line,
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "date": event.date.isoformat(),
        "kind": event.kind,
        "amount": number(event.amount),
        "note": event.note,
        "file": event.file,
        "line": event.line,
    }


def _array(values: np.ndarray) -> Any:
    return values.tolist()


def _date(date: dt.date | None) -> str | None:
    return None if date is None else date.isoformat()
