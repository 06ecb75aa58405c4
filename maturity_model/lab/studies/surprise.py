"""How often the surprises alarm without cause, and how many collapses they catch.

Tanks are simulated from the catalogue's priors with other seeds than the population that
filters. Quiet weeks are those before a tank's first crash or move to a lower phase. In the
second world collapses are made twenty times as frequent as the priors have them, and a
logged crash nearly always brings one, so that there are enough to count; the filter knows
nothing of that.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.observed import checkins_of, observed
from maturity_model.assessment.surprise import (
    FAR_OFF,
    FELL,
    LATELY,
    SLIPPED,
    VANISHED_TOGETHER,
    Surprises,
    surprises,
)
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.panel import build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population
from maturity_model.whole_files import write_file

#: Spread of tanks' own shifts of signs and of readings, which the model lacks.
SHIFTS = {"none": (0.0, 0.0), "moderate": (0.7, 0.4)}
#: Days after the beginning of a collapse's week in which it must be flagged.
DAYS = 14
#: How much more frequent collapses are made, and the hazard under a logged crash, per week.
MORE_COLLAPSES, CRASH_HAZARD = 20.0, 3.0


HEAD = (
    "| shifts | quiet tank-years | false alarms a year | new ones a year "
    "| logged flagged | unlogged flagged | all |"
)
#: By tank, every check-in's week, date and surprises.
Said = list[list[tuple[int, dt.date, Surprises]]]


@dataclass(frozen=True)
class Quiet:
    """Alarms where nothing happened.

    Attributes
    ----------
    tank_years : float
    wrong, kit : int
        Check-ins with 'something is wrong', and with 'check the kit'.
    new : int
        Those of both kinds that no alarm in the three weeks before had announced.
    """

    tank_years: float
    wrong: int
    kit: int
    new: int

    @property
    def per_year(self) -> float:
        """Check-ins with a false alarm of either kind, per tank-year."""
        return (self.wrong + self.kit) / self.tank_years

    @property
    def new_per_year(self) -> float:
        """New false alarms of either kind, per tank-year."""
        return self.new / self.tank_years


@dataclass(frozen=True)
class Caught:
    """First collapses of tanks, and those followed by 'something is wrong' in two weeks.

    Attributes
    ----------
    collapses, flagged : int
    looked_at : int
        Collapses with any check-in in those two weeks: no more can be flagged.
    """

    collapses: int
    flagged: int
    looked_at: int

    @property
    def share(self) -> float:
        """Share of collapses that were flagged."""
        return self.flagged / self.collapses if self.collapses else float("nan")


@dataclass(frozen=True)
class Result:
    """One row of the study's table: a world of shifts, with collapses by whether logged."""

    shifts: str
    quiet: Quiet
    logged: Caught
    unlogged: Caught


