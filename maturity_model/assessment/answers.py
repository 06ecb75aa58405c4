"""From a panel and a population to the answers for every tank."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maturity_model import __version__
from maturity_model.assessment.cautions import cautions_for
from maturity_model.assessment.types import (
    HORIZONS,
    Assessment,
    Provenance,
    Reach,
    Reweighting,
    TankAssessment,
)
from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture, k_limit
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.logbook import CheckIn
from maturity_model.panel import Observations, Panel
from maturity_model.population.tables import (
    Hazards,
    fit_to_catalogue,
    judgement_table,
    reading_table,
    sign_table,
    tank_hazards,
)
from maturity_model.population.types import Population

Floats = NDArray[np.float64]

#: Quadrature nodes for pace and skill.
PACE_NODES, SKILL_NODES = 5, 3
#: Interval over draws that is reported.
LOW, HIGH = 0.05, 0.95
#: Below this a week's likelihood is worked out in logarithms.
_SMALLEST = 1e-250


@dataclass(frozen=True)
class Tables:
    """Everything that all tanks of a panel share."""

    panel: Panel
    population: Population
    pace: Floats
    skill: Floats
    node_prior: Floats
    signs: Floats
    readings: Floats
    judgements: Floats

    def emission(self, n: int) -> Floats:
        """Likelihood of each week's observations of tank n, shape (T, S, Q, D).

        Up to a factor in weeks with more rows than a product of chances can carry.
        """
        first, last = int(self.panel.first[n]), int(self.panel.first[n + 1])
        out = np.ones((last - first, *self.signs.shape[1:]))
        for kind, table in self._kinds():
            if len(kind.codes):
                starts, codes = kind.of_rows(first, last)
                native.multiply_codes(starts, codes, table, out)
        for t in np.flatnonzero(out.min(axis=(1, 2, 3)) < _SMALLEST):
            out[t] = self._by_logarithms(first + int(t))
        return out

    def _kinds(self) -> tuple[tuple[Observations, Floats], ...]:
        return (
            (self.panel.signs, self.signs),
            (self.panel.readings, self.readings[:, :, None, :]),
            (self.panel.judgements, self.judgements[:, :, None, :]),
        )

    def _by_logarithms(self, row: int) -> Floats:
        # Relative to the likeliest state and lane; nothing in a log makes a state impossible.
        total = np.zeros(self.signs.shape[1:])
        for kind, table in self._kinds():
            for code in kind.of_rows(row, row + 1)[1]:
                total += np.log(np.maximum(table[code], 1e-300))
        return np.asarray(np.exp(np.maximum(total - total.max(), -600.0)))


def make_tables(
    panel: Panel,
    population: Population,
    evidence_weight: float | None = None,
    nodes: tuple[int, int] = (PACE_NODES, SKILL_NODES),
) -> Tables:
    """Look-up tables for a panel.

    Parameters
    ----------
    panel : Panel
    population : Population
    evidence_weight : float, optional
        Default: the population's own.
    nodes : tuple of int
        Quadrature nodes for pace and skill.
    """
    population = fit_to_catalogue(population, panel.catalogue)
    power = population.evidence_weight if evidence_weight is None else evidence_weight
    if not 0.0 <= power <= 1.0:
        raise ValueError(f"an evidence weight lies between 0 and 1, not at {power}")
    pace, pace_weight = normal_nodes(nodes[0])
    skill, skill_weight = normal_nodes(nodes[1])
    return Tables(
        panel,
        population,
        pace,
        skill,
        np.outer(pace_weight, skill_weight),
        sign_table(panel, population, skill, power),
        reading_table(panel, population, power),
        judgement_table(panel, population, power),
    )


def filter_tank(tables: Tables, n: int) -> tuple[FilteredMixture, Hazards]:
    """Filter tank n under all draws and nodes."""
    population = tables.population
    hazards = tank_hazards(tables.panel, n, population, tables.pace)
    start = population.start[tables.panel.rock[n]]
    initial = np.repeat(start[:, None], population.n_draws, axis=1)
    found = filter_mixture(
        population.chain, initial, hazards.moves(), tables.emission(n), tables.node_prior
    )
    return found, hazards


def forecast_only(tables: Tables, n: int, found: FilteredMixture) -> Floats:
    """P(phase) of tank n as if nothing had ever been seen or measured, shape (T, K).

    Events, husbandry and rock stay.
    """
    population = tables.population
    weeks, states, _, draws = found.emission.shape
    start = population.start[tables.panel.rock[n]]
    blank = filter_mixture(
        population.chain,
        np.repeat(start[:, None], draws, axis=1),
        found.moves,
        np.ones((weeks, states, 1, draws)),
        tables.node_prior.sum(axis=1, keepdims=True),
    )
    return blank.phases()


def _quantiles(values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted quantiles over the last axis, at LOW and HIGH."""
    order = np.argsort(values, axis=-1)
    ranked = np.take_along_axis(values, order, axis=-1)
    weight = np.broadcast_to(weight, values.shape)
    cumulative = np.cumsum(np.take_along_axis(weight, order, axis=-1), axis=-1)
    cumulative /= cumulative[..., -1:]
    out = []
    for level in (LOW, HIGH):
        at = (cumulative < level).sum(axis=-1, keepdims=True)
        at = np.minimum(at, values.shape[-1] - 1)
        out.append(np.take_along_axis(ranked, at, axis=-1)[..., 0])
    return out[0], out[1]


