"""From a panel and a population to the answers for every tank."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TypeVar

import numpy as np

from maturity_model import __version__
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.filtering import (
    FULL_WEEKS,
    HORIZONS,
    PACE_NODES,
    SKILL_NODES,
    Tables,
    filter_tank,
    forecast_only,
    make_tables,
)
from maturity_model.assessment.intervals import bounds
from maturity_model.assessment.misfit import Misfits
from maturity_model.assessment.plan import Plan
from maturity_model.assessment.pool_members import Recognised, Recognition
from maturity_model.assessment.questions import Questions, answer_questions
from maturity_model.assessment.thread_pool import map_in_threads
from maturity_model.assessment.types import (
    Assessment,
    Provenance,
    Reach,
    Reweighting,
    TankAssessment,
)
from maturity_model.hmm.mixture import k_limit
from maturity_model.logbook import CheckIn, Event
from maturity_model.panel import Panel
from maturity_model.population.types import Population

Row = TypeVar("Row", CheckIn, Event)


def _reach(panel: Panel, n: int, checkins: tuple[CheckIn, ...]) -> Reach:
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    signs = panel.catalogue.signs
    answers = sum(len(c.signs) for c in checkins)
    recent = {name for c in checkins if (panel.as_of - c.date).days < 28 for name in c.signs}
    readings = panel.readings.row
    end = checkins[-1].date if checkins else None
    return Reach(
        weeks=last - first,
        weeks_with_checkin=int(panel.checked[first:last].sum()),
        last_checkin=end,
        weeks_since_checkin=(panel.as_of - end).days // 7 if end else None,
        share_signs_checked=answers / (len(checkins) * len(signs)) if checkins else 0.0,
        readings=int(((readings >= first) & (readings < last)).sum()),
        unchecked_signs=tuple(name for name in signs if name not in recent),
    )


def _notes(
    panel: Panel, n: int, checkins: tuple[CheckIn, ...], events: tuple[Event, ...]
) -> tuple[str, ...]:
    tank = panel.tanks[n]
    last = int(panel.first[n + 1]) - 1
    notes = []
    if tank.rock is None:
        notes.append(
            "The kind of rock was not logged; the start is taken as a mixture of all kinds."
        )
    if not panel.water_known[last]:
        notes.append(
            "No water change was ever logged by this keeper, so how much is changed is taken "
            "as unknown (as usual), not as none."
        )
    elif not any(e.kind == "water_change" for e in events):
        notes.append(
            "This keeper logs water changes, but none for this tank: it counts as having had none."
        )
    used = {name for c in checkins for name in c.signs}
    own = [s.label for s in panel.catalogue.signs.values() if s.own and s.name in used]
    if own:
        notes.append(
            f"Signs of the club's own ({', '.join(own)}) count with the chances that the club "
            "wrote down."
        )
    return tuple(notes)


def _draws_used(used: int, there: int) -> tuple[str, ...]:
    if used == there:
        return ()
    return (
        f"The log reaches over more than {FULL_WEEKS} weeks, so {used} of the population's "
        f"{there} draws are used: the last digits of a probability move a little.",
    )


def _by_tank(rows: Iterable[Row], as_of: dt.date) -> dict[str, tuple[Row, ...]]:
    out: dict[str, list[Row]] = {}
    for row in rows:
        if row.date <= as_of:
            out.setdefault(row.tank, []).append(row)
    return {name: tuple(found) for name, found in out.items()}


def _assess_tank(
    tables: Tables,
    known: Recognised,
    n: int,
    checkins: tuple[CheckIn, ...],
    events: tuple[Event, ...],
    everything: bool,
    plans: tuple[Plan, ...],
    misfits: Misfits | None,
) -> TankAssessment:
    all_draws = tables.population.n_draws
    tables = tables.of_tank(n)
    panel, population = tables.panel, tables.population
    tank = panel.tanks[n]
    found, hazards = filter_tank(tables, n)
    states, down = found.smooth()
    risk = found.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
    weight = found.draw_weight
    final = weight[-1]
    by_draw = found.chain.by_phase(states, axis=1)
    # Sums of rounded weights may pass 1 in the last digits.
    smoothed_low, smoothed_high = np.clip(bounds(by_draw, final), 0.0, 1.0)
    now_low, now_high = np.clip(
        bounds(found.chain.by_phase(found.states[-1], axis=0), final), 0.0, 1.0
    )
    risk_low, risk_high = np.clip(bounds(risk[-1], final), 0.0, 1.0)
    weeks = len(weight)
    forecast = forecast_only(tables, n, found)
    cautions = cautions_for(tank, checkins, events, panel.as_of, panel.catalogue)
    notes = (
        *_notes(panel, n, checkins, events),
        *known.notes(tables),
        *_draws_used(population.n_draws, all_draws),
    )
    if misfits is not None and (said := misfits.note(n, found)):
        notes = (*notes, said)
    questions: Questions | None = None
    if everything or plans:
        questions = answer_questions(
            tables, n, found, hazards, forecast[-1], checkins, events, cautions,
            everything=everything, plans=plans,
        )  # fmt: skip
    return TankAssessment(
        tank=tank,
        phases=tuple(panel.catalogue.phases),
        weeks=np.arange(weeks),
        dates=panel.week_ends(n),
        filtered=found.phases(),
        smoothed=found.mix(states, final),
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
        reach=_reach(panel, n, checkins),
        reweighting=Reweighting(
            khat_full=float(found.trusted.khat_full[-1]),
            khat=float(found.trusted.khat[-1]),
            share=float(found.trusted.power[-1]),
            ess=float(found.trusted.effective[-1]),
            draws=population.n_draws,
            limit=float(k_limit(population.n_draws)),
        ),
        checkins=checkins,
        events=events,
        problems=tuple(p for p in panel.logbook.problems if p.tank in (None, tank.name)),
        cautions=cautions,
        notes=notes,
        questions=questions,
        skill=known.skill,
        in_pool=known.in_pool,
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
    tables = make_tables(panel, population, evidence_weight)
    checkins = _by_tank(panel.logbook.checkins, panel.as_of)
    events = _by_tank(panel.logbook.events, panel.as_of)

    recognition = Recognition(
        tables,
        _by_tank(panel.logbook.checkins, dt.date.max),
        _by_tank(panel.logbook.events, dt.date.max),
    )
    misfits: Misfits | None = None
    if questions:
        misfits = Misfits(tables)

    def one(n: int) -> TankAssessment:
        name = panel.tanks[n].name
        return _assess_tank(
            *recognition.of(n),
            n,
            checkins.get(name, ()),
            events.get(name, ()),
            questions,
            plans,
            misfits,
        )

    tanks = map_in_threads(one, len(panel.tanks))
    return Assessment(
        catalogue=panel.catalogue,
        tanks=tuple(tanks),
        problems=panel.logbook.problems,
        rows=panel.logbook.rows,
        refused_tanks=panel.logbook.refused_tanks,
        provenance=Provenance(
            version=__version__,
            population_name=population.name,
            population_kind=population.kind,
            population_sha256=population.sha256,
            logbook_sha256=panel.logbook.sha256,
            evidence_weight=tables.evidence_weight,
            as_of=panel.as_of,
            as_of_given=panel.as_of_given,
            quadrature=(population.n_draws, PACE_NODES, SKILL_NODES),
            population_warning=population.warning,
            population_standing=population.standing,
            population_of_practice=population.of_practice,
            population_tuned_by=population.tuned_by,
        ),
        phases=tuple(panel.catalogue.phases),
    )
