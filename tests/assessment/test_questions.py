"""All questions at once: the same as asking each, and nothing that was not asked."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from assessment.assessed import practice, same
from small_logs import look, make_log, random_log

from maturity_model.assessment import Assessment, assess
from maturity_model.assessment.ammonia_now import TankLog, unionised_now
from maturity_model.assessment.attribution import event_effects
from maturity_model.assessment.decisions import decide
from maturity_model.assessment.filtering import Tables, filter_tank, forecast_only, make_tables
from maturity_model.assessment.first_passage import time_to_mature
from maturity_model.assessment.next_checks import rank_by_information_gain
from maturity_model.assessment.observed import observed
from maturity_model.assessment.permissions import Record
from maturity_model.assessment.plan import parse_plan
from maturity_model.assessment.present import Present
from maturity_model.assessment.risk import slip_risks
from maturity_model.assessment.sojourn import check_sojourn
from maturity_model.assessment.surprise import RecentSlip, surprises
from maturity_model.assessment.weight_of_evidence import weigh_evidence
from maturity_model.logbook import Event, Tank
from maturity_model.panel import Panel, build_panel
from maturity_model.population.types import take_draws

DRAWS = np.arange(40)


@cache
def log() -> Panel:
    logbook, day = random_log(41, weeks=14)
    # One tank more, of which nothing was ever logged.
    silent = Tank("silent", logbook.tanks["a"].started, rock="dry")
    logbook.tanks["silent"] = silent
    return build_panel(logbook, as_of=day)


@cache
def tables() -> Tables:
    return make_tables(log(), take_draws(practice(), DRAWS))


PLANS = tuple(parse_plan(t, log().catalogue) for t in ("overfeeding=3", "water_change=20/2w"))


@cache
def asked() -> Assessment:
    return assess(log(), take_draws(practice(), DRAWS), questions=True, plans=PLANS)


@pytest.mark.parametrize("n", range(4))
def test_wiring_equals_asking_each(n: int) -> None:
    t, tank = tables(), asked().tanks[n]
    got = tank.questions
    assert got is not None
    assert got.everything
    found, hazards = filter_tank(t, n)
    here = Present(t.panel, n, found, hazards, t.pace)
    # In the first phase there is nothing to slip to.
    assert same(got.risks, slip_risks(here, PLANS) if here.phase else ())
    assert len(got.risks) == (1 + 6 + 2 if here.phase else 0)
    assert same(got.first_passages, tuple(time_to_mature(here, p) for p in (None, *PLANS)))
    assert same(got.event_effects, event_effects(here))
    sojourn = check_sojourn(here, t.node_prior.sum(axis=1))
    # Nothing is advised for a tank that nobody looks at.
    assert same(got.sojourn, replace(sojourn, contrasts=()) if tank.reach.silent else sojourn)
    assert same(got.evidence, weigh_evidence(t, n, found, forecast_only(t, n, found)[-1]))
    said = surprises(t, n, found)
    assert same(got.surprises, said)
    assert same(got.next_checks, rank_by_information_gain(t, n, found))
    log = TankLog.of(tank.tank, tank.checkins, tank.events, t.panel.as_of, t.panel.catalogue)
    # An alarm of the last two weeks counts, of the newest check-in or not.
    every = {o.checkin: o.date for kind in observed(t.panel, n) for o in kind}
    recent = [c for c, date in every.items() if (t.panel.as_of - date).days <= 14]
    alarms = [surprises(t, n, found, c) for c in recent]
    alarm = any(a is not None and a.alarm for a in alarms)
    record = Record(log, tank.cautions, alarm, tank.problems, silent=tank.reach.silent)
    lately = said.recent if said else RecentSlip(0.0, 0.0)
    assert same(got.decisions, decide(here, lately, record, unionised_now(log)))
    # The page's own numbers are the same ones.
    if here.phase:
        assert [r.mean for r in got.risks[0].risk] == pytest.approx(tank.regression[-1], abs=1e-12)
    assert got.first_passages[0].already.mean == pytest.approx(tank.filtered[-1, -1], abs=1e-12)


def test_a_silent_tank_has_answers_too() -> None:
    got = asked().tanks[-1].questions
    assert got is not None
    assert (got.evidence, got.surprises, got.event_effects) == (None, None, ())
    assert got.decisions
    assert got.sojourn is not None


def test_sand_that_is_not_there_cannot_be_stirred() -> None:
    bare = replace(log().tanks[0], sand_depth_mm=0)
    stirred = Event(bare.name, bare.started, "sand_disturbed", None)
    book = make_log([bare], [look(3, "diatoms=y")], [stirred])
    plans = (*PLANS, parse_plan("sand_disturbed", log().catalogue))
    (tank,) = assess(build_panel(book), take_draws(practice(), DRAWS), plans=plans).tanks
    assert tank.questions is not None
    assert tank.questions.impossible == plans[-1:]
    assert [w.plan for w in tank.questions.first_passages] == [None, *PLANS]
    assert any("no sand" in note for note in tank.notes)


def test_plans_alone_leave_the_rest_unasked() -> None:
    found = assess(log(), take_draws(practice(), DRAWS), questions=False, plans=PLANS)
    for tank, whole in zip(found.tanks, asked().tanks, strict=True):
        got = tank.questions
        assert got is not None
        assert whole.questions is not None
        assert not got.everything
        assert same(got.risks, whole.questions.risks)
        assert same(got.first_passages, whole.questions.first_passages)
        assert (got.sojourn, got.evidence, got.surprises) == (None, None, None)
        assert (got.event_effects, got.next_checks, got.decisions) == ((), (), ())


def test_nothing_is_answered_unasked() -> None:
    found = assess(log(), take_draws(practice(), DRAWS), questions=False)
    for tank, whole in zip(found.tanks, asked().tanks, strict=True):
        assert tank.questions is None
        assert np.array_equal(tank.filtered, whole.filtered)
        assert np.array_equal(tank.forecast_only, whole.forecast_only)
