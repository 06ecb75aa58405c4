"""A synthetic but plausible assessment, so that reports can be tested without an engine."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

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


def _readings(rng: np.random.Generator, phase: int) -> dict[str, Reading]:
    """Some readings of one look: of two colour charts, of a photometer and of a probe."""
    analytes = load_catalogue().analytes
    charts = {"ammonia": (0, 0.25, 0.5, 1, 2, 4, 8), "nitrate": (0, 5, 10, 20, 40, 80)}
    found = {}
    for name in ("ammonia", "nitrite", "nitrate", "phosphate", "salinity", "temperature"):
        if rng.random() > 0.4:
            continue
        unit, typical = analytes[name].unit, analytes[name].typical
        if name in charts:
            steps = np.array(charts[name], dtype=float)
            edges = [0.0, *(steps[1:] + steps[:-1]) / 2, np.inf]
            i = int(np.abs(steps - typical[phase].value * np.exp(0.7 * rng.normal())).argmin())
            step = float(steps[i])
            found[name] = Reading(f"{step:g}", edges[i], edges[i + 1], step, unit, "colour_chart")
        else:
            usual = {"salinity": 34.0, "temperature": 25.0}
            best = usual[name] if name in usual else typical[phase].value
            best = round(best * float(np.exp(0.02 * rng.normal())), 2)
            method = "probe" if name in usual else "photometer"
            found[name] = Reading(f"{best:.2f}", best - 0.005, best + 0.005, best, unit, method)
    return found


def _checkins(
    name: str, started: dt.date, weeks: int, smoothed: np.ndarray, rng: np.random.Generator
) -> tuple[CheckIn, ...]:
    signs = load_catalogue().signs.values()
    out = []
    for week in range(weeks):
        last = week == weeks - 1
        if rng.random() < 0.35 and week != 3 and not last:
            continue
        date = min(started + dt.timedelta(weeks=week, days=int(rng.integers(7))), AS_OF)
        phase = int(rng.choice(4, p=smoothed[week]))
        answers = {
            s.name: bool(rng.random() < s.detection[phase].value)
            for s in signs
            if rng.random() < 0.75 and s.name != "syconoid_sponges"
        }
        readings = _readings(rng, phase)
        if week == 3:
            readings["ammonia"] = Reading(">8", 8, float("inf"), 8, "mg/L NH4", "colour_chart")
        note = "Glass wiped before the look" if last else ""
        out.append(
            CheckIn(
                name, date, observer="A", note=note, signs=answers, readings=readings,
                file="checkins.csv", line=week + 2,
            )
        )  # fmt: skip
    return tuple(out)


#: What happens in a tank that is not left in peace, by week.
ROUGH = {22: "overfeeding", 25: "crash", 33: "sand_disturbed", 40: "deep_clean", 41: "medication"}


def _events(name: str, started: dt.date, weeks: int, *, rough: bool) -> tuple[Event, ...]:
    def event(week: int, kind: str, amount: float | None, days: int = 0) -> Event:
        date = started + dt.timedelta(weeks=week, days=days)
        return Event(name, date, kind, amount, "" if amount else "sorry")

    out = [event(w, "water_change", 20.0, 2) for w in range(1, weeks, 2)]
    out += [event(w, "livestock_added", 2.0, 4) for w in (9, 14, 27) if w < weeks]
    out += [event(w, kind, None) for w, kind in ROUGH.items() if rough and w < weeks]
    return tuple(sorted((e for e in out if e.date <= AS_OF), key=lambda e: e.date))


def _reach(checkins: tuple[CheckIn, ...], weeks: int, started: dt.date) -> Reach:
    asked = len(load_catalogue().signs) * len(checkins)
    return Reach(
        weeks=weeks,
        weeks_with_checkin=len({(c.date - started).days // 7 for c in checkins}),
        last_checkin=checkins[-1].date,
        weeks_since_checkin=(AS_OF - checkins[-1].date).days // 7,
        share_signs_checked=sum(len(c.signs) for c in checkins) / asked,
        readings=sum(len(c.readings) for c in checkins),
        unchecked_signs=("syconoid_sponges",),
    )


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
    later = filtered[:, 1:].sum(axis=1)
    regression = np.stack([0.04 * later + 0.01, 0.08 * later + 0.015], axis=1)
    dates = [started + dt.timedelta(weeks=w, days=6) for w in range(weeks)]
    khat_full, khat = (0.31, 0.31) if share == 1 else (0.94, 0.66)
    return TankAssessment(
        tank=Tank(name, started, keeper="A", club="Harbour club", volume_l=200.0, rock="dry"),
        phases=PHASES,
        weeks=np.arange(weeks),
        dates=(*dates[:-1], AS_OF),
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
        slipped=np.where((np.arange(weeks) == 25) & rough & (weeks > 40), 0.81, 0.0),
        reach=_reach(checkins, weeks, started),
        reweighting=Reweighting(khat_full, khat, share, ess=182.4, draws=256, limit=0.7),
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


def example_tanks() -> tuple[TankAssessment, ...]:
    """Five tanks of an invented club corner."""
    said = "is not an ISO date and was read as 2026-06-05"
    settled = problem(
        "Crashed cube", severity="settled", line=31, column="date", value="5 Jun 2026", what=said,
        mend="write 2026-06-05",
    )  # fmt: skip
    crashed = {"problems": (problem("Crashed cube"), settled), "cautions": (SAND,), "share": 0.6}
    hair = (problem("Hair garden"),)
    return (
        example_tank("Window reef"),
        example_tank("Hair garden", course="stuck", seed=2, weeks=49, problems=hair),
        example_tank("Crashed cube", course="late", rough=True, seed=3, weeks=52, **crashed),  # type: ignore[arg-type]
        example_tank("Nursery 4", course="new", seed=4, weeks=3, cautions=(AMMONIA,)),
        example_tank("Old lagoon", course="well", rough=True, seed=5, weeks=130),
    )


def example_assessment(tanks: tuple[TankAssessment, ...] | None = None) -> Assessment:
    """:func:`example_tanks`, or the tanks given, and one that cannot be assessed."""
    tanks = example_tanks() if tanks is None else tanks
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
        catalogue=load_catalogue(),
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
