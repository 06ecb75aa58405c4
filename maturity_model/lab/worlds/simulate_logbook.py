"""Whole logbooks drawn from a population: the model run forwards.

Used to check the population against what practice says of time scales, to choose the
evidence weight, and to test the engine where the truth is known. The tanks may carry
effects that the model does not know (``sign_effect_sd``), as real ones do.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.catalogue import LOOKS, Analyte, Catalogue
from maturity_model.hmm.staged import transition_matrices
from maturity_model.logbook import CheckIn, Event, Logbook, Reading, Tank
from maturity_model.panel import build_panel
from maturity_model.population.answer_draws import AnswerDraws, draw_path
from maturity_model.population.tables import fit_to_catalogue, tank_hazards
from maturity_model.population.types import Population, take_draws

_START = dt.date(2024, 1, 1)


@dataclass(frozen=True)
class Habits:
    """How tanks are kept and logged in a simulated club.

    Attributes
    ----------
    weeks : int
    checkin, sign, reading, judged : float
        Chances: of a check-in in a week; that it answers a sign; that it holds a reading of an
        analyte; that it judges the phase.
    looks, rocks : tuple of float
        Chances of a glance, a careful look, a torch; of dry, mixed, live rock.
    events_per_year : float
        Of each kind but water changes.
    water_changes, judged_tanks : float
        Shares of tanks: whose water is changed every second week; that are judged at all.
    sign_effect_sd, reading_effect_sd : float
        Spread of a tank's own shift of each sign's log-odds and of each analyte's log level,
        which the model lacks.
    checkin_by_phase : tuple of float
        Factors on ``checkin`` by true phase; empty: none. The model takes a skipped week
        to say nothing.
    answer_error : float
        Share of answers that are a coin's instead of a look's.
    kit_steps : int
        Steps of the chart by which every kit reads too high.
    missing : tuple of str
        Signs that no tank of the region has: looked for, and never seen.
    weekly_tests : bool
        Ammonia and nitrite are read at every check-in.
    skipped_phase : int or None
        A phase that tanks pass over: one that would advance, or start, into it lands in the
        next. Setbacks still lead into it.
    """

    weeks: int = 60
    checkin: float = 0.75
    sign: float = 0.55
    reading: float = 0.3
    judged: float = 0.0
    looks: tuple[float, float, float] = (0.25, 0.6, 0.15)
    events_per_year: float = 0.25
    water_changes: float = 0.75
    rocks: tuple[float, float, float] = (0.5, 0.3, 0.2)
    sign_effect_sd: float = 0.0
    reading_effect_sd: float = 0.0
    judged_tanks: float = 1.0
    checkin_by_phase: tuple[float, ...] = ()
    answer_error: float = 0.0
    kit_steps: int = 0
    missing: tuple[str, ...] = ()
    weekly_tests: bool = False
    skipped_phase: int | None = None


@dataclass(frozen=True)
class Simulated:
    """A logbook and the truth behind it.

    True state and phase of each tank in each week, shape (weeks,); ``pace`` and ``skill`` of the
    tanks, shape (N,), in standard deviations.
    """

    logbook: Logbook
    states: tuple[Ints, ...]
    phases: tuple[Ints, ...]
    pace: Floats
    skill: Floats


def _events(
    tank: Tank, habits: Habits, catalogue: Catalogue, rng: np.random.Generator
) -> list[Event]:
    out = []
    for kind in catalogue.events.values():
        if kind.name == "water_change":
            continue
        for week in np.flatnonzero(rng.random(habits.weeks) < habits.events_per_year / 52):
            # Early in the week, before any check-in.
            day = tank.started + dt.timedelta(days=int(7 * week + rng.integers(0, 3)))
            out.append(Event(tank.name, day, kind.name, kind.default_amount))
    if rng.random() < habits.water_changes:
        amount = float(rng.choice([10.0, 20.0, 30.0]))
        for second in range(2, habits.weeks, 2):
            day = tank.started + dt.timedelta(days=7 * second)
            out.append(Event(tank.name, day, "water_change", amount))
    return out


def _chart(analyte: Analyte, x: float, shift: int = 0) -> Reading:
    # Nearest colour of the generic chart; the last colour stands for all beyond it.
    steps = np.array(analyte.charts["colour_chart"].steps)
    i = min(max(int(np.argmin(np.abs(steps - x))) + shift, 0), len(steps) - 1)
    low = 0.0 if i == 0 else float(steps[i - 1] + steps[i]) / 2
    high = float("inf") if i == len(steps) - 1 else float(steps[i] + steps[i + 1]) / 2
    return Reading(f"{steps[i]:g}", low, high, float(steps[i]), analyte.unit, "colour_chart")


class _Observer:
    """Looks at one tank week after week."""

    def __init__(
        self,
        population: Population,
        catalogue: Catalogue,
        habits: Habits,
        skill: float,
        rng: np.random.Generator,
        *,
        is_judged: bool = True,
    ):
        self.population, self.catalogue, self.habits, self.rng = population, catalogue, habits, rng
        self.answers = answers = AnswerDraws(population, rng)
        answers.logit += rng.normal(0, habits.sign_effect_sd, (len(answers.logit), 1))
        answers.logit += (population.small * skill * population.skill_sd[0])[:, None]
        answers.mean += rng.normal(0, habits.reading_effect_sd, (len(answers.mean), 1))
        self.is_judged = is_judged

    def look(self, tank: str, day: dt.date, state: int) -> CheckIn:
        look = int(self.rng.choice(3, p=self.habits.looks))
        chosen = self.rng.random() < self.habits.judged and self.is_judged
        judged = self.population.phases[self.answers.judgement(day, state)] if chosen else None
        return CheckIn(
            tank,
            day,
            look=LOOKS[look],
            judged_phase=judged,
            signs=self._signs(day, state, look),
            readings=self._readings(day, state),
        )

    def _signs(self, day: dt.date, state: int, look: int) -> dict[str, bool]:
        out = {}
        for g, name in enumerate(self.population.signs):
            if self.rng.random() >= self.habits.sign:
                continue
            out[name] = self.answers.sign(g, day, look, state)
            if self.habits.answer_error and self.rng.random() < self.habits.answer_error:
                out[name] = bool(self.rng.random() < 0.5)
            out[name] &= name not in self.habits.missing
            self.answers.note_sign(g, day, out[name])
        return out

    def _readings(self, day: dt.date, state: int) -> dict[str, Reading]:
        out = {}
        for a, name in enumerate(self.population.analytes):
            due = self.habits.weekly_tests and name in ("ammonia", "nitrite")
            if self.rng.random() >= self.habits.reading and not due:
                continue
            x = self.answers.reading(a, day, state)
            out[name] = _chart(self.catalogue.analytes[name], x, self.habits.kit_steps)
            self.answers.note_reading(a, day, out[name].best)
        return out


def simulate_logbook(
    population: Population,
    catalogue: Catalogue,
    n_tanks: int,
    rng: np.random.Generator,
    habits: Habits | None = None,
    *,
    one_draw: bool = False,
) -> Simulated:
    """Draw a logbook from a population.

    With ``one_draw`` all tanks share one draw of the parameters (one club); else each has its own
    (the prior predictive of a single tank).
    """
    habits = habits or Habits()
    population = fit_to_catalogue(population, catalogue)
    draws = rng.integers(population.n_draws, size=n_tanks)
    if one_draw:
        draws[:] = draws[0]
    rock = rng.choice(["dry", "mixed", "live"], size=n_tanks, p=habits.rocks)
    tanks = {
        f"tank-{i:04d}": Tank(f"tank-{i:04d}", _START, keeper=f"keeper-{i:04d}", rock=str(rock[i]))
        for i in range(n_tanks)
    }
    # A first water change in week 0 of every keeper tells that they are logged at all.
    events = [
        e
        for tank in tanks.values()
        for e in (
            Event(tank.name, _START, "water_change", 1.0),
            *_events(tank, habits, catalogue, rng),
        )
    ]
    events.sort(key=lambda e: e.date)
    end = _START + dt.timedelta(days=7 * habits.weeks - 1)
    logbook = Logbook(
        Path("simulated"), catalogue, tanks, (), tuple(events), (), (), (), (), "simulated"
    )
    panel = build_panel(logbook, catalogue, end)
    pace, skill = rng.normal(size=n_tanks), rng.normal(size=n_tanks)
    paths, checkins = [], []
    for n, name in enumerate(tanks):
        single = take_draws(population, draws[n : n + 1])
        hazards = tank_hazards(panel, n, single, pace[n : n + 1])
        matrices = transition_matrices(hazards.moves()[:, :, 0, 0], single.chain)
        start = single.start[panel.rock[n]]
        if habits.skipped_phase is not None:
            start, matrices = _pass_over(habits.skipped_phase, start, matrices, single.n_stages)
        path = draw_path(start, matrices, rng)
        paths.append(path)
        # Every so many tanks: exactly that share, and no random numbers for it.
        share = habits.judged_tanks
        is_judged = int((n + 1) * share + 1e-9) > int(n * share + 1e-9)
        observer = _Observer(single, catalogue, habits, skill[n], rng, is_judged=is_judged)
        chance = np.full(habits.weeks, habits.checkin)
        if habits.checkin_by_phase:
            chance *= np.array(habits.checkin_by_phase)[path // single.n_stages]
        for week in np.flatnonzero(rng.random(habits.weeks) < chance):
            day = _START + dt.timedelta(days=int(7 * week + rng.integers(3, 7)))
            checkins.append(observer.look(name, day, int(path[week])))
    checkins.sort(key=lambda c: c.date)
    return Simulated(
        replace(logbook, checkins=tuple(checkins)),
        tuple(paths),
        tuple(p // population.n_stages for p in paths),
        pace,
        skill,
    )


def _pass_over(phase: int, start: Floats, matrices: Floats, n_stages: int) -> tuple[Floats, Floats]:
    # Whoever comes from below, or starts there, lands in the phase after.
    first, after = phase * n_stages, (phase + 1) * n_stages
    start, matrices = start.copy(), matrices.copy()
    start[after] += start[first:after].sum()
    start[first:after] = 0.0
    matrices[:, :first, after] += matrices[:, :first, first:after].sum(axis=2)
    matrices[:, :first, first:after] = 0.0
    return start, matrices
