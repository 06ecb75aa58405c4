"""What must hold: met, missed, not known; and a forecaster that is over-sure is flagged."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.lab.validation.cases import Case, cases
from maturity_model.lab.validation.clubs import World
from maturity_model.lab.validation.holds import Hold, evaluate, group, pooled
from maturity_model.lab.validation.judges import BASELINES
from maturity_model.lab.validation.maturing import Outcomes
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.study import CEILING, FITTED, FITTED_JUDGED, TOOL
from maturity_model.lab.validation.sums import Sums, sums_of

MECHANISTIC = Case("mechanistic-typical", "mechanistic", "mechanistic", World("mechanistic", "t"))
OWN = Case("own", "own", "own", World("model", "club"))
BROKEN = Case("broken-x", "broken", "broken", World("model", "club", ("x",)))


def judge(said: float, right: float, tanks: int = 60) -> Sums:
    """States one phase with ``said``, the others alike; it is right in a share ``right``."""
    rng = np.random.default_rng(3)
    truth = rng.integers(0, 4, (tanks, 60))
    hit = rng.random(truth.shape) < right
    top = np.where(hit, truth, (truth + 1) % 4)
    p = np.full((*truth.shape, 4), (1 - said) / 3)
    np.put_along_axis(p, top[:, :, None], said, axis=2)
    return sums_of(p, truth)


def outcomes(spread: float, tanks: int = 60, each: int = 20) -> Outcomes:
    """Positions around the middle of what is stated; 1 is just right, above: over-sure."""
    rng = np.random.default_rng(4)
    u = np.clip(0.5 + spread * (rng.random(tanks * each) - 0.5), 0, 1)
    n = np.repeat(np.arange(tanks), each)
    none = np.zeros(len(u), dtype=bool)
    return Outcomes(n, n * 0, u, none, np.ones(len(u)), np.ones(len(u)))


def result(tool: Sums, **more: Sums) -> CaseResult:
    sums = dict.fromkeys(BASELINES, judge(0.4, 0.4)) | {CEILING: judge(0.9, 0.9), TOOL: tool}
    return CaseResult(np.repeat(np.arange(10), 6), sums=sums | more)


def by_what(found: list[Hold]) -> dict[str, Hold]:
    return {h.what: h for h in found}


def test_a_good_forecaster_meets_all() -> None:
    found = by_what(evaluate([MECHANISTIC], {MECHANISTIC.name: result(judge(0.85, 0.85))}))
    assert found["calibration error"].met
    assert found["share of the way to the ceiling"].met
    assert all(found[f"log score gained over {b.replace('_', ' ')}"].met for b in BASELINES)
    assert found["calibration error"].sure
    # Nothing was fitted: that is not known, and not met.
    assert found["log score gained by an unlabelled pooled fit"].met is None
    assert found["with a fifth judged, calibration error"].verdict == "not known"


def test_an_over_sure_forecaster_is_flagged() -> None:
    found = by_what(evaluate([MECHANISTIC], {MECHANISTIC.name: result(judge(0.99, 0.75))}))
    assert found["calibration error"].met is False
    assert found["calibration error"].verdict == "MISSED"
    # As often right as a calibrated one that is far on the way; its log score pays for it.
    assert found["share of the way to the ceiling"].met is False
    honest = by_what(evaluate([MECHANISTIC], {MECHANISTIC.name: result(judge(0.75, 0.75))}))
    assert honest["share of the way to the ceiling"].value > 0.4
    assert honest["calibration error"].met


def test_worse_than_one_baseline_is_flagged() -> None:
    one = result(judge(0.6, 0.6))
    one.sums["checklist"] = judge(0.7, 0.7)
    found = by_what(evaluate([MECHANISTIC], {MECHANISTIC.name: one}))
    assert found["log score gained over checklist"].met is False
    assert found["log score gained over age"].met


@pytest.mark.parametrize(("spread", "met"), [(1.0, True), (1.5, False), (0.8, False)])
def test_coverage_in_the_own_world(spread: float, met: bool) -> None:
    own = result(judge(0.85, 0.85))
    own.matured_quiet[TOOL] = outcomes(spread)
    found = by_what(evaluate([OWN], {OWN.name: own}))
    hold = found["coverage of the 90 % interval of the time to mature"]
    assert hold.met is met
    assert (hold.low, hold.high) == (0.88, 0.92)


def test_fits_are_judged_where_they_were_run() -> None:
    one = result(judge(0.8, 0.8), **{FITTED: judge(0.7, 0.7), FITTED_JUDGED: judge(0.88, 0.88)})
    found = by_what(evaluate([MECHANISTIC], {MECHANISTIC.name: one}))
    assert found["log score gained by an unlabelled pooled fit"].met is False
    assert found["with a fifth judged, calibration error"].met
    assert found["with a fifth judged, share of the way to the ceiling"].met


def test_broken_assumptions_are_held_against_age_alone() -> None:
    good, bad = result(judge(0.5, 0.5)), result(judge(0.9, 0.4))
    other = BROKEN._replace(name="broken-y")
    found = evaluate([BROKEN, other], {BROKEN.name: good, "broken-y": bad})
    assert [(h.case, h.met) for h in found] == [("broken-x", True), ("broken-y", False)]


def test_presets_are_judged_together_and_each() -> None:
    other = MECHANISTIC._replace(name="mechanistic-wide")
    good, bad = result(judge(0.85, 0.85)), result(judge(0.99, 0.5))
    found = evaluate([MECHANISTIC, other], {MECHANISTIC.name: good, other.name: bad})
    errors = {h.case: h.value for h in found if h.what == "calibration error"}
    every = "mechanistic, all presets"
    assert list(errors) == [every, MECHANISTIC.name, other.name]
    assert errors[MECHANISTIC.name] < errors[every] < errors[other.name]
    both = group(every, [good, bad])
    assert both.unit == "club"
    # Clubs of different cases are drawn apart.
    assert (both.times[:, 0] != both.times[:, 60]).any()


def test_each_ecology_is_asked_the_same_and_judged_apart() -> None:
    chosen = cases(["mechanistic", "microcosm", "mesocosm"])
    assert {n: [c.name for c in own] for n, own in pooled(chosen).items()} == {
        "mechanistic, all presets": [c.name for c in cases(["mechanistic"])],
        "mesocosm, all presets": ["mesocosm-usual", "mesocosm-slowburn", "mesocosm-busy"],
    }
    # Bad in one ecology shows there and nowhere else.
    good, bad = result(judge(0.85, 0.85)), result(judge(0.99, 0.5))
    found = evaluate(chosen, {c.name: bad if c.group == "mesocosm" else good for c in chosen})
    asked: dict[str, list[tuple[str, float, float]]] = {}
    for h in found:
        asked.setdefault(h.case, []).append((h.what, h.low, h.high))
    assert list(asked)[-5:] == ["microcosm-usual", "mesocosm, all presets", "mesocosm-usual",
                                "mesocosm-slowburn", "mesocosm-busy"]  # fmt: skip
    assert all(what == asked["mechanistic-typical"] for what in asked.values())
    missed = {h.case for h in found if h.what == "calibration error" and not h.met}
    assert missed == {c for c in asked if c.startswith("mesocosm")}


def test_a_limit_within_the_interval_could_be_chance() -> None:
    assert Hold("c", "w", 0.0, float("inf"), 0.1, (-0.1, 0.3)).verdict == "met, could be chance"
    assert Hold("c", "w", 0.0, float("inf"), -0.1, (-0.3, 0.1)).verdict.startswith("MISSED, ")
    assert Hold("c", "w", 0.0, float("inf"), 0.1, (0.05, 0.3)).verdict == "met"
    assert Hold("c", "w", 0.88, 0.92, 0.8, (0.7, 0.9)).verdict == "MISSED, could be chance"
    assert Hold("c", "w", 0.88, 0.92, 0.8, (0.7, 0.85)).verdict == "MISSED"
