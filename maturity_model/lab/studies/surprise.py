"""How often the surprises alarm without cause, and how many collapses they catch.

Tanks are simulated from the catalogue's priors with other seeds than the population that
filters. Quiet weeks are those before a tank's first crash or move to a lower phase. In the
second simulation collapses are made twenty times as frequent as the priors have them, and a
logged crash nearly always brings one, so that there are enough to count; the filter knows
nothing of that.
"""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.surprise import (
    FAR_OFF,
    FELL,
    RECENT_WEEKS,
    SLIPPED,
    VANISHED_TOGETHER,
    Surprises,
)
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.page import Page, markdown_table
from maturity_model.lab.studies.settings import Surprise
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.lab.validation.forecasts import surprises_by_checkin
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.panel import build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

#: Spread of tanks' own shifts of signs and of readings, which the model lacks.
SHIFTS = {"none": (0.0, 0.0), "moderate": (0.7, 0.4)}
#: Days after the beginning of a collapse's week in which it must be flagged.
DAYS = 14
#: How much more frequent collapses are made, and the hazard under a logged crash, per week.
MORE_COLLAPSES, CRASH_HAZARD = 20.0, 3.0
#: By tank, every check-in's week, date and surprises.
ByCheckin = list[list[tuple[int, dt.date, Surprises]]]


def _each_checkin(simulated: Simulated, population: Population) -> ByCheckin:
    panel = build_panel(simulated.logbook, simulated.logbook.catalogue)
    tables = make_tables(panel, population)
    return [
        list(surprises_by_checkin(tables, n, filter_tank(tables, n)[0]))
        for n in range(len(panel.tanks))
    ]


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


def count_quiet(simulated: Simulated, alarms: ByCheckin) -> dict[str, float]:
    """Count false alarms before each tank's first crash or move down.

    ``tank_years`` without trouble; check-ins there with 'something is ``wrong``' and with 'check
    the ``kit``'; ``new``: those of both kinds that no alarm in the three weeks before announced.
    """
    weeks = wrong = kit = new = 0
    tanks = zip(simulated.logbook.tanks, alarms, simulated.phases, strict=True)
    for name, rows, phases in tanks:
        end = min([_first_down(phases), *_crash_weeks(simulated, name)])
        weeks += end
        quiet = [(w, s.alarm) for w, _, s in rows if w < end and s.alarm]
        wrong += sum(alarm == "something is wrong" for _, alarm in quiet)
        kit += sum(alarm == "check the kit" for _, alarm in quiet)
        at = [-RECENT_WEEKS - 1, *(w for w, _ in quiet)]
        new += sum(b - a > RECENT_WEEKS for a, b in itertools.pairwise(at))
    return {"tank_years": weeks * 7 / 365.25, "wrong": wrong, "kit": kit, "new": new}


def count_caught(simulated: Simulated, alarms: ByCheckin) -> dict[str, int]:
    """Count first collapses, by whether a crash was logged in that week or the two before.

    ``logged`` and ``unlogged`` collapses; those ``_flagged`` by 'something is wrong' within
    :data:`DAYS`; those ``_looked_at``, with any check-in in that time: no more can be flagged.
    """
    ends = ("", "_flagged", "_looked_at")
    counts = {f"{kind}{end}": 0 for kind in ("logged", "unlogged") for end in ends}
    tanks = zip(simulated.logbook.tanks, alarms, simulated.states, simulated.phases, strict=True)
    for name, rows, states, phases in tanks:
        fell = np.flatnonzero((states[1:] == 0) & (phases[:-1] > 0))
        if not len(fell) or fell[0] + 3 >= len(states):
            continue
        week = int(fell[0]) + 1
        begin = simulated.logbook.tanks[name].started + dt.timedelta(days=7 * week)
        after = [s for _, date, s in rows if begin <= date < begin + dt.timedelta(days=DAYS)]
        logged = any(week - 2 <= w <= week for w in _crash_weeks(simulated, name))
        kind = "logged" if logged else "unlogged"
        counts[kind] += 1
        counts[f"{kind}_flagged"] += any(s.alarm == "something is wrong" for s in after)
        counts[f"{kind}_looked_at"] += bool(after)
    return counts