def _each_checkin(simulated: Simulated, population: Population) -> Said:
    panel = build_panel(simulated.logbook, simulated.logbook.catalogue)
    tables = make_tables(panel, population)
    out = []
    for n in range(len(panel.tanks)):
        found, _ = filter_tank(tables, n)
        what = observed(panel, n)
        rows = []
        for i, c in enumerate(checkins_of(panel, n)):
            said = surprises(tables, n, found, population.evidence_weight, i, what)
            if said is not None:
                rows.append(((c.date - panel.tanks[n].started).days // 7, c.date, said))
        out.append(rows)
    return out


def _first_down(phases: np.ndarray) -> int:
    down = np.flatnonzero(np.diff(phases) < 0)
    return int(down[0]) + 1 if len(down) else len(phases)


def _crash_weeks(simulated: Simulated, tank: str) -> list[int]:
    start = simulated.logbook.tanks[tank].started
    return [
        (e.date - start).days // 7
        for e in simulated.logbook.events
        if e.tank == tank and e.kind == "crash"
    ]


def count_quiet(simulated: Simulated, said: Said) -> Quiet:
    """False alarms before each tank's first crash or move down."""
    weeks = wrong = kit = new = 0
    for (name, rows), phases in zip(
        zip(simulated.logbook.tanks, said, strict=True), simulated.phases, strict=True
    ):
        end = min([_first_down(phases), *_crash_weeks(simulated, name)])
        weeks += end
        alarms = [(w, s.alarm) for w, _, s in rows if w < end and s.alarm]
        wrong += sum(alarm == "something is wrong" for _, alarm in alarms)
        kit += sum(alarm == "check the kit" for _, alarm in alarms)
        at = [-LATELY - 1, *(w for w, _ in alarms)]
        new += sum(b - a > LATELY for a, b in itertools.pairwise(at))
    return Quiet(weeks * 7 / 365.25, wrong, kit, new)


def count_caught(simulated: Simulated, said: Said) -> tuple[Caught, Caught]:
    """First collapses with a crash logged in that week or the two before, and without."""
    counts = {True: [0, 0, 0], False: [0, 0, 0]}
    for (name, rows), states, phases in zip(
        zip(simulated.logbook.tanks, said, strict=True),
        simulated.states,
        simulated.phases,
        strict=True,
    ):
        fell = np.flatnonzero((states[1:] == 0) & (phases[:-1] > 0))
        if not len(fell) or fell[0] + 3 >= len(states):
            continue
        week = int(fell[0]) + 1
        begin = simulated.logbook.tanks[name].started + dt.timedelta(days=7 * week)
        until = begin + dt.timedelta(days=DAYS)
        after = [s for _, date, s in rows if begin <= date < until]
        logged = any(week - 2 <= w <= week for w in _crash_weeks(simulated, name))
        found = counts[logged]
        found[0] += 1
        found[1] += any(s.alarm == "something is wrong" for s in after)
        found[2] += bool(after)
    return Caught(*counts[True]), Caught(*counts[False])


def with_collapses(population: Population) -> Population:
    """A population whose tanks collapse often, and nearly always after a crash."""
    log_collapse = population.log_collapse + np.log(MORE_COLLAPSES)
    effect = population.event_collapse.copy()
    crash = population.events.index("crash")
    effect[crash] = np.log(CRASH_HAZARD) - log_collapse[1:].min(axis=0)
    return replace(population, log_collapse=log_collapse, event_collapse=effect)


def run(
    n_tanks: int, weeks: int, seed: int, say: Callable[[str], None] = lambda _: None
) -> list[Result]:
    """Count false alarms and caught collapses.

    Parameters
    ----------
    n_tanks, weeks, seed : int
        Tanks of each of the two simulations of a world, their weeks, and the seed.
    say : callable
        Told about progress.
    """
    catalogue = load_catalogue()
    population = elicit_population(catalogue, DEFAULT_EVIDENCE_WEIGHT)
    out = []
    for at, (name, (signs, readings)) in enumerate(SHIFTS.items()):
        habits = Habits(weeks=weeks, sign_effect_sd=signs, reading_effect_sd=readings)
        truth = elicit_population(catalogue, 1.0, seed=seed * 1000 + at + 1)
        rng = np.random.default_rng([seed, at, 0])
        calm = simulate_logbook(truth, catalogue, n_tanks, rng, habits)
        quiet = count_quiet(calm, _each_checkin(calm, population))
        say(f"{name}: {quiet}, {quiet.per_year:.2f} per tank-year")
        rough = simulate_logbook(
            with_collapses(truth), catalogue, n_tanks, np.random.default_rng([seed, at, 1]), habits
        )
        logged, unlogged = count_caught(rough, _each_checkin(rough, population))
        say(f"{name}: logged {logged}, unlogged {unlogged}")
        out.append(Result(name, quiet, logged, unlogged))
    return out


def write(results: list[Result], out: Path, n_tanks: int, weeks: int, seed: int) -> None:
    """Write ``counts.csv`` and ``README.md``."""
    out.mkdir(parents=True, exist_ok=True)
    lines = [
        "shifts,tank_years,wrong,kit,new,logged,logged_flagged,logged_looked_at,"
        "unlogged,unlogged_flagged,unlogged_looked_at"
    ]
    table = []
    for r in results:
        q, a, b = r.quiet, r.logged, r.unlogged
        lines.append(
            f"{r.shifts},{q.tank_years:.1f},{q.wrong},{q.kit},{q.new},{a.collapses},{a.flagged},"
            f"{a.looked_at},{b.collapses},{b.flagged},{b.looked_at}"
        )
        both = (a.flagged + b.flagged) / max(a.collapses + b.collapses, 1)
        table.append(
            f"| {r.shifts} | {q.tank_years:.0f} | {q.per_year:.2f} | {q.new_per_year:.2f} "
            f"| {a.flagged} of {a.collapses} | {b.flagged} of {b.collapses} | {100 * both:.0f} % |"
        )
    write_file(out / "counts.csv", "\n".join(lines) + "\n")
    text = f"""# False alarms, and collapses caught

What `assessment/surprise.py` says at every check-in of simulated tanks, as it could have
been said on that day. {n_tanks} tanks of {weeks} weeks in each of the two simulations of a
row; seed {seed}. The limits (chance of a fall {FELL:g}, of a slip {SLIPPED:g}, vanished
together {VANISHED_TOGETHER:g}, reading far off {FAR_OFF:g}; looking back {LATELY} weeks) were
chosen on other seeds.

*Quiet*: the weeks of a tank before its first crash or move to a lower phase; other events
are in them. A false alarm is a check-in there with either alarm; a new one had none in
the {LATELY} weeks before it. *Collapse*: a tank's first fall to the first state from a later
phase (a setback out of the bloom ends there too), flagged if a check-in within {DAYS} days
of the beginning of that week says 'something is wrong'. Logged: the keeper wrote down a
crash in that week or the two before.
*Shifts*: whether tanks have ways of their own that the model lacks.

{HEAD}
|---|---|---|---|---|---|---|
{chr(10).join(table)}

Check-ins come in three of four weeks and answer half of the signs and a third of the
tests, so some collapses are not looked at in time, and one out of a young bloom has little to
lose that could be missed.

Made by `maturity-model study surprise --out reports/surprise`.
"""
    write_file(out / "README.md", text)
