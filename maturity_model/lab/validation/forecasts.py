"""What the program forecasts in every week of every tank, as it would have done on that day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import HORIZONS, Tables, filter_tank, make_tables
from maturity_model.assessment.first_passage import REACH, time_to_mature
from maturity_model.assessment.observed import checkins_of, observed
from maturity_model.assessment.present import Present
from maturity_model.assessment.surprise import Surprises, recent_slip, surprises
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.validation.clubs import Club
from maturity_model.population.tables import Hazards
from maturity_model.population.types import Population

#: Weeks at which the time to mature is forecast.
ASKED = (4, 10, 16, 22, 28, 34, 40)
#: Alarms as numbers; SILENT where no check-in was examined.
ALARMS = {"": 0, "check the kit": 1, "something is wrong": 2}
SILENT = -1


class Forecaster(NamedTuple):
    """The program with one population and likelihood power."""

    name: str
    population: Population
    weight: float


@dataclass(frozen=True)
class Forecasts:
    """Forecasts of N tanks in W weeks, and M of the time to mature.

    ``phase``, shape (N, W, K), is P(phase | log up to the week); ``risk``, (N, W, H), that of
    slipping back within each horizon without a further event; ``slipped``, (N, W), the expected
    slips of the last three weeks (nan if not asked); ``alarm``, (N, W), the strongest of the week's
    :data:`ALARMS`. ``asked``, (M, 2), holds tank and week, and ``by_week``, (M, REACH + 1),
    P(mature by w weeks from then | log up to the week).
    """

    phase: Floats
    risk: Floats
    slipped: Floats
    alarm: Ints
    asked: Ints
    by_week: Floats

    @classmethod
    def concatenate(cls, parts: Sequence[Forecasts]) -> Forecasts:
        """Join the tanks of several clubs."""
        starts = np.cumsum([0, *(len(p.phase) for p in parts)])
        parts = [
            replace(p, asked=p.asked + np.array([start, 0]))
            for p, start in zip(parts, starts, strict=False)
        ]
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))


def as_of(present: Present, week: int) -> Present:
    """A tank as it stood at the end of an earlier week.

    Everything in a :class:`.FilteredMixture` is causal, so that its first weeks are what a
    run on that day would have found.
    """
    found, end = present.mixture, week + 1
    then: FilteredMixture = replace(
        found,
        moves=found.moves[:week],
        trusted=type(found.trusted)(*(x[:end] for x in found.trusted)),
        **{f: getattr(found, f)[:end] for f in ("emission", "states", "log_likelihood")},
        **{
            f: getattr(found, f)[:, :, :end]
            for f in ("filtered", "scale", "node_weight", "lane_log_likelihood")
        },
    )
    h = present.hazards
    hazards = Hazards(h.population, h.advance[:end], h.load[:end], h.pending[:end])
    return replace(present, mixture=then, hazards=hazards)


def surprises_by_checkin(
    tables: Tables, n: int, mixture: FilteredMixture
) -> Iterator[tuple[int, dt.date, Surprises]]:
    """Week, date and surprises of every check-in of tank n that holds an observation."""
    what, tank = observed(tables.panel, n), tables.panel.tanks[n]
    for i, c in enumerate(checkins_of(tables.panel, n)):
        found = surprises(tables, n, mixture, i, what)
        if found is not None:
            yield (c.date - tank.started).days // 7, c.date, found


def _alarms(tables: Tables, n: int, found: FilteredMixture, weeks: int) -> tuple[Floats, Ints]:
    weight = tables.evidence_weight
    slipped = np.array([recent_slip(found, t, weight).slipped for t in range(weeks)])
    alarm = np.full(weeks, SILENT)
    for week, _, surprise in surprises_by_checkin(tables, n, found):
        if week < weeks:
            alarm[week] = max(alarm[week], ALARMS[surprise.alarm])
    return slipped, alarm


def normalized_phases(found: FilteredMixture, weeks: int) -> Floats:
    """P(phase at t | log up to t) of the first weeks, shape (weeks, K)."""
    p = found.phases()[:weeks]
    return np.asarray(p / p.sum(axis=1, keepdims=True))


def filtered_phases(tables: Tables, weeks: int, tanks: int) -> Floats:
    """P(phase at t | log up to t) of the first tanks and weeks, shape (tanks, weeks, K)."""
    return np.stack([normalized_phases(filter_tank(tables, n)[0], weeks) for n in range(tanks)])


def make_forecasts(
    club: Club, forecaster: Forecaster, *, alarms: int = 0, say: Say = silent
) -> Forecasts:
    """Forecast every week of a club.

    Of the first ``alarms`` tanks, every check-in is examined for surprises, which is slow.
    """
    panel, weeks = club.panel(), club.weeks
    tables = make_tables(panel, forecaster.population, forecaster.weight)
    n_tanks, phases = len(panel.tanks), len(panel.catalogue.phases)
    # The panel leaves no tank out: its last day is late enough for all.
    phase, risk = np.empty((n_tanks, weeks, phases)), np.empty((n_tanks, weeks, len(HORIZONS)))
    slipped = np.full((n_tanks, weeks), np.nan)
    alarm = np.full((n_tanks, weeks), SILENT)
    asked: list[tuple[int, int]] = []
    by_week: list[Floats] = []
    for n in range(n_tanks):
        found, hazards = filter_tank(tables, n)
        down = found.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
        phase[n] = normalized_phases(found, weeks)
        risk[n] = np.einsum("thd,td->th", down, found.draw_weight)[:weeks]
        present = Present(panel, n, found, hazards, tables.pace)
        for week in ASKED:
            if week < weeks and club.truth[n, week] >= 0:
                asked.append((n, week))
                by_week.append(time_to_mature(as_of(present, week)).by_week)
        if n < alarms:
            slipped[n], alarm[n] = _alarms(tables, n, found, weeks)
    say(f"{forecaster.name}: {n_tanks} tanks")
    at = np.array(asked, dtype=np.int64).reshape(-1, 2)
    cumulative = np.array(by_week).reshape(-1, REACH + 1)
    return Forecasts(phase, np.clip(risk, 0.0, 1.0), slipped, alarm, at, cumulative)
