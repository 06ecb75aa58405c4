"""From a panel and a population to the answers for every tank."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import partial

import numpy as np

from maturity_model import __version__
from maturity_model._typing import Floats
from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.course import course_of
from maturity_model.assessment.filtering import (
    HORIZONS,
    PACE_NODES,
    SKILL_NODES,
    Tables,
    filter_tank,
    forecast_only,
    make_tables,
)
from maturity_model.assessment.intervals import bounds
from maturity_model.assessment.misfit import answer_probabilities, misfit_notes
from maturity_model.assessment.notes import draws_notes, log_notes
from maturity_model.assessment.observed import checkins_of
from maturity_model.assessment.permissions import Record, refused_row_caution, relevant_problems
from maturity_model.assessment.plan import Plan
from maturity_model.assessment.pool_members import PoolLookup, PoolMembership
from maturity_model.assessment.questions import Questions, answer_questions
from maturity_model.assessment.silence import is_silent, last_look
from maturity_model.assessment.thread_pool import map_in_threads
from maturity_model.assessment.types import (
    Assessment,
    Provenance,
    Reach,
    Reweighting,
    TankAssessment,
)
from maturity_model.hmm.mixture import FilteredMixture, k_limit
from maturity_model.logbook import CheckIn
from maturity_model.panel import Panel, rows_by_tank
from maturity_model.population.types import Population


def _reach(panel: Panel, n: int, checkins: tuple[CheckIn, ...]) -> Reach:
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    tank = panel.tanks[n]
    signs = [s.name for s in panel.catalogue.signs.values() if tank.can_have(s.needs)]
    answers = sum(len(c.signs) for c in checkins)
    recent = {name for c in checkins if (panel.as_of - c.date).days < 28 for name in c.signs}
    end, look = checkins[-1].date if checkins else None, last_look(checkins)
    return Reach(
        weeks=last - first,
        weeks_with_checkin=int(panel.checked[first:last].sum()),
        last_checkin=end,
        weeks_since_checkin=(panel.as_of - end).days // 7 if end else None,
        share_signs_checked=answers / (len(checkins) * len(signs)) if checkins else 0.0,
        readings=len(panel.readings.of_rows(first, last)[1]),
        unchecked_signs=tuple(name for name in signs if name not in recent),
        last_look=look,
        weeks_since_look=(panel.as_of - look).days // 7 if look else None,
        silent=is_silent(look, panel.as_of),
    )


def _reweighting(mixture: FilteredMixture) -> Reweighting:
    trusted, draws = mixture.trusted, mixture.states.shape[-1]
    return Reweighting(
        khat_full=float(trusted.khat_full[-1]),
        khat=float(trusted.khat[-1]),
        share=float(trusted.power[-1]),
        ess=float(trusted.effective[-1]),
        draws=draws,
        limit=float(k_limit(draws)),
    )


def _bounds(values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    # Sums of rounded weights may pass 1 in the last digits.
    low, high = np.clip(bounds(values, weight), 0.0, 1.0)
    return low, high


def _assess_tank(
    tables: Tables,
    known: PoolMembership,
    n: int,
    everything: bool,
    plans: tuple[Plan, ...],
    misfits: Callable[[int, FilteredMixture], tuple[str, ...]] | None,
) -> TankAssessment:
    all_draws = tables.population.n_draws
    tables = tables.of_tank(n)
    panel = tables.panel
    tank = panel.tanks[n]
    checkins = checkins_of(panel, n)
    events = panel.events_by_tank.get(tank.name, ())
    mixture, hazards = filter_tank(tables, n)
    by_phase = mixture.chain.by_phase
    weight, final = mixture.draw_weight, mixture.draw_weight[-1]
    states, down = mixture.smooth()
    smoothed_low, smoothed_high = _bounds(by_phase(states, axis=1), final)
    now_low, now_high = _bounds(by_phase(mixture.states[-1], axis=0), final)
    risk = mixture.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
    risk_low, risk_high = _bounds(risk[-1], final)
    forecast = forecast_only(tables, n, mixture)
    log = TankLog(tank, checkins, events, panel.as_of, panel.catalogue)
    problems = relevant_problems(panel.logbook.problems, tank.name)
    cautions = (*cautions_for(log), *refused_row_caution(log, problems))
    reach = _reach(panel, n, checkins)
    questions: Questions | None = None
    if everything or plans:
        questions = answer_questions(
            tables, n, mixture, hazards, forecast[-1],
            Record(log, cautions, problems=problems, silent=reach.silent),
            everything=everything, plans=plans,
        )  # fmt: skip
    return TankAssessment(
        tank=tank,
        phases=tuple(panel.catalogue.phases),
        weeks=np.arange(len(weight)),
        dates=panel.week_ends(n),
        filtered=mixture.phases(),
        smoothed=mixture.mix(states, final),
        smoothed_low=smoothed_low,
        smoothed_high=smoothed_high,
        now_low=now_low,
        now_high=now_high,
        forecast_only=forecast,
        regression=np.clip(np.einsum("thd,td->th", risk, weight), 0.0, 1.0),
        regression_low=risk_low,
        regression_high=risk_high,
        horizons=HORIZONS,
        slipped=np.clip(down @ final, 0.0, 1.0),
        reach=reach,
        reweighting=_reweighting(mixture),
        checkins=checkins,
        events=events,
        problems=problems,
        cautions=cautions,
        notes=(
            *log_notes(panel, n, log),
            *known.notes(tables),
            *draws_notes(tables.population.n_draws, all_draws),
            *(misfits(n, mixture) if misfits is not None else ()),
        ),
        questions=questions,
        skill=known.skill,
        course=course_of(tables, n, mixture, checkins),
        in_pool=known.in_pool,
    )


def _provenance(panel: Panel, population: Population, evidence_weight: float) -> Provenance:
    return Provenance(
        version=__version__,
        population_name=population.name,
        population_kind=population.kind,
        population_sha256=population.sha256,
        logbook_sha256=panel.logbook.sha256,
        evidence_weight=evidence_weight,
        as_of=panel.as_of,
        as_of_given=panel.as_of_given,
        quadrature=(population.n_draws, PACE_NODES, SKILL_NODES),
        population_warning=population.warning,
        population_standing=population.standing,
        population_of_practice=population.of_practice,
    )


def assess(
    panel: Panel,
    population: Population,
    as_of: dt.date | None = None,
    *,
    evidence_weight: float | None = None,
    questions: bool = True,
    plans: tuple[Plan, ...] = (),
) -> Assessment:
    """Answer for every tank of a panel.

    Parameters
    ----------
    panel : Panel
    population : Population
    as_of : date, optional
        Ignore everything later. Default: the day of the panel.
    evidence_weight : float, optional
        In place of the population's own: 0 gives the forecast without any
        observation, 1 the plain posterior.
    questions : bool
        Also answer what to do, why, what if, and where to look next. False: phase and risk
        alone, in about half the time.
    plans : tuple of Plan
        What-ifs: with any, the risk of slipping and the time to mature are answered under
        each, whether ``questions`` is set or not.

    Returns
    -------
    Assessment

    Raises
    ------
    PopulationMismatch
        When population and catalogue do not fit together.
    ValueError
        When the evidence weight is not in [0, 1].
    """
    if as_of is not None:
        panel = panel.until(as_of)
    logbook = panel.logbook
    tables = make_tables(panel, population, evidence_weight)
    misfits = partial(misfit_notes, tables, answer_probabilities(tables)) if questions else None
    # The pool's time may be later than the day that is asked about, so all rows count here.
    pool = PoolLookup(
        tables,
        rows_by_tank(logbook.checkins, dt.date.max),
        rows_by_tank(logbook.events, dt.date.max),
    )
    here = [n for n, tank in enumerate(panel.tanks) if not tank.gone(panel.as_of)]

    def assess_tank(i: int) -> TankAssessment:
        n = here[i]
        return _assess_tank(*pool.of(n), n, questions, plans, misfits)

    return Assessment(
        catalogue=panel.catalogue,
        tanks=tuple(map_in_threads(assess_tank, len(here))),
        problems=logbook.problems,
        account=logbook.account,
        refused_tanks=logbook.refused_tanks,
        provenance=_provenance(panel, population, tables.evidence_weight),
        phases=tuple(panel.catalogue.phases),
        ended=tuple(tank for tank in panel.tanks if tank.gone(panel.as_of)),
    )
