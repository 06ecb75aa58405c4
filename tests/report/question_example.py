"""Synthetic answers to the questions about an example tank."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
from report.example import AS_OF, example_tank

from maturity_model.assessment.attribution import EventEffect
from maturity_model.assessment.decisions import Decision, Verdict
from maturity_model.assessment.first_passage import FirstPassage
from maturity_model.assessment.intervals import Estimate
from maturity_model.assessment.next_checks import NextCheck
from maturity_model.assessment.observed import Observed
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.questions import Questions
from maturity_model.assessment.risk import Risk
from maturity_model.assessment.sojourn import HusbandryContrast, Pace, SojournCheck
from maturity_model.assessment.surprise import Alarm, RecentSlip, Surprise, Surprises
from maturity_model.assessment.types import TankAssessment
from maturity_model.assessment.weight_of_evidence import (
    Contribution,
    GroupContribution,
    WeightOfEvidence,
)
from maturity_model.catalogue import load_catalogue, load_decisions
from maturity_model.logbook.types import Event, Reading

CATALOGUE = load_catalogue()
LAST = AS_OF - dt.timedelta(days=2)


def spread(mean: float) -> Estimate:
    """A probability with some spread."""
    return Estimate(mean, 0.6 * mean, min(1.7 * mean, 1 - 0.4 * (1 - mean)))


def risk(plan: Plan | None, four: float, eight: float) -> Risk:
    base = (0.02, 0.04)
    change = tuple(
        Estimate(v - b, 0.5 * (v - b), 1.5 * (v - b))
        for v, b in zip((four, eight), base, strict=True)
    )
    return Risk(plan, (4, 8), (spread(four), spread(eight)), change)


def waiting(plan: Plan | None, median: int | None, already: float = 0.0) -> FirstPassage:
    """Arrival at a constant rate that has passed a half at the median (0: mostly there)."""
    rate = 0.006 if median is None else np.log(2) / max(median, 1)
    by_week = 1 - (1 - already) * np.exp(-rate * np.arange(105))

    def at(level: float) -> int | None:
        found = np.flatnonzero(by_week >= level)
        return int(found[0]) if len(found) else None

    return FirstPassage(
        plan,
        by_week,
        spread(already),
        spread(float(1 - by_week[-1])),
        at(0.05),
        at(0.5),
        at(0.95),
        tuple(at((i + 0.5) / 20) for i in range(20)),
    )


def sign(name: str, seen: bool, date: dt.date = LAST) -> Observed:
    return Observed("sign", name, date, 52, 0, seen, None, None, "careful", 30)


def nitrate(text: str = "80", unit: str = "mg/L NO3") -> Observed:
    reading = Reading(text, 60, 100, 80, unit, "colour_chart")
    return Observed("reading", "nitrate", LAST, 52, 0, None, reading, None, "careful", 30)


def surprises(alarm: Alarm) -> Surprises:
    wrong = alarm == "something is wrong"
    items = (
        Surprise(sign("copepods", False), 0.02, wrong, False, None),
        Surprise(sign("amphipods", False), 0.03, wrong, False, None),
        Surprise(sign("bristle_worms", not wrong), 0.05, wrong, False, None),
        Surprise(nitrate(), 0.004 if alarm else 0.4, False, bool(alarm), True),
        Surprise(sign("diatoms", False), 0.7, False, False, None),
    )
    lately = RecentSlip(0.42, 0.08) if wrong else RecentSlip(0.01, 0.001)
    return Surprises(alarm, lately, 0.001 if wrong else 1.0, wrong, items)


def group(name: str, bits: float, what: Observed) -> GroupContribution:
    first = dt.date(2025, 6, 20)
    return GroupContribution(
        what.kind, name, bits, 24, 17, first, LAST, what, Contribution(what, bits / 4)
    )


def decisions(mature: bool, note: str) -> tuple[Decision, ...]:
    """What each rule for a stocked tank says; ``note`` is what overrules it."""
    chances = {
        "add_next_animals": 0.95 if mature else 0.3,
        "change_water": 0.02 if mature else 0.6,
        "measure_ammonia": 0.01,
        "do_nothing": 0.97,
    }
    out = []
    for rule in load_decisions().values():
        if rule.applies in ("unstocked", "silent"):
            continue
        value = chances.get(rule.name, 0.06)
        verdict: Verdict = "wait" if rule.name == "second_opinion" else "not now"
        verdict = "yes" if value >= rule.threshold else verdict
        cautions = (rule.caution, "A deep sand bed was disturbed")
        why = note or rule.reason
        chance = spread(value)
        out.append(Decision(rule, verdict, chance, rule.threshold, why, bool(note), cautions))
    return tuple(out)


def next_checks() -> tuple[NextCheck, ...]:
    """Two ways of looking for each of six signs, and a reading."""
    bits = {
        "coralline_algae": 0.08, "diatoms": 0.05, "hair_algae": 0.03, "cyanobacteria": 0.02,
        "film_algae": 0.015, "syconoid_sponges": 0.004,
    }  # fmt: skip
    never = "syconoid_sponges"
    looks = [
        NextCheck(
            "sign", name, how, b, 1.0, 0.4, None if name == never else LAST, name == never, (1, 2)
        )
        for name, b in bits.items()
        for how in ("careful", "torch")
    ]
    nitrate = NextCheck("reading", "nitrate", "colour_chart", 0.02, 5.0, None, LAST, False, (1, 2))
    return (*looks, nitrate)


def sojourn(mature: bool) -> SojournCheck:
    """A mature tank, or one that may lag in its bloom."""
    lever = Plan("water_change=20/1w", (Step("water_change", 20.0, 7),))
    none = replace(lever, text="water_change=none")
    habit = Plan("overfeeding=3/10d", (Step("overfeeding", 3.0, 10),))
    contrasts = (
        HusbandryContrast(lever, False, spread(0.4), Estimate(0.2, 0.05, 0.4)),
        HusbandryContrast(habit, True, spread(0.2), Estimate(0.06, 0.0, 0.1)),
        HusbandryContrast(none, False, spread(0.2), Estimate(0.01, 0, 0.1)),
    )
    lagging = 0.01 if mature else 0.4
    return SojournCheck(
        3 if mature else 1, (9, 20, 40), (10, 31, 64, None),
        tuple(map(spread, (0.0, lagging, 0.0, 0.0))), spread(lagging), Pace(0.83, 0.5, 1.4, 0.7),
        None if mature else spread(0.2), () if mature else contrasts,
    )  # fmt: skip


def evidence(mature: bool) -> WeightOfEvidence:
    coralline = sign("coralline_algae", True)
    towards = (
        group("coralline_algae", 2.5, coralline),
        group("copepods", 1.1, sign("copepods", True)),
        group("amphipods", 0.02, sign("amphipods", True)),
    )
    singles = (Contribution(coralline, 0.5), Contribution(nitrate(), -0.3))
    against = (group("nitrate", -0.6, nitrate()),)
    return WeightOfEvidence(
        3 if mature else 1, 2, (0.96, 0.03), -1.2, 4.0, singles, towards, against
    )


def example_questions(
    *, alarm: Alarm = "", mature: bool = True, plans: tuple[Plan, ...] = (), note: str = ""
) -> Questions:
    """Everything that can be asked, for a tank that is mature or still in bloom."""
    kinds = [k for k in CATALOGUE.events.values() if k.name != "water_change"]
    today = [Plan(k.name, (Step(k.name, k.reference_amount),)) for k in kinds]
    hazards = (0.05, 0.2, 0.06, 0.1, 0.08, 0.07)
    risks = [risk(p, h, h + 0.03) for p, h in zip(today, hazards, strict=True)]
    now = waiting(None, 0 if mature else 40, 0.96 if mature else 0.0)
    crash = Event("x", dt.date(2026, 2, 3), "crash", None, note)
    small = Event("x", dt.date(2025, 9, 3), "livestock_added", 2.0)
    effects = (
        EventEffect(small, 8, spread(0.01), spread(0.008), spread(0.002)),
        EventEffect(crash, 8, spread(0.5), spread(0.1), spread(0.4)),
        EventEffect(replace(crash, date=AS_OF), 0, *(Estimate(0.0, 0.0, 0.0),) * 3),
    )
    return Questions(
        (risk(None, 0.02, 0.04), *risks, *(risk(p, 0.3, 0.35) for p in plans)),
        (now, *(waiting(p, None) for p in plans)),
        True,
        effects,
        sojourn(mature),
        evidence(mature),
        surprises(alarm),
        next_checks(),
        decisions(mature, note),
    )


def asked_tank(name: str = "Window reef", **options: object) -> TankAssessment:
    """An example tank with its questions answered."""
    mature = bool(options.pop("mature", True))
    tank = example_tank(name, course="well" if mature else "stuck")
    return replace(tank, questions=example_questions(mature=mature, **options))  # type: ignore[arg-type]


def answering(tank: TankAssessment, **changes: object) -> TankAssessment:
    """The tank with other answers."""
    assert tank.questions is not None
    return replace(tank, questions=replace(tank.questions, **changes))  # type: ignore[arg-type]


def slipping(tank: TankAssessment, chance: float) -> TankAssessment:
    """The tank with another chance of having slipped lately."""
    assert tank.questions is not None
    assert tank.questions.surprises is not None
    recent = RecentSlip(chance, chance)
    return answering(tank, surprises=replace(tank.questions.surprises, recent=recent))
