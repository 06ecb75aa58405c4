"""The result types of an assessment: every probability with its conditioning."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from reprlib import repr as shorten
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model.catalogue import load_course

if TYPE_CHECKING:
    from maturity_model.assessment.cautions import Caution
    from maturity_model.assessment.course import Course
    from maturity_model.assessment.questions import Questions
    from maturity_model.catalogue import Catalogue
    from maturity_model.logbook import Account, CheckIn, Event, Problem, Tank


@dataclass(frozen=True)
class Reach:
    """How long the log is, and how much of it was checked.

    Attributes
    ----------
    weeks : int
        Weeks from the start to the day of the assessment, the present one included.
    weeks_with_checkin : int
    last_checkin : date or None
    weeks_since_checkin : int or None
    share_signs_checked : float
        Answers, divided by check-ins times signs of the catalogue.
    readings : int
        Number of readings that enter the likelihood.
    unchecked_signs : tuple of str
        Signs with no answer in the last four weeks, of those that can be in the tank.
    last_look : date or None
        Day of the last check-in that holds an observation.
    weeks_since_look : int or None
    silent : bool
        Nobody has looked for weeks, or ever, so that the only advice is to look.
    """

    weeks: int
    weeks_with_checkin: int
    last_checkin: dt.date | None
    weeks_since_checkin: int | None
    share_signs_checked: float
    readings: int
    unchecked_signs: tuple[str, ...]
    last_look: dt.date | None = None
    weeks_since_look: int | None = None
    silent: bool = False

    @property
    def never_looked(self) -> bool:
        """Whether the log holds no observation at all."""
        return self.silent and self.last_look is None


@dataclass(frozen=True)
class Reweighting:
    """How the population's draws were reweighted by this tank's own likelihood.

    Attributes
    ----------
    khat_full : float
        Pareto k of the plain weights (all of the tank's likelihood).
    khat : float
        Pareto k of the weights that were used.
    share : float
        Power of the likelihood in those weights: 1 where the plain weights were reliable,
        less where their k was above the limit.
    ess : float
        Effective number of draws, of ``draws``.
    draws : int
    limit : float
        The k above which weights are not used.
    """

    khat_full: float
    khat: float
    share: float
    ess: float
    draws: int
    limit: float


class OwnSkill(NamedTuple):
    """A keeper's skill as the pool learned it: log-odds of seeing a small sign, less the usual.

    Attributes
    ----------
    mean, low, high : float
        Mean, 5 % and 95 % quantile over the population's draws.
    """

    mean: float
    low: float
    high: float


@dataclass(frozen=True)
class TankAssessment:
    """The answer for one tank.

    Attributes
    ----------
    tank : Tank
    phases : tuple of str, length K
        Names of the phases, the order of every axis of length K.
    weeks : int ndarray, shape (T,)
        Week numbers, 0 is the week of the start.
    dates : tuple of date
        Last day of each week; the day of the assessment for the present week.
    filtered : ndarray, shape (T, K)
        P(phase at week t | log up to the end of week t, population).
    smoothed : ndarray, shape (T, K)
        P(phase at week t | whole log up to the day of the assessment, population).
    smoothed_low, smoothed_high : ndarray, shape (T, K)
        5 % and 95 % weighted quantiles over population draws of the smoothed probability.
    now_low, now_high : ndarray, shape (K,)
        The same for the present filtered probability.
    forecast_only : ndarray, shape (T, K)
        P(phase at week t | rock, events and husbandry alone, population): no sign or reading.
    regression : ndarray, shape (T, H)
        P(phase at some week in t+1..t+h is lower than at t | log up to the end of week t,
        no further event, husbandry as it stands), for h in ``horizons``.
    regression_low, regression_high : ndarray, shape (H,)
        5 % and 95 % weighted quantiles over draws, for the present week.
    horizons : tuple of int
    slipped : ndarray, shape (T,)
        P(the tank moved to a lower phase between week t-1 and t | whole log); entry 0 is 0.
    reach : Reach
    reweighting : Reweighting
    checkins, events : tuple
        The tank's rows of the log, by date, up to the day of the assessment.
    problems : tuple of Problem
        Those of the log that concern this tank, or no tank in particular.
    cautions : tuple of Caution
    notes : tuple of str
        How the log was understood where it leaves a choice (for example that no water
        change was ever logged, so their number is unknown).
    questions : Questions or None
        What to do, why, what if; None if not asked.
    skill : OwnSkill or None
        Of the keeper, where it was learned from the pool.
    course : Course or None
        From the look before the newest one to now; None where nobody has looked yet.
    in_pool : {'no', 'same', 'changed'}
        Whether the tank was in the population's pool. ``same``: its log is divided out of
        the prior. ``changed``: it was edited since, so part of it counts twice.
    """

    tank: Tank
    phases: tuple[str, ...]
    weeks: np.ndarray
    dates: tuple[dt.date, ...]
    filtered: np.ndarray
    smoothed: np.ndarray
    smoothed_low: np.ndarray
    smoothed_high: np.ndarray
    now_low: np.ndarray
    now_high: np.ndarray
    forecast_only: np.ndarray
    regression: np.ndarray
    regression_low: np.ndarray
    regression_high: np.ndarray
    horizons: tuple[int, ...]
    slipped: np.ndarray
    reach: Reach
    reweighting: Reweighting
    checkins: tuple[CheckIn, ...]
    events: tuple[Event, ...]
    problems: tuple[Problem, ...]
    cautions: tuple[Caution, ...]
    notes: tuple[str, ...]
    questions: Questions | None = None
    skill: OwnSkill | None = None
    course: Course | None = None
    in_pool: str = "no"

    def __repr__(self) -> str:
        phase = self.phases[self.present]
        return (
            f"<TankAssessment {shorten(self.tank.name)}: week {int(self.weeks[-1])}, most likely "
            f"{phase} ({self.filtered[-1, self.present]:.0%}), slipping back within "
            f"{self.horizons[-1]} weeks {self.regression[-1, -1]:.0%}>"
        )

    @property
    def present(self) -> int:
        """Index of the most probable phase now, given the log up to now."""
        return int(np.argmax(self.filtered[-1]))

    @property
    def at_start(self) -> bool:
        """Whether the first phase is the most probable now: the tank cannot slip below it."""
        return self.present == 0

    @property
    def slipped_before(self) -> dt.date | None:
        """The check-in by which the tank has more likely than not slipped lately; or None."""
        said = self.questions.surprises if self.questions else None
        if said is None or said.recent.slipped < load_course()["just_slipped"]:
            return None
        return said.date


@dataclass(frozen=True)
class Provenance:
    """Where the answer comes from.

    Attributes
    ----------
    version : str
        Of this program.
    population_name : str
    population_kind : {'elicited', 'fitted'}
        ``elicited``: no pooled fit lies behind it.
    population_sha256, logbook_sha256 : str
    evidence_weight : float
        The power on the likelihood of signs and readings.
    as_of : date
        The day of the assessment.
    as_of_given : bool
        False: it is the last date in the log.
    quadrature : tuple of int
        Draws, pace nodes, skill nodes.
    population_warning : str
        Why the fit behind the population must not be trusted; empty if it passed its checks,
        or if there was no fit.
    population_standing : str
        As in :attr:`.Population.standing`.
    population_of_practice : tuple of str
        As in :attr:`.Population.of_practice`.
    """

    version: str
    population_name: str
    population_kind: str
    population_sha256: str
    logbook_sha256: str
    evidence_weight: float
    as_of: dt.date
    as_of_given: bool
    quadrature: tuple[int, int, int]
    population_warning: str = ""
    population_standing: str = "passed"
    population_of_practice: tuple[str, ...] = ()


@dataclass(frozen=True)
class Assessment:
    """The answers for all tanks of a logbook.

    Attributes
    ----------
    catalogue : Catalogue
    tanks : tuple of TankAssessment
        In the order of the log.
    problems : tuple of Problem
    account : Account
        What became of every file, sheet and row of the log.
    refused_tanks : tuple of str
        Tanks that the log names but that cannot be assessed.
    provenance : Provenance
    phases : tuple of str, length K
    ended : tuple of Tank
        Tanks that had been taken down by the day of the assessment; none of ``tanks``.
    """

    catalogue: Catalogue
    tanks: tuple[TankAssessment, ...]
    problems: tuple[Problem, ...]
    account: Account
    refused_tanks: tuple[str, ...]
    provenance: Provenance
    phases: tuple[str, ...]
    ended: tuple[Tank, ...] = ()

    def __repr__(self) -> str:
        p = self.provenance
        return (
            f"<Assessment on {p.as_of}: {len(self.tanks)} tanks, "
            f"{len(self.refused_tanks)} refused; population {shorten(p.population_name)} "
            f"({p.population_standing}), {p.quadrature[0]} draws>"
        )
