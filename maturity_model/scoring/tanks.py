"""Scores of some tanks, week by week; weeks whose filter was saved are not filtered again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import (
    HORIZONS,
    PACE_NODES,
    SKILL_NODES,
    Tables,
    draws_used,
    filter_tank,
    make_tables,
)
from maturity_model.hmm.mixture import FilteredMixture, SavedFilter, extend
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel, rows_by_tank
from maturity_model.population.tables import Hazards, tank_hazards
from maturity_model.population.types import Population
from maturity_model.scoring.saved_filters import FilterStore, SavedTank, history_keys


class TankScores(NamedTuple):
    """Scores of one tank.

    Attributes
    ----------
    tank : str
    day : int ndarray, shape (T,)
        Last day of each week, counted from the start; of the last week, the log's last day.
    checked : bool ndarray, shape (T,)
        Whether there was a check-in.
    values : ndarray, shape (T, K + H + 3)
        P(phase | log to that week); P(a lower phase within each horizon | log to that week);
        Pareto k of the weights of the draws, the power that they carry, and the effective
        number of draws (:class:`.TrustedWeights`).
    """

    tank: str
    day: Ints
    checked: Bools
    values: Floats


def score_tanks(
    book: Logbook,
    population: Population,
    evidence_weight: float,
    ends: dt.date,
    store: FilterStore | None = None,
) -> Iterator[TankScores]:
    """Score all tanks of a logbook, in its order, and bring ``store`` up to date.

    Parameters
    ----------
    book : Logbook
    population : Population
        Its signs in the catalogue's order.
    evidence_weight : float
    ends : date
        Everything later is ignored.
    store : FilterStore, optional
        Forward messages of an earlier run.
    """
    panel = build_panel(book, as_of=ends)
    count = len(panel.tanks)
    own: list[Tables] = []
    if population.members is not None:
        own = recognised(make_tables(panel, population, evidence_weight))
    saved: list[SavedTank | None] = [None] * count
    keys: list[list[bytes]] = [[]] * count
    if store is not None:
        for n, tank in enumerate(panel.tanks):
            weeks = int(panel.first[n + 1] - panel.first[n])
            draws = len(draws_used(weeks, population.n_draws))
            nodes, besides = (PACE_NODES, SKILL_NODES), b"%d" % draws
            if own:
                pace, skill = own[n].node_prior.shape
                nodes, besides = (pace, skill), besides + _prior_of(own[n])
            keys[n] = history_keys(panel, n, store.model, besides)
            saved[n] = store.load(tank.name, keys[n], population, (*nodes, draws))
    if not own:
        own = [make_tables(_only_new(panel, saved), population, evidence_weight)] * count
    for n, tank in enumerate(panel.tanks):
        tables, known = own[n].of_tank(n), saved[n]
        if known is None:
            filtered, hazards = filter_tank(tables, n)
            values = _values(filtered, hazards)
        else:
            filtered, hazards = _continue(tables, n, known)
            values = np.concatenate([known.values, _values(filtered, hazards)])
        weeks = len(values)
        # The last week may still change as days go by; the one before only by an edit.
        closed = weeks - 2
        if store is not None and closed >= 0 and (known is None or known.week < closed):
            at = closed - (weeks - len(filtered.states))
            messages = SavedFilter.at(filtered, at)
            kept = SavedTank(closed, messages, hazards.load[at], values[: closed + 1])
            store.save(tank.name, keys[n][closed], kept)
        first, last = int(panel.first[n]), int(panel.first[n + 1])
        yield TankScores(
            tank.name,
            np.minimum(7 * np.arange(weeks) + 6, (tank.last_day(panel.as_of) - tank.started).days),
            panel.checked[first:last],
            values,
        )


def recognised(tables: Tables) -> list[Tables]:
    """Tables of each tank; as in an assessment, what the population knows of it counts once."""
    from maturity_model.assessment.pool_members import PoolLookup

    book = tables.panel.logbook
    checkins = rows_by_tank(book.checkins, dt.date.max)
    pool = PoolLookup(tables, checkins, rows_by_tank(book.events, dt.date.max))
    return [pool.of(n)[0] for n in range(len(tables.panel.tanks))]


def _prior_of(tables: Tables) -> bytes:
    # What a tank's probabilities depend on besides its history and the model.
    prior = b"" if tables.log_prior is None else tables.log_prior.tobytes()
    return prior + tables.skill.tobytes() + tables.node_prior.tobytes()


def _only_new(panel: Panel, saved: list[SavedTank | None]) -> Panel:
    # Observations of weeks that are known already need no table.
    keep = np.ones(len(panel.checked), dtype=bool)
    for n, known in enumerate(saved):
        if known is not None:
            first = int(panel.first[n])
            keep[first : first + known.week + 1] = False
    return replace(
        panel,
        signs=panel.signs.only(keep),
        readings=panel.readings.only(keep),
        judgements=panel.judgements.only(keep),
    )


def _continue(tables: Tables, n: int, known: SavedTank) -> tuple[FilteredMixture, Hazards]:
    population = tables.population
    # From the saved week on, for the move out of it.
    hazards = tank_hazards(tables.panel, n, population, tables.pace, known.week, known.load)
    filtered = extend(
        known.messages,
        population.chain,
        hazards.moves(),
        tables.scaled_emission(n, known.week + 1)[0],
        tables.node_prior,
        tables.log_prior,
    )
    new = Hazards(population, hazards.advance[1:], hazards.load[1:], hazards.pending[1:])
    return filtered, new


def _values(filtered: FilteredMixture, hazards: Hazards) -> Floats:
    risk = filtered.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
    trusted = filtered.trusted
    return np.column_stack(
        [
            filtered.phases(),
            np.clip(np.einsum("thd,td->th", risk, trusted.weight), 0.0, 1.0),
            trusted.khat,
            trusted.power,
            trusted.effective,
        ]
    )