def _reach(panel: Panel, n: int, checkins: tuple[CheckIn, ...]) -> Reach:
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    signs = panel.catalogue.signs
    answers = sum(len(c.signs) for c in checkins)
    recent = {
        name
        for c in checkins
        if (panel.as_of - c.date).days < 28
        for name in c.signs
    }
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


def _notes(panel: Panel, n: int, checkins: tuple[CheckIn, ...]) -> tuple[str, ...]:
    tank = panel.tanks[n]
    last = int(panel.first[n + 1]) - 1
    notes = []
    if tank.rock is None:
        notes.append("The kind of rock was not logged; the start is taken as a mixture of all kinds.")
    if not panel.water_known[last]:
        notes.append(
            "No water change was ever logged by this keeper, so how much is changed is taken "
            "as unknown (as usual), not as none."
        )
    elif not any(
        e.kind == "water_change" and e.tank == tank.name and e.date <= panel.as_of
        for e in panel.logbook.events
    ):
        notes.append(
            "This keeper logs water changes, but none for this tank: it is taken as having had none."
        )
    used = {name for c in checkins for name in c.signs}
    own = [s.label for s in panel.catalogue.signs.values() if s.own and s.name in used]
    if own:
        notes.append(
            f"Signs of the club's own ({', '.join(own)}) count with the chances that the club wrote down."
        )
    return tuple(notes)


def _assess_tank(tables: Tables, n: int) -> TankAssessment:
    panel, population = tables.panel, tables.population
    tank = panel.tanks[n]
    found, hazards = filter_tank(tables, n)
    states, down = found.smooth()
    risk = found.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
    weight = found.draw_weight
    final = weight[-1]
    by_draw = found.chain.by_phase(states, axis=1)
    smoothed_low, smoothed_high = _quantiles(by_draw, final)
    now_low, now_high = _quantiles(found.chain.by_phase(found.states[-1], axis=0), final)
    risk_low, risk_high = _quantiles(risk[-1], final)
    checkins = tuple(
        c for c in panel.logbook.checkins if c.tank == tank.name and c.date <= panel.as_of
    )
    events = tuple(e for e in panel.logbook.events if e.tank == tank.name and e.date <= panel.as_of)
    weeks = len(weight)
    return TankAssessment(
        tank=tank,
        weeks=np.arange(weeks),
        dates=panel.week_ends(n),
        filtered=found.phases(),
        smoothed=found.mix(states, final),
        smoothed_low=smoothed_low,
        smoothed_high=smoothed_high,
        now_low=now_low,
        now_high=now_high,
        forecast_only=forecast_only(tables, n, found),
        regression=np.einsum("thd,td->th", risk, weight),
        regression_low=risk_low,
        regression_high=risk_high,
        horizons=HORIZONS,
        slipped=down @ final,
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
        cautions=cautions_for(tank, checkins, events, panel.as_of, panel.catalogue),
        notes=_notes(panel, n, checkins),
    )


def _in_threads(work: Callable[[int], TankAssessment], n: int) -> list[TankAssessment]:
    # The kernels release the GIL; results keep the order of the tanks.
    threads = min(os.cpu_count() or 1, n)
    if threads < 2:
        return [work(i) for i in range(n)]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, range(n)))


def assess(
    panel: Panel,
    population: Population,
    as_of: dt.date | None = None,
    *,
    evidence_weight: float | None = None,
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

    Returns
    -------
    Assessment

    Raises
    ------
    PopulationMismatch
        When population and catalogue do not fit together.
    """
    if as_of is not None:
        panel = panel.until(as_of)
    tables = make_tables(panel, population, evidence_weight)
    tanks = _in_threads(lambda n: _assess_tank(tables, n), len(panel.tanks))
    power = population.evidence_weight if evidence_weight is None else evidence_weight
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
            evidence_weight=power,
            as_of=panel.as_of,
            as_of_given=panel.as_of_given,
            quadrature=(population.n_draws, PACE_NODES, SKILL_NODES),
        ),
        phases=tuple(panel.catalogue.phases),
    )
