"""A synthetic but plausible assessment, so that reports can be tested without an engine."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import pairwise

import numpy as np

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.types import (
    Assessment,
    Provenance,
    Reach,
    Reweighting,
    TankAssessment,
)
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook.types import (
    Account,
    CheckIn,
    Entry,
    Event,
    Problem,
    Reading,
    RowCount,
    Tank,
)

AS_OF = dt.date(2026, 6, 5)
PHASES = ("cycling", "bloom", "colonising", "mature")
CATALOGUE = load_catalogue()
CHARTS = {"ammonia": (0, 0.25, 0.5, 1, 2, 4, 8), "nitrate": (0, 5, 10, 20, 40, 80)}
#: Weeks in which each phase starts, for each course a tank may take.
COURSES: dict[str, tuple[float, ...]] = {
    "well": (0, 5, 17, 41),
    "stuck": (0, 6, 62, 500),
    "late": (0, 6, 20, 48),
    "new": (0, 30, 60, 90),
}


def _phase_probabilities(course: str, weeks: int, blur: float) -> np.ndarray:
    starts = np.asarray(COURSES[course])
    t = np.arange(weeks)[:, None]
    passed = 1 / (1 + np.exp(-(t - starts[None, 1:]) / blur))
    cumulative = np.concatenate([np.ones((weeks, 1)), passed], axis=1)
    p = np.maximum(cumulative - np.concatenate([passed, np.zeros((weeks, 1))], axis=1), 0) + 1e-4
    return p / p.sum(axis=1, keepdims=True)


def _reading(analyte: str, value: float) -> Reading:
    """A value as a colour chart shows it, or a photometer where there is no chart."""
    unit, steps = CATALOGUE.analytes[analyte].unit, CHARTS.get(analyte)
    if steps is None:
        low = max(0.0, round(value, 2) - 0.005)
        return Reading(f"{value:.2f}", low, low + 0.01, low + 0.005, unit, "photometer")
    i = int(np.argmin([abs(value - s) for s in steps]))
    edges = (0.0, *((a + b) / 2 for a, b in pairwise(steps)), float("inf"))
    text, best = f"{steps[i]:g}", float(steps[i])
    return Reading(text, edges[i], edges[i + 1], best, unit, "colour_chart")


def _checkins(
    name: str, started: dt.date, weeks: int, smoothed: np.ndarray, rng: np.random.Generator
) -> tuple[CheckIn, ...]:
    out = []
    for week in range(weeks):
        last = week == weeks - 1
        if rng.random() < 0.35 and not last:
            continue
        date = min(started + dt.timedelta(weeks=week, days=int(rng.integers(7))), AS_OF)
        k = int(rng.choice(4, p=smoothed[week]))
        answers = {
            s.name: bool(rng.random() < s.detection[k].value)
            for s in CATALOGUE.signs.values()
            if rng.random() < 0.75 and s.name != "syconoid_sponges"
        }
        readings = {
            analyte: _reading(
                analyte, CATALOGUE.analytes[analyte].typical[k].value * float(rng.lognormal(0, 0.7))
            )
            for analyte in ("ammonia", "nitrite", "nitrate", "phosphate")
            if rng.random() < 0.4
        }
        if rng.random() < 0.5:
            s = 33 + 2 * float(rng.random())
            readings["salinity"] = Reading(f"{s:.1f}", s - 0.5, s + 0.5, s, "1", "probe")
            d = 25 + float(rng.normal()) * 0.5
            readings["temperature"] = Reading(f"{d:.1f}", d - 0.05, d + 0.05, d, "Cel", "probe")
        if week == 3:
            readings["ammonia"] = Reading(">8", 8, float("inf"), 8, "mg/L NH4", "colour_chart")
        note = "Glass wiped before the look" if last else ""
        out.append(
            CheckIn(
                name, date, "A", "careful", None, note, answers, readings, "checkins.csv", week + 2
            )
        )
    return tuple(out)


def _events(name: str, started: dt.date, weeks: int, *, rough: bool) -> tuple[Event, ...]:
    def event(week: int, day: int, kind: str, amount: float | None = None) -> Event:
        return Event(name, started + dt.timedelta(weeks=week, days=day), kind, amount, "sorry")

    out = [event(w, 2, "water_change", 20.0) for w in range(1, weeks, 2)]
    out += [event(w, 4, "livestock_added", 2.0) for w in (9, 14, 27)]
    if rough:
        kinds = ("overfeeding", "crash", "sand_disturbed", "deep_clean", "medication")
        out += [event(w, 0, k) for k, w in zip(kinds, (22, 25, 33, 40, 41), strict=True)]
    return tuple(sorted((e for e in out if e.date <= AS_OF), key=lambda e: e.date))


def example_tank(
    name: str = "Window reef",
    *,
    weeks: int = 54,
    course: str = "well",
    rough: bool = False,
    seed: int = 1,
    problems: tuple[Problem, ...] = (),
    cautions: tuple[Caution, ...] = (),
    notes: tuple[str, ...] = ("No feeding was ever logged, so it is taken as usual.",),
    share: float = 1.0,
) -> TankAssessment:
    """One tank's answer, from a course of phases and a seed."""
    rng = np.random.default_rng(seed)
    started = AS_OF - dt.timedelta(weeks=weeks - 1, days=3)
    smoothed = _phase_probabilities(course, weeks, 2.0)
    if rough and weeks > 40:
        # A collapse in week 25 that heals over ten weeks.
        hit = np.exp(-np.clip(np.arange(weeks) - 25, 0, None) / 5.0) * (np.arange(weeks) >= 25)
        fallen = np.array([0.7, 0.25, 0.04, 0.01])
        smoothed = (1 - hit[:, None]) * smoothed + hit[:, None] * fallen
    filtered = 0.8 * smoothed + 0.2 * _phase_probabilities(course, weeks, 9.0)
    smoothed[-1] = filtered[-1]
    checkins = _checkins(name, started, weeks, smoothed, rng)
    logged = {(c.date - started).days // 7 for c in checkins}
    later = filtered[:, 1:].sum(axis=1)
    regression = np.stack([0.04 * later + 0.01, 0.08 * later + 0.015], axis=1)
    dates = [started + dt.timedelta(weeks=w, days=6) for w in range(weeks)]
    dates[-1] = AS_OF
    slipped = np.zeros(weeks)
    if rough and weeks > 40:
        slipped[25] = 0.81
    return TankAssessment(
        tank=Tank(name, started, keeper="A", club="Harbour club", volume_l=200.0, rock="dry"),
        phases=PHASES,
        weeks=np.arange(weeks),
        dates=tuple(dates),
        filtered=filtered,
        smoothed=smoothed,
        smoothed_low=smoothed * 0.85,
        smoothed_high=1 - (1 - smoothed) * 0.85,
        now_low=filtered[-1] * 0.9,
        now_high=1 - (1 - filtered[-1]) * 0.8,
        forecast_only=_phase_probabilities(course, weeks, 8.0),
        regression=regression,
        regression_low=regression[-1] * 0.4,
        regression_high=regression[-1] * 2.2,
        horizons=(4, 8),
        slipped=slipped,
        reach=Reach(
            weeks=weeks,
            weeks_with_checkin=len(logged),
            last_checkin=checkins[-1].date,
            weeks_since_checkin=(AS_OF - checkins[-1].date).days // 7,
            share_signs_checked=sum(len(c.signs) for c in checkins)
            / (len(CATALOGUE.signs) * len(checkins)),
            readings=sum(len(c.readings) for c in checkins),
            unchecked_signs=("syconoid_sponges",),
            last_look=checkins[-1].date,
            weeks_since_look=(AS_OF - checkins[-1].date).days // 7,
        ),
        reweighting=Reweighting(
            khat_full=0.31 if share == 1 else 0.94,
            khat=0.31 if share == 1 else 0.66,
            share=share,
            ess=182.4,
            draws=256,
            limit=0.7,
        ),
        checkins=checkins,
        events=_events(name, started, weeks, rough=rough),
        problems=problems,
        cautions=cautions,
        notes=notes,
    )


def problem(tank: str | None = None, **changes: object) -> Problem:
    """One log problem."""
    base = Problem(
        "error",
        "cell",
        "checkins.csv",
        12,
        "nitrate",
        "3,5",
        "has a decimal comma",
        "write 3.5, or say decimal=comma in the logbook",
        tank,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


AMMONIA = Caution(
    "urgent",
    "Un-ionised ammonia above the criterion",
    "On 4 June the log's own pH, temperature and salinity put un-ionised ammonia at 0.08 to "
    "0.14 mg/L; 0.035 mg/L is the chronic and 0.233 mg/L the acute limit. Change water, feed "
    "nothing, and look at the animals now.",
    "EPA 440/5-88-004 (1989); Washington WAC 173-201A-240",
)
SAND = Caution(
    "care",
    "A deep sand bed was disturbed",
    "Old sand can free hydrogen sulphide. Small parts at a time, windows open.",
    "common practice, no source",
)


def example_assessment(tanks: tuple[TankAssessment, ...] | None = None) -> Assessment:
    """Five tanks of an invented club corner, or the tanks given."""
    if tanks is None:
        settled = problem(
            "Crashed cube",
            severity="settled",
            line=31,
            column="date",
            value="5 Jun 2026",
            what="is not an ISO date and was read as 2026-06-05",
            mend="write 2026-06-05",
        )
        tanks = (
            example_tank("Window reef"),
            example_tank(
                "Hair garden", course="stuck", seed=2, weeks=49, problems=(problem("Hair garden"),)
            ),
            example_tank(
                "Crashed cube",
                course="late",
                rough=True,
                seed=3,
                weeks=52,
                problems=(problem("Crashed cube"), settled),
                cautions=(SAND,),
                share=0.6,
            ),
            example_tank("Nursery 4", course="new", seed=4, weeks=3, cautions=(AMMONIA,)),
            example_tank("Old lagoon", course="well", rough=True, seed=5, weeks=130),
        )
    own = tuple(dict.fromkeys(p for t in tanks for p in t.problems))
    refused = problem(
        "No start",
        scope="row",
        file="tanks.csv",
        line=7,
        column="started",
        value="",
        what="is blank, so the tank cannot be assessed",
        mend="write the day the tank was filled",
    )
    return Assessment(
        catalogue=CATALOGUE,
        tanks=tanks,
        problems=(*own, refused),
        account=Account(
            (Entry("tanks.csv"), Entry("checkins.csv"), Entry("photo.jpg", "set aside")),
            (RowCount("tanks.csv", 6, 5, 1), RowCount("checkins.csv", 212, 211, 1)),
            tuple(p for p in (*own, refused) if p.scope == "row"),
        ),
        refused_tanks=("No start",),
        provenance=Provenance(
            version="0.1.0",
            population_name="practice",
            population_kind="elicited",
            population_sha256="4f" * 32,
            logbook_sha256="a7" * 32,
            evidence_weight=0.5,
            as_of=AS_OF,
            as_of_given=False,
            quadrature=(256, 5, 3),
        ),
        phases=PHASES,
    )