def with_collapses(population: Population) -> Population:
    """A population whose tanks collapse often, and nearly always after a crash."""
    log_collapse = population.log_collapse + np.log(MORE_COLLAPSES)
    effect = population.event_collapse.copy()
    crash = population.events.index("crash")
    effect[crash] = np.log(CRASH_HAZARD) - log_collapse[1:].min(axis=0)
    return replace(population, log_collapse=log_collapse, event_collapse=effect)


def count(shifts: str, n_tanks: int, weeks: int, seed: int) -> pd.DataFrame:
    """The counts of one row of ``counts.csv``, from two simulations."""
    catalogue, at = load_catalogue(), list(SHIFTS).index(shifts)
    population = elicit_population(catalogue, DEFAULT_EVIDENCE_WEIGHT)
    signs, readings = SHIFTS[shifts]
    habits = Habits(weeks=weeks, sign_effect_sd=signs, reading_effect_sd=readings)
    truth = elicit_population(catalogue, 1.0, seed=seed * 1000 + at + 1)
    quiet, rough = (
        simulate_logbook(p, catalogue, n_tanks, np.random.default_rng([seed, at, i]), habits)
        for i, p in enumerate((truth, with_collapses(truth)))
    )
    counts = {
        **count_quiet(quiet, _each_checkin(quiet, population)),
        **count_caught(rough, _each_checkin(rough, population)),
    }
    return pd.DataFrame([{"shifts": shifts, **counts}])


def run(
    setting: Surprise, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Count false alarms and caught collapses: a row for each of :data:`SHIFTS`."""
    tasks = {name: (name, setting.tanks, setting.weeks, setting.seed) for name in SHIFTS}
    found = run_tasks(count, tasks, folder=work, processes=processes, say=say)
    return pd.concat(found.values(), ignore_index=True)


def read(folder: Path) -> pd.DataFrame:
    """The committed counts."""
    # "none" is a word here, and "None" no missing value.
    return pd.read_csv(folder / "counts.csv", keep_default_na=False)


def rates(counts: pd.DataFrame) -> pd.DataFrame:
    """False alarms and new ones ``per_year``, and the ``share`` of collapses that are flagged."""
    flagged = counts["logged_flagged"] + counts["unlogged_flagged"]
    return pd.DataFrame(
        {
            "per_year": (counts["wrong"] + counts["kit"]) / counts["tank_years"],
            "new_per_year": counts["new"] / counts["tank_years"],
            "share": flagged / (counts["logged"] + counts["unlogged"]),
        }
    )


def summary(counts: pd.DataFrame, setting: Surprise) -> list[str]:
    """False alarms a year."""
    per_year = zip(counts["shifts"], rates(counts)["per_year"], strict=True)
    return [f"shifts {name}: {rate:.2f} false alarms per tank-year" for name, rate in per_year]


def page(counts: pd.DataFrame, setting: Surprise) -> Page:
    """``counts.csv`` and what it says."""
    rate = rates(counts)
    flagged = {
        f"{kind} flagged": counts[f"{kind}_flagged"].astype(str) + " of " + counts[kind].astype(str)
        for kind in ("logged", "unlogged")
    }
    table = pd.DataFrame(
        {
            "shifts": counts["shifts"],
            "quiet tank-years": counts["tank_years"].map("{:.0f}".format),
            "false alarms a year": rate["per_year"].map("{:.2f}".format),
            "new ones a year": rate["new_per_year"].map("{:.2f}".format),
            **flagged,
            "all": rate["share"].map("{:.0%}".format, na_action="ignore"),
        }
    )
    page = Page("False alarms, and collapses caught", setting.command)
    page.fill(
        Path(__file__).with_suffix(".md"),
        setting=setting,
        fell=FELL,
        slipped=SLIPPED,
        vanished=VANISHED_TOGETHER,
        far_off=FAR_OFF,
        recent=RECENT_WEEKS,
        days=DAYS,
        table=markdown_table(table),
    )
    page.csv("counts.csv", counts, {"tank_years": "{:.1f}"})
    return page
