"""What the program states in every week of every tank, as it would have stated it then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import HORIZONS, Tables, filter_tank, make_tables
from maturity_model.assessment.first_passage import time_to_mature
from maturity_model.assessment.observed import checkins_of, observed
from maturity_model.assessment.present import Present
from maturity_model.assessment.surprise import lately, surprises
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.lab.validation.clubs import Club
from maturity_model.population.tables import Hazards
from maturity_model.population.types import Population

#: Weeks at which the time to mature is asked for.
ASKED = (4, 10, 16, 22, 28, 34, 40)
#: Nothing was said in that week.
SILENT = -1
#: What an alarm says, as a number.
ALARMS = {"": 0, "check the kit": 1, "something is wrong": 2}


class Forecaster(NamedTuple):
    """The program with one population.

    Attributes
    ----------
    name : str
    population : Population
    weight : float
        Evidence weight.
    """

    name: str
    population: Population
    weight: float


@dataclass(frozen=True)
class Stated:
    """Of N tanks, W weeks and M questions about the time to mature.

    Attributes
    ----------
    phase : ndarray, shape (N, W, K)
        P(phase | log up to the week).
    risk : ndarray, shape (N, W, H)
        P(slipping back within each horizon), no further event.
    slipped : ndarray, shape (N, W)
        Expected slips of the last three weeks, given the log up to the week; nan if not asked.
    alarm : int ndarray, shape (N, W)
        Strongest alarm of the week's check-ins, see :data:`ALARMS`; -1 without a check-in.
    asked : int ndarray, shape (M, 2)
        Tank and week.
    by_week : ndarray, shape (M, 105)
        P(mature by so many weeks from then).
    """

    phase: Floats
    risk: Floats
    slipped: Floats
    alarm: Ints
    asked: Ints
    by_week: Floats


def as_of(present: Present, week: int) -> Present:
    """A tank as it stood at the end of an earlier week.

    Everything in a :class:`.FilteredMixture` is causal, so that its first weeks are what a
    run on that day would have found.
    """
    found, hazards, end = present.found, present.hazards, week + 1
    trusted = type(found.trusted)(*(x[:end] for x in found.trusted))
    then = FilteredMixture(
        found.chain,
        found.moves[: max(week, 0)],
        found.emission[:end],
        found.filtered[:, :, :end],
        found.scale[:, :, :end],
        found.node_weight[:, :, :end],
        found.states[:end],
        found.log_likelihood[:end],
        trusted,
        found.start,
        found.lane_log_likelihood[:, :, :end],
    )
    cut = Hazards(
        hazards.population, hazards.advance[:end], hazards.load[:end], hazards.pending[:end]
    )
    return replace(present, found=then, hazards=cut)


def _alarms(
    tables: Tables, n: int, found: FilteredMixture, weight: float, weeks: int
) -> tuple[Floats, Ints]:
    slipped, alarm = np.full(weeks, np.nan), np.full(weeks, SILENT)
    for t in range(weeks):
        slipped[t] = lately(found, t, weight).slipped
    what, tank = observed(tables.panel, n), tables.panel.tanks[n]
    for i, c in enumerate(checkins_of(tables.panel, n)):
        week = (c.date - tank.started).days // 7
        if week >= weeks:
            continue
        said = surprises(tables, n, found, weight, i, what)
        if said is not None:
            alarm[week] = max(alarm[week], ALARMS[said.alarm])
    return slipped, alarm


def state(
    club: Club,
    forecaster: Forecaster,
    *,
    alarms: int = 0,
    waiting: bool = True,
    say: Callable[[str], None] = lambda _: None,
) -> Stated:
    """What the program states of a club.

    Parameters
    ----------
    club : Club
    forecaster : Forecaster
    alarms : int
        Ask every check-in of so many tanks for surprises: slow.
    waiting : bool
        Ask for the time to mature at :data:`ASKED`.
    say : callable
        Told about progress.
    """
    panel, weeks = club.panel(), club.weeks
    tables = make_tables(panel, forecaster.population, forecaster.weight)
    n_tanks, phases = len(panel.tanks), len(panel.catalogue.phases)
    # The panel leaves no tank out: its day is late enough for all.
    phase, risk = np.empty((n_tanks, weeks, phases)), np.empty((n_tanks, weeks, len(HORIZONS)))
    slipped = np.full((n_tanks, weeks), np.nan)
    alarm = np.full((n_tanks, weeks), SILENT)
    asked: list[tuple[int, int]] = []
    by_week: list[Floats] = []
    for n in range(n_tanks):
        found, hazards = filter_tank(tables, n)
        down = found.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
        phase[n] = found.phases()[:weeks]
        risk[n] = np.einsum("thd,td->th", down, found.draw_weight)[:weeks]
        present = Present(panel, n, found, hazards, tables.pace)
        for week in ASKED if waiting else ():
            if week < weeks and club.truth[n, week] >= 0:
                asked.append((n, week))
                by_week.append(time_to_mature(as_of(present, week)).by_week)
        if n < alarms:
            slipped[n], alarm[n] = _alarms(tables, n, found, forecaster.weight, weeks)
    say(f"{forecaster.name}: {n_tanks} tanks")
    phase /= phase.sum(axis=2, keepdims=True)
    empty = np.empty((0, 2), dtype=np.int64), np.empty((0, 105))
    where, cumulative = (np.array(asked), np.stack(by_week)) if asked else empty
    return Stated(phase, np.clip(risk, 0.0, 1.0), slipped, alarm, where, cumulative)
