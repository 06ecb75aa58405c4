"""What the program and simpler judges state about simulated tanks, beside what came true.

Half of the tanks come from the model itself and are filtered with the whole likelihood;
half have shifts of their own that the model lacks and are filtered with the population's
evidence weight. Every club has its own draw of the parameters from the catalogue's priors,
made with other seeds than the population that filters and than any other study. What
is compared with is learned from further tanks of the same kind.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import HORIZONS, Tables, filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.staged import StagedChain, transition_matrices
from maturity_model.lab.studies.baselines import by_tank, cells, frequencies
from maturity_model.lab.studies.clubs import WORLDS, World, simulate_world
from maturity_model.lab.studies.scores import JUDGES, KNOWING
from maturity_model.lab.worlds.simulate_logbook import Simulated
from maturity_model.panel import build_panel
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population


class Half(NamedTuple):
    """One half of the tanks: their world, and the evidence weight they are filtered with."""

    name: str
    world: World
    weight: float


_WORLD = {world.name: world for world in WORLDS}
HALVES = (
    Half("model", _WORLD["none"], 1.0),
    Half("shifted", _WORLD["strong"], DEFAULT_EVIDENCE_WEIGHT),
)
#: Tanks and clubs of each half that the frequency tables are learned from.
TRAINING, TRAINING_CLUBS = 3000, 120
#: What is stated: the phase, and slipping back within each horizon.
RISKS = {f"regression_{h}": h for h in HORIZONS}
TARGETS = ("phase", *RISKS)
#: Which weeks: all, or those whose next weeks hold no recorded event, as the risk states.
ALL, QUIET = "all", "no events"
#: As the second, but scored on what was drawn, not on its chance.
DRAWN = "no events (drawn)"


def chance_of_slipping(
    states: Ints, moves: Floats, chain: StagedChain, horizon: int, weeks: int
) -> Floats:
    """P(a lower phase within ``horizon`` weeks | state now, hazards of the weeks to come).

    ``states``, shape (T,), are true, drawn with chances ``moves``, shape (T-1, 4 K + 3). Of the
    first ``weeks`` weeks, at most T - horizon; shape (weeks,).
    """
    matrices, phase = transition_matrices(moves, chain), chain.phase_of
    now = states[:weeks]
    out = np.zeros(weeks)
    for k in range(1, chain.n_phases):
        # P(no phase below k in the next i weeks | state), for every week at once.
        up = np.broadcast_to((phase >= k).astype(float), (weeks, chain.n_states))
        for i in reversed(range(horizon)):
            up = np.einsum("tij,tj->ti", matrices[i : weeks + i], up) * (phase >= k)
        here = phase[now] == k
        out[here] = 1 - up[here, now[here]]
    return out


def truth_of(simulated: Simulated, weeks: int) -> pd.DataFrame:
    """What happened in each tank's first weeks, and the cells that simple judges look at.

    A row for each tank-week: the cells of :func:`.baselines.cells`, ``true_phase``, and for each of
    :data:`RISKS`, ``drawn_``: whether the tank slipped back; ``chance_``: its chance given the true
    state and the true hazards of the weeks to come, the expectation of what is drawn without the
    noise of the drawing; ``quiet_``: whether no event was recorded in the weeks forecast.
    """
    phases, tanks = np.stack(simulated.phases, axis=1), simulated.logbook.tanks
    at = {name: n for n, name in enumerate(tanks)}
    event = np.zeros(phases.shape, dtype=bool)
    for e in simulated.logbook.events:
        # Water changes are husbandry; the risk takes them to go on as they stand.
        if e.kind != "water_change":
            event[(e.date - tanks[e.tank].started).days // 7, at[e.tank]] = True
    chain = StagedChain(len(simulated.logbook.catalogue.phases), simulated.n_stages)
    out = {KNOWING: by_tank(phases[:weeks]), **cells(simulated, weeks)}
    for name, h in RISKS.items():
        ahead = [slice(i, weeks + i) for i in range(1, h + 1)]
        lowest = np.min([phases[a] for a in ahead], axis=0)
        out[f"drawn_{name}"] = by_tank(lowest < phases[:weeks])
        pairs = zip(simulated.states, simulated.moves, strict=True)
        out[f"chance_{name}"] = np.concatenate(
            [chance_of_slipping(s, m, chain, h, weeks) for s, m in pairs]
        )
        out[f"quiet_{name}"] = by_tank(~np.any([event[a] for a in ahead], axis=0))
    return pd.DataFrame(out)


def outcomes(truth: pd.DataFrame, target: str, which: str = ALL) -> NDArray[Any]:
    """What is forecast, shape (N, M): a column for each phase, or one for slipping back."""
    if target == "phase":
        phases = np.arange(len(load_catalogue().phases))
        return truth[KNOWING].to_numpy()[:, None] == phases
    kind = "drawn" if which == DRAWN else "chance"
    return truth[[f"{kind}_{target}"]].to_numpy()


def weeks_of(truth: pd.DataFrame, target: str, which: str) -> Bools:
    """Whether each tank-week is among the weeks to be scored, shape (N,)."""
    return np.ones(len(truth), bool) if which == ALL else truth[f"quiet_{target}"].to_numpy()


def _stated(tables: Tables, weeks: int) -> dict[str, Floats]:
    # As the program states them: the filtered phase, and the risk of slipping back.
    phase, risk = [], []
    for n in range(len(tables.panel.tanks)):
        filtered, hazards = filter_tank(tables, n)
        down = filtered.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
        phase.append(filtered.phases()[:weeks])
        risk.append(np.einsum("thd,td->th", down, filtered.draw_weight)[:weeks])
    risks = np.split(np.concatenate(risk), len(HORIZONS), axis=1)
    return {"phase": np.concatenate(phase), **dict(zip(RISKS, risks, strict=True))}


def _with_and_without_signs(
    simulated: Simulated, population: Population, weight: float, weeks: int
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    start = next(iter(simulated.logbook.tanks.values())).started
    end = start + dt.timedelta(days=7 * len(simulated.phases[0]) - 1)
    panel = build_panel(simulated.logbook, simulated.logbook.catalogue, end)
    tables = make_tables(panel, population, weight)
    return _stated(tables, weeks), _stated(replace(tables, signs=np.ones_like(tables.signs)), weeks)


def forecasts_of(
    half: Half, n_tanks: int, weeks: int, seed: int, clubs: int, training: int
) -> pd.DataFrame:
    """Forecasts about one half of the tanks, as :mod:`.scores` takes them.

    With ``half``, ``target`` and ``weeks``. Eight more weeks are simulated, for the truth of what
    was to come, and ``training`` further tanks, for the frequency tables.
    """
    population = elicit_population(load_catalogue(), DEFAULT_EVIDENCE_WEIGHT)
    long = weeks + max(HORIZONS)
    tanks = simulate_world(half.world, n_tanks, long, seed, clubs)
    truths = [truth_of(c, weeks) for c in tanks]
    club, truth = np.repeat(np.arange(clubs), [len(t) for t in truths]), pd.concat(truths)
    more = simulate_world(half.world, training, long, seed + 1, TRAINING_CLUBS)
    learned = pd.concat([truth_of(c, weeks) for c in more])
    stated = [_with_and_without_signs(c, population, half.weight, weeks) for c in tanks]
    parts = []
    for target in TARGETS:
        own, blind = (np.concatenate([s[i][target] for s in stated]) for i in (0, 1))
        for which in (ALL,) if target == "phase" else (ALL, QUIET, DRAWN):
            scored, seen = (weeks_of(t, target, which) for t in (truth, learned))
            columns = {"stated": own, "chance": outcomes(truth, target, which), "readings": blind}
            known = outcomes(learned, target)[seen].astype(float)
            for name in JUDGES:
                if name != "readings":
                    cell, taught = truth[name].to_numpy(), learned[name].to_numpy()
                    n_cells = int(max(cell.max(), taught.max())) + 1
                    columns[name] = frequencies(taught[seen], known, n_cells)[cell]
            part = pd.DataFrame({k: v[scored].ravel() for k, v in columns.items()}, dtype=float)
            part.insert(0, "club", np.repeat(club[scored], own.shape[1]))
            parts.append(part.assign(half=half.name, target=target, weeks=which))
    return pd.concat(parts, ignore_index=True)
