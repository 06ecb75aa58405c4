"""Decision rules: thresholds follow from losses, cautions come first."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from assessment.assessed import random_tables
from assessment.permission_logs import PROVEN, TODAY, happened, row, tank_log

from maturity_model.assessment.ammonia_now import CHRONIC_MG_L, Unionised
from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.decisions import QUANTITIES, Decision, decide
from maturity_model.assessment.filtering import filter_tank
from maturity_model.assessment.permissions import PERMISSIONS, Record
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.present import Present
from maturity_model.assessment.risk import slip_probability
from maturity_model.assessment.surprise import FELL, RecentSlip
from maturity_model.catalogue import DecisionRule, Marked, load_catalogue, load_decisions

RULES = load_decisions()
CATALOGUE = load_catalogue()
QUIET = RecentSlip(0.0, 0.0)
URGENT = Caution("urgent", "Ammonia above the acute criterion", "", "EPA")
CARE = Caution("care", "Hands in the tank", "", "CPSC")


@pytest.fixture(scope="module")
def present() -> Present:
    tables = random_tables(15, draws=64, weeks=20)
    return Present(tables.panel, 0, *filter_tank(tables, 0), tables.pace)


@cache
def record(stocked: bool = True, cautions: tuple[Caution, ...] = (), looked: bool = True) -> Record:
    """A log that lacks no evidence, or only a look."""
    checkins = PROVEN if looked else [*PROVEN[:1], row(2, "", "0", "0", "10")]
    stock = [happened("livestock_added", 50, "1")] if stocked else []
    return replace(tank_log(checkins, stock), cautions=cautions)


def ammonia(high: float) -> Unionised:
    return Unionised(0.0, high / 2, high, "", TODAY)


def only(rule: DecisionRule, present: Present, **more: object) -> Decision:
    arguments = {"recent": QUIET, "record": record(), "ammonia": None} | more
    found = decide(present, **arguments, rules={rule.name: replace(rule, applies="always")})  # type: ignore[arg-type]
    assert len(found) == 1
    return found[0]


def with_losses(rule: DecisionRule, needless: float, missed: float) -> DecisionRule:
    return replace(rule, needless=Marked(needless, "E"), missed=Marked(missed, "E"))


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_a_rule_is_whole(rule: DecisionRule) -> None:
    assert rule.quantity in QUANTITIES
    needs_item = rule.quantity in {"phase at least", "phase is", "slips within 8 weeks after"}
    assert bool(rule.item) == needs_item
    assert not rule.item or rule.item in {*CATALOGUE.phases, *CATALOGUE.events}
    assert rule.applies in {"always", "stocked", "unstocked", "silent"}
    assert rule.urgent in {"", "do", "do not"}
    assert rule.ammonia in {"", "do", "do not"}
    assert rule.unless in {"", *RULES}
    # What costs more done needlessly than missed is a permission, and needs evidence.
    assert (rule.permission in PERMISSIONS) == (rule.threshold > 0.5)
    assert {rule.needless.source, rule.missed.source} <= set(CATALOGUE.sources)
    assert rule.label
    assert rule.reason
    # Never a dose.
    text = f"{rule.label} {rule.reason} {rule.caution}"
    assert not re.search(r"\d|\bml\b|\bmg\b|drops|dose", text, re.IGNORECASE)


def test_thresholds_follow_from_losses() -> None:
    for rule in RULES.values():
        a, b = rule.needless.value, rule.missed.value
        # At the threshold doing and leaving cost the same.
        assert (1 - rule.threshold) * a == pytest.approx(rule.threshold * b, rel=1e-12)
    assert RULES["add_first_animals"].threshold == pytest.approx(0.9)
    # Alarm and advice say the same.
    assert RULES["measure_ammonia"].threshold == pytest.approx(FELL)


def test_probabilities_are_those_of_the_model(present: Present) -> None:
    p = present.mixture.phases()[-1]
    recent = RecentSlip(0.3, 0.1)
    by_name = {d.action: d for d in decide(present, recent, record(), None)}
    assert by_name["add_next_animals"].probability.mean == pytest.approx(p[2:].sum(), abs=1e-12)
    assert by_name["change_water"].probability.mean == pytest.approx(p[1], abs=1e-12)
    assert by_name["second_opinion"].probability.mean == pytest.approx(1 - p.max(), abs=1e-12)
    assert by_name["stop_adding"].probability.mean == pytest.approx(0.3, abs=1e-12)
    assert by_name["measure_ammonia"].probability.mean == pytest.approx(0.1, abs=1e-12)
    plain = slip_probability(present, None, (8,))[0] @ present.weight
    sand = slip_probability(present, Plan("", (Step("sand_disturbed", None),)), (8,))[0]
    assert by_name["do_nothing"].probability.mean == pytest.approx(1 - plain, abs=1e-12)
    assert by_name["leave_sand_alone"].probability.mean == pytest.approx(
        sand @ present.weight, abs=1e-12
    )
    for d in by_name.values():
        assert 0 <= d.probability.low <= d.probability.high <= 1


def test_the_verdict_follows_probability_and_spread(present: Present) -> None:
    rule = RULES["change_water"]
    p = only(rule, present).probability
    assert p.low < p.mean < p.high < 1

    def at(threshold: float) -> str:
        return only(with_losses(rule, threshold, 1 - threshold), present).verdict

    assert at(p.mean * (1 - 1e-9)) == "yes"
    assert at((p.mean + p.high) / 2) == "wait"
    assert at((p.high + 1) / 2) == "not now"


def test_livestock_decides_which_rules_apply(present: Present) -> None:
    empty = {d.action for d in decide(present, QUIET, record(stocked=False), None)}
    stocked = {d.action for d in decide(present, QUIET, record(), None)}
    assert "add_first_animals" in empty - stocked
    assert {"add_next_animals", "stop_adding"} <= stocked - empty


@pytest.mark.parametrize("rule", RULES.values(), ids=RULES)
def test_urgent_cautions_have_the_last_word(rule: DecisionRule, present: Present) -> None:
    for needless, missed in ((1e-9, 1.0), (1.0, 1e-9)):  # sure to be yes, sure to be no
        sure = with_losses(rule, needless, missed)
        free = only(sure, present, recent=RecentSlip(0.5, 0.5))
        d = only(sure, present, recent=RecentSlip(0.5, 0.5), record=record(cautions=(URGENT, CARE)))
        if rule.urgent:
            assert d.verdict == ("yes" if rule.urgent == "do" else "not now")
            assert d.overruled
            assert URGENT.title in d.why
        else:
            assert (d.verdict, d.overruled, d.why) == (free.verdict, False, rule.reason)
        assert {URGENT.title, CARE.title} <= set(d.cautions)


def test_a_mere_care_overrules_nothing(present: Present) -> None:
    plain = decide(present, QUIET, record(), None)
    care = decide(present, QUIET, record(cautions=(CARE,)), None)
    assert [d.verdict for d in plain] == [d.verdict for d in care]
    assert not any(d.overruled for d in care)


def test_nothing_is_added_while_ammonia_may_be_too_high(present: Present) -> None:
    for name in ("add_first_animals", "add_next_animals"):
        eager = with_losses(RULES[name], 1e-9, 1.0)
        assert only(eager, present).verdict == "yes"
        assert only(eager, present, ammonia=ammonia(CHRONIC_MG_L)).verdict == "yes"
        stopped = only(eager, present, ammonia=ammonia(CHRONIC_MG_L * 1.01))
        assert (stopped.verdict, stopped.overruled) == ("not now", True)
        assert only(eager, present, ammonia=ammonia(np.inf)).verdict == "not now"


def test_stopping_forbids_adding(present: Present) -> None:
    eager = with_losses(RULES["add_next_animals"], 1e-9, 1.0)
    rules = {"add_next_animals": eager, "stop_adding": RULES["stop_adding"]}
    # A hair to each side of the threshold: a mean over draws may round below it at the point.
    at = RULES["stop_adding"].threshold
    slipping, nearly = RecentSlip(at * (1 + 1e-9), 0.0), RecentSlip(at * (1 - 1e-9), 0.0)
    for recent in (QUIET, nearly):
        calm = decide(present, recent, record(), None, rules)
        assert [d.verdict for d in calm] == ["yes", "not now"]
    add, stop = decide(present, slipping, record(), None, rules)
    assert (add.verdict, stop.verdict) == ("not now", "yes")
    assert add.overruled
    assert add.why == RULES["stop_adding"].reason


def test_no_probability_permits_without_evidence(present: Present) -> None:
    for name, stocked in (
        ("add_first_animals", False),
        ("add_next_animals", True),
        ("do_nothing", True),
    ):
        eager = with_losses(RULES[name], 1e-9, 1.0)
        assert only(eager, present, record=record(stocked)).verdict == "yes"
        d = only(eager, present, record=record(stocked, looked=False))
        assert (d.verdict, d.overruled, d.lacks_evidence) == ("not now", True, True)
        assert [m.need for m in d.missing] == ["look"]


def test_a_caution_of_care_overrules_a_verdict_that_contradicts_it(present: Present) -> None:
    rule = with_losses(RULES["change_water"], 1.0, 1e-9)
    care = Caution("care", "Ammonia is above the chronic criterion", "", "EPA", ("change_water",))
    assert only(rule, present).verdict == "not now"
    assert only(rule, present, record=record(cautions=(CARE,))).verdict == "not now"
    found = only(rule, present, record=record(cautions=(CARE, care)))
    assert (found.verdict, found.why, found.overruled) == ("yes", care.title, True)
    every = decide(present, QUIET, record(cautions=(care,)), None)
    assert [d.action for d in every if d.remedy] == ["change_water"]
