"""The demo's own assessment, and odd cases made of it by changing a field."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import numpy as np
from assessment.assessed import demo, practice

from maturity_model.assessment import assess
from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.surprise import Alarm, RecentSlip, Surprise
from maturity_model.assessment.types import Assessment, TankAssessment
from maturity_model.logbook.types import Problem, Reading

MATURE, BLOOM, CRASHED, STARTING = "Lagoon-60", "Pier-120", "Drift-40", "Tidepool-30"
AS_OF = dt.date(2026, 11, 20)
PLAN = Plan("overfeeding=3", (Step("overfeeding", 3.0),))
AMMONIA = Caution(
    "urgent", "Un-ionised ammonia above the criterion", "Change water now.", "EPA 440/5-88-004"
)
SAND = Caution("care", "A deep sand bed was disturbed", "Small parts at a time.", "no source")


@cache
def whole() -> Assessment:
    """The demo with all its questions, and a what-if, answered."""
    return assess(demo()[0], practice(), AS_OF, plans=(PLAN,))


def example_assessment(tanks: tuple[TankAssessment, ...] = ()) -> Assessment:
    """The demo's assessment, or the same with the tanks given."""
    return replace(whole(), tanks=tanks or whole().tanks)


def asked_tank(name: str = "", like: str = MATURE, **changes: object) -> TankAssessment:
    """A tank of the demo, under another name if one is given, with some fields changed."""
    (found,) = [t for t in whole().tanks if t.tank.name == like]
    own = replace(found.tank, name=name or like)
    return replace(found, **{"tank": own, "problems": (), **changes})  # type: ignore[arg-type]


def example_tank(name: str = "", like: str = MATURE, **changes: object) -> TankAssessment:
    """The same without an answer to any question."""
    return asked_tank(name, like, questions=None, **changes)


def lasting(tank: TankAssessment, weeks: int) -> TankAssessment:
    """The tank over another number of weeks, its own weeks repeated; what lies before goes."""
    started = AS_OF - dt.timedelta(weeks=weeks - 1)
    again = np.arange(weeks) % len(tank.weeks)
    names = ("filtered", "smoothed", "smoothed_low", "smoothed_high", "forecast_only",
             "regression", "slipped")  # fmt: skip
    return replace(
        tank,
        tank=replace(tank.tank, started=started),
        weeks=np.arange(weeks),
        dates=tuple(started + dt.timedelta(weeks=t) for t in range(weeks)),
        checkins=tuple(c for c in tank.checkins if c.date >= started),
        events=tuple(e for e in tank.events if e.date >= started),
        **{name: getattr(tank, name)[again] for name in names},
    )


def answering(tank: TankAssessment, **changes: object) -> TankAssessment:
    """The tank with other answers."""
    assert tank.questions is not None
    return replace(tank, questions=replace(tank.questions, **changes))  # type: ignore[arg-type]


def alarmed(tank: TankAssessment, alarm: Alarm, slipped: float = 0.42) -> TankAssessment:
    """The tank after a look that does not fit: animals gone, or else nitrate far off."""
    assert tank.questions is not None
    said = tank.questions.surprises
    assert said is not None
    wrong = alarm == "something is wrong"
    seen = replace(said.items[0].what, kind="sign", name="copepods", seen=False, reading=None)
    reading = Reading("80", 60, 100, 80, "mg/L NO3", "colour_chart")
    nitrate = replace(seen, kind="reading", name="nitrate", seen=None, reading=reading)
    items = (
        Surprise(seen, 0.02, wrong, False, None),
        Surprise(replace(seen, name="amphipods"), 0.03, wrong, False, None),
        Surprise(nitrate, 0.004, False, True, True),
    )
    recent = RecentSlip(slipped, slipped / 5)
    return answering(tank, surprises=replace(said, alarm=alarm, recent=recent, items=items))


def problem(tank: str | None = None, **changes: object) -> Problem:
    """One log problem."""
    base = Problem(
        "error", "cell", "checkins.csv", 12, "nitrate", "3,5", "has a decimal comma",
        "write 3.5, or say decimal=comma in the logbook", tank,
    )  # fmt: skip
    return replace(base, **changes)  # type: ignore[arg-type]
