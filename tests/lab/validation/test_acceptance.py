"""What must hold: met, missed, not known; an overconfident forecaster is flagged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest
from validation_examples import BROKEN, MECHANISTIC, OWN, result, times

from maturity_model.lab.validation.acceptance import (
    Criterion,
    evaluate,
    pooled_presets,
    verify,
)
from maturity_model.lab.validation.cases import Case, cases
from maturity_model.lab.validation.forecasters import BASELINES
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import Estimate


def judge(chosen: Sequence[Case], results: Mapping[str, CaseResult]) -> list[Criterion]:
    return evaluate(chosen, results, verify(chosen, results))


def by_what(case: Case, one: CaseResult) -> dict[str, Criterion]:
    return {c.what: c for c in judge([case], {case.name: one})}


def test_a_good_forecaster_meets_all_and_an_overconfident_one_is_flagged() -> None:
    error, way = "calibration error", "share of the way to the ceiling"
    found = by_what(MECHANISTIC, result((0.85, 0.85)))
    assert found[error].verdict == found[way].verdict == "met"
    assert all(found[f"log score gained over {b.replace('_', ' ')}"].passed for b in BASELINES)
    # Nothing was fitted: that is not known, and not met.
    assert found["log score gained by an unlabelled pooled fit"].passed is None
    assert found["with a fifth judged, calibration error"].verdict == "not known"
    # As often right as a calibrated one that is far on the way; its log score pays for it.
    found, honest = (by_what(MECHANISTIC, result((said, 0.75))) for said in (0.99, 0.75))
    assert found[error].verdict == "MISSED"
    assert found[way].passed is False
    assert honest[error].passed
    assert honest[way].estimate.value > 0.4


@pytest.mark.parametrize(("spread", "met"), [(1.0, True), (1.5, False), (0.8, False)])
def test_coverage_in_the_own_world(spread: float, met: bool) -> None:
    own = replace(result((0.85, 0.85)), times=times(spread))
    criterion = by_what(OWN, own)["coverage of the 90 % interval of the time to mature"]
    assert criterion.passed is met
    assert (criterion.least, criterion.most) == (0.88, 0.92)


def test_broken_assumptions_are_held_against_age_alone() -> None:
    other = BROKEN._replace(name="broken-y")
    results = {BROKEN.name: result((0.5, 0.5)), other.name: result((0.9, 0.4))}
    found = judge([BROKEN, other], results)
    assert [(c.case, c.passed) for c in found] == [("broken-x", True), ("broken-y", False)]


def test_each_ecology_is_asked_the_same_and_judged_apart_and_together() -> None:
    chosen = cases(["mechanistic", "microcosm", "mesocosm"])
    assert {n: [c.name for c in own] for n, own in pooled_presets(chosen).items()} == {
        "mechanistic, all presets": [c.name for c in cases(["mechanistic"])],
        "mesocosm, all presets": ["mesocosm-usual", "mesocosm-slowburn", "mesocosm-busy"],
    }
    # Bad in one preset shows there and, less, in all presets together; nowhere else.
    good, bad = result((0.85, 0.85)), result((0.99, 0.5))
    results = {c.name: bad if c.name == "mesocosm-busy" else good for c in chosen}
    found = judge(chosen, results)
    asked: dict[str, list[tuple[str, float, float]]] = {}
    for c in found:
        asked.setdefault(c.case, []).append((c.what, c.least, c.most))
    assert list(asked)[-5:] == ["microcosm-usual", "mesocosm, all presets", "mesocosm-usual",
                                "mesocosm-slowburn", "mesocosm-busy"]  # fmt: skip
    assert all(what == asked["mechanistic-typical"] for what in asked.values())
    errors = {c.case: c.estimate.value for c in found if c.what == "calibration error"}
    assert {c for c, error in errors.items() if error > 0.05} == {
        "mesocosm, all presets", "mesocosm-busy"
    }  # fmt: skip
    assert errors["mesocosm-usual"] < errors["mesocosm, all presets"] < errors["mesocosm-busy"]


@pytest.mark.parametrize(
    ("least", "most", "estimate", "verdict"),
    [
        (0.0, np.inf, (0.1, -0.1, 0.3), "met, could be chance"),
        (0.0, np.inf, (-0.1, -0.3, 0.1), "MISSED, could be chance"),
        (0.0, np.inf, (0.1, 0.05, 0.3), "met"),
        (0.88, 0.92, (0.8, 0.7, 0.9), "MISSED, could be chance"),
        (0.88, 0.92, (0.8, 0.7, 0.85), "MISSED"),
    ],
)
def test_a_limit_within_the_interval_could_be_chance(
    least: float, most: float, estimate: tuple[float, float, float], verdict: str
) -> None:
    assert Criterion("c", "w", least, most, Estimate(*estimate)).verdict == verdict
