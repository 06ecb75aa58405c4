"""Everything on a tank's page in machine form."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from maturity_model.report.json_values import as_json
from maturity_model.report.likelihood_words import start_words, statement
from maturity_model.report.question_record import question_record
from maturity_model.report.wording import phase_labels

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, Provenance, TankAssessment

#: Raised when a key changes its meaning or goes away.
SCHEMA_VERSION = 1


def tank_record(
    tank: TankAssessment, assessment: Assessment, command: str, labels: tuple[str, ...]
) -> dict[str, Any]:
    """The record of one tank, ready for JSON.

    Probabilities are listed by week, then phase (``phases`` gives their order); numbers
    that are infinite or unknown are null.
    """
    record = {
        "schema_version": SCHEMA_VERSION,
        "statement": statement(tank, labels, assessment.provenance),
        "provenance": provenance_record(assessment.provenance, command),
        "tank": as_json(tank.tank, "line", "consent", "ended"),
        "as_of": assessment.provenance.as_of,
        "phases": assessment.phases,
        "present_phase": assessment.phases[tank.present],
        "weeks": tank.weeks,
        "dates": tank.dates,
        "filtered": tank.filtered,
        "smoothed": tank.smoothed,
        "forecast_only": tank.forecast_only,
        "intervals": {
            "levels": [0.05, 0.95],
            "smoothed_low": tank.smoothed_low,
            "smoothed_high": tank.smoothed_high,
            "now_low": tank.now_low,
            "now_high": tank.now_high,
        },
        "regression": {
            "horizons_weeks": tank.horizons,
            "probability": tank.regression,
            **_slip_now(tank, labels),
        },
        "slipped": tank.slipped,
        "course": tank.course,
        "reach": tank.reach,
        "reweighting": tank.reweighting,
        "checkins": [as_json(c, "tank") for c in tank.checkins],
        "events": [as_json(e, "tank") for e in tank.events],
        "problems": tank.problems,
        "account": assessment.account,
        "cautions": tank.cautions,
        "notes": tank.notes,
        "pool": {"tank": tank.in_pool, "keeper_skill": tank.skill},
        **question_record(tank.questions, assessment),
    }
    return as_json(record)


def report_record(assessment: Assessment, command: str) -> dict[str, Any]:
    """The records of all tanks, ready for JSON, in the order of the log."""
    labels = phase_labels(assessment)
    return {
        "schema_version": SCHEMA_VERSION,
        "provenance": as_json(provenance_record(assessment.provenance, command)),
        "refused_tanks": list(assessment.refused_tanks),
        "tanks": [tank_record(tank, assessment, command, labels) for tank in assessment.tanks],
    }


def _slip_now(tank: TankAssessment, labels: tuple[str, ...]) -> dict[str, Any]:
    """Return the risk of slipping back now by horizon, or null with the reason."""
    if tank.at_start:
        return {"now": None, "now_low": None, "now_high": None, "reason": start_words(labels[0])}
    return {
        "now": tank.regression[-1],
        "now_low": tank.regression_low,
        "now_high": tank.regression_high,
        "reason": None,
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
        "evidence_weight": provenance.evidence_weight,
        "as_of": provenance.as_of,
        "as_of_given": provenance.as_of_given,
        "quadrature": {"draws": draws, "pace_nodes": pace, "skill_nodes": skill},
    }


def to_json(record: dict[str, Any]) -> str:
    """Strict JSON, so a number that is not finite is an error here and not in a reader."""
    return json.dumps(record, allow_nan=False, ensure_ascii=True, separators=(",", ":")) + "\n"
