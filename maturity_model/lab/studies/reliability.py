"""Whether stated probabilities come true, and whether they beat simpler ways of judging.

Half of the tanks come from the model itself and are filtered with the whole likelihood;
half have shifts of their own that the model lacks and are filtered with the population's
evidence weight. Every club has its own draw of the parameters from the catalogue's priors,
made with other seeds than the population that filters and than any other study. What
is compared with is learned from further tanks of the same kind.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import HORIZONS, Tables, filter_tank, make_tables
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.hmm.staged import StagedChain, transition_matrices
from maturity_model.lab.studies.evidence_weight import WORLDS, World, simulate_world
from maturity_model.lab.studies.tally import (
    BASELINES,
    KNOWING,
    Tally,
    calibration_error,
    skills,
    tally,
    together,
)
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
#: Clubs of each half; a club has one draw of the parameters.
CLUBS = 30
#: Tanks and clubs of each half that the frequency tables are learned from.
TRAINING, TRAINING_CLUBS = 3000, 120
#: What is stated: the phase, and slipping back within each horizon.
TARGETS = ("phase", *(f"regression_{h}" for h in HORIZONS))
#: Which weeks: all, or those whose next weeks hold no recorded event, as the risk states.
ALL, QUIET = "all", "no events"
#: As the second, but scored on what happened to happen, not on its chance.
DRAWN = "no events (drawn)"
#: Weeks in which a sign or reading counts as seen lately, and width of the age bands.
LATELY = 4


Tallies = dict[tuple[str, str], Tally]


@dataclass(frozen=True)
class Truth:
    """What happened, in N tank-weeks of one club, and what a simple judge would look at.

    Attributes
    ----------
    happened : dict of str to ndarray, shape (N, M)
        By target: one column for each phase, or one for slipping back. Of the phase, whether
        it was so. Of slipping back, its chance given the tank's true state that week and its
        true hazards in the weeks to come: the expectation of what is drawn, without the
        noise of the drawing.
    drawn : dict of str to bool ndarray, shape (N, M)
        Whether it was so.
    quiet : dict of str to bool ndarray, shape (N,)
        By target: no event was recorded in the weeks that the forecast is about.
    cells : dict of str to int ndarray, shape (N,)
        By frequency table: the cell that a tank-week falls into.
    """

    happened: dict[str, Floats]
    drawn: dict[str, Bools]
    quiet: dict[str, Bools]
    cells: dict[str, Ints]


def favourable(catalogue: Catalogue) -> tuple[str, ...]:
    """Signs whose chance of being seen never falls from one phase to the next."""
    return tuple(
        s.name
        for s in catalogue.signs.values()
        if all(a.value <= b.value for a, b in zip(s.detection, s.detection[1:], strict=False))
    )


def _lately(marks: Bools) -> Bools:
    # Any mark in this week or the LATELY - 1 before it; weeks first.
    out = marks.copy()
    for back in range(1, LATELY):
        out[back:] |= marks[:-back]
    return out


def _cells(simulated: Simulated, weeks: int) -> dict[str, Ints]:
    catalogue = simulated.logbook.catalogue
    tanks = simulated.logbook.tanks
    at = {name: n for n, name in enumerate(tanks)}
    column = {name: i for i, name in enumerate(favourable(catalogue))}
    kits = {"ammonia": 0, "nitrite": 1}
    seen = np.zeros((weeks, len(tanks), len(column)), dtype=bool)
    # Of each kit: nothing found (0) or something (1) in a week; -1: not measured.
    level = np.full((weeks, len(tanks), len(kits)), -1)
    for c in simulated.logbook.checkins:
        week = (c.date - tanks[c.tank].started).days // 7
        if week >= weeks:
            continue
        for name, yes in c.signs.items():
            if yes and name in column:
                seen[week, at[c.tank], column[name]] = True
        for name in kits.keys() & c.readings.keys():
            level[week, at[c.tank], kits[name]] = c.readings[name].best > 0
    last = np.full_like(level, -1)
    for back in reversed(range(LATELY)):
        found = level[: weeks - back]
        last[back:] = np.where(found >= 0, found, last[back:])
    weekly = np.arange(weeks)[:, None]
    kinds = list(catalogue.starts)
    rock = np.array([kinds.index(t.rock or "unknown") for t in tanks.values()])
    state = 3 * (last[:, :, 0] + 1) + last[:, :, 1] + 1
    return {
        "age": _by_tank(weekly * len(kinds) + rock),
        "readings_table": _by_tank(weekly // LATELY * 9 + state),
        "checklist": _by_tank(_lately(seen).sum(axis=2)),
        KNOWING: _by_tank(np.stack(simulated.phases, axis=1)[:weeks]),
    }


def _by_tank(values: NDArray[Any]) -> NDArray[Any]:
    # (weeks, tanks) -> one row for each tank-week, tank after tank as in a panel.
    return np.ascontiguousarray(values.T).ravel()


def chance_of_slipping(
    states: Ints, moves: Floats, chain: StagedChain, horizon: int, weeks: int
) -> Floats:
    """P(a lower phase within ``horizon`` weeks | state now, hazards of the weeks to come).

    Parameters
    ----------
    states : int ndarray, shape (T,)
        True state of each week.
    moves : ndarray, shape (T-1, 4 K + 3)
        The chances that they were drawn from.
    chain : StagedChain
    horizon : int
    weeks : int
        At most T - horizon.

    Returns
    -------
    ndarray, shape (weeks,)
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


def truth_of(simulated: Simulated, weeks: int) -> Truth:
    """What happened in the first ``weeks`` weeks of each tank; needs 8 more of them."""
    phases = np.stack(simulated.phases, axis=1)
    tanks = simulated.logbook.tanks
    at = {name: n for n, name in enumerate(tanks)}
    event = np.zeros(phases.shape, dtype=bool)
    for e in simulated.logbook.events:
        # Water changes are husbandry; the risk takes them to go on as they stand.
        if e.kind != "water_change":
            event[(e.date - tanks[e.tank].started).days // 7, at[e.tank]] = True
    k = len(simulated.logbook.catalogue.phases)
    chain = StagedChain(k, simulated.n_stages)
    drawn = {"phase": _by_tank(phases[:weeks])[:, None] == np.arange(k)}
    happened = {"phase": drawn["phase"].astype(float)}
    quiet = {"phase": np.ones(weeks * len(tanks), dtype=bool)}
    for name, h in zip(TARGETS[1:], HORIZONS, strict=True):
        ahead = [slice(i, weeks + i) for i in range(1, h + 1)]
        lowest = np.min([phases[a] for a in ahead], axis=0)
        drawn[name] = _by_tank(lowest < phases[:weeks])[:, None]
        pairs = zip(simulated.states, simulated.moves, strict=True)
        happened[name] = np.concatenate(
            [chance_of_slipping(s, m, chain, h, weeks) for s, m in pairs]
        )[:, None]
        quiet[name] = _by_tank(~np.any([event[a] for a in ahead], axis=0))
    return Truth(happened, drawn, quiet, _cells(simulated, weeks))


def frequencies(cells: Ints, happened: NDArray[Any], n_cells: int) -> Floats:
    """Share of tank-weeks of each cell in which each outcome happened, shape (n_cells, M).

    As if one more tank-week like the average of all had been seen in each cell.
    """
    count = np.bincount(cells, minlength=n_cells)
    hits = np.stack([np.bincount(cells, h, minlength=n_cells) for h in happened.T], axis=1)
    return np.asarray((hits + happened.mean(axis=0)) / (count[:, None] + 1.0))


def _stated(tables: Tables, weeks: int) -> dict[str, Floats]:
    # As the program states them: the filtered phase, and the risk of slipping back.
    phase, risk = [], []
    for n in range(len(tables.panel.tanks)):
        found, hazards = filter_tank(tables, n)
        down = found.risk(hazards.advance, hazards.ahead(max(HORIZONS)), HORIZONS)
        phase.append(found.phases()[:weeks])
        risk.append(np.einsum("thd,td->th", down, found.draw_weight)[:weeks])
    risks = np.concatenate(risk)
    columns = {name: risks[:, i : i + 1] for i, name in enumerate(TARGETS[1:])}
    return {"phase": np.concatenate(phase), **columns}


def _club(
    simulated: Simulated, population: Population, weight: float, weeks: int
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    # Stated with everything, and with the signs left out.
    start = next(iter(simulated.logbook.tanks.values())).started
    end = start + dt.timedelta(days=7 * len(simulated.phases[0]) - 1)
    panel = build_panel(simulated.logbook, simulated.logbook.catalogue, end)
    tables = make_tables(panel, population, weight)
    return _stated(tables, weeks), _stated(replace(tables, signs=np.ones_like(tables.signs)), weeks)


def _gather(truths: list[Truth]) -> Truth:
    def join(name: str) -> dict[str, NDArray[Any]]:
        each = [getattr(t, name) for t in truths]
        return {key: np.concatenate([e[key] for e in each]) for key in each[0]}

    return Truth(join("happened"), join("drawn"), join("quiet"), join("cells"))


def _half(
    half: Half,
    population: Population,
    n_tanks: int,
    weeks: int,
    seed: int,
    clubs: int,
    training: int,
) -> Tallies:
    long = weeks + max(HORIZONS)
    tanks = simulate_world(half.world, n_tanks, long, seed, clubs)
    truths = [truth_of(c, weeks) for c in tanks]
    club = np.repeat(np.arange(clubs), [len(t.quiet["phase"]) for t in truths])
    truth = _gather(truths)
    more = simulate_world(half.world, training, long, seed + 1, TRAINING_CLUBS)
    learned = _gather([truth_of(c, weeks) for c in more])
    stated = [_club(c, population, half.weight, weeks) for c in tanks]
    out = {}
    for target in TARGETS:
        own, blind = (np.concatenate([s[i][target] for s in stated]) for i in (0, 1))
        for which in (ALL,) if target == "phase" else (ALL, QUIET, DRAWN):
            use = truth.quiet[target] | (which == ALL)
            outcome = (truth.drawn if which == DRAWN else truth.happened)[target]
            seen = learned.quiet[target] | (which == ALL)
            tables = {}
            for name, cells in truth.cells.items():
                n_cells = int(max(cells.max(), learned.cells[name].max())) + 1
                known = frequencies(
                    learned.cells[name][seen], learned.happened[target][seen], n_cells
                )
                tables[name] = known[cells]
            others = tuple((tables | {"readings": blind})[b][use] for b in (*BASELINES, KNOWING))
            out[target, which] = tally(own[use], outcome[use], others, club[use], clubs)
    return out


def run(
    n_tanks: int,
    weeks: int,
    seed: int,
    say: Callable[[str], None] = lambda _: None,
    clubs: int = CLUBS,
    training: int = TRAINING,
) -> dict[tuple[str, str, str], Tally]:
    """Tallies by half ('both' for the two together), target and choice of weeks.

    Parameters
    ----------
    n_tanks, weeks, seed : int
        Tanks of both halves together, weeks scored of each (8 more are simulated, for the
        truth of what was to come), and the seed.
    say : callable
        Told about progress.
    clubs : int
        Clubs of each half.
    training : int
        Further tanks of each half, for the frequency tables.

    Raises
    ------
    ValueError
        When there are fewer tanks than clubs.
    """
    if n_tanks // 2 < clubs:
        raise ValueError(f"{n_tanks} tanks are too few for two halves of {clubs} clubs")
    population = elicit_population(load_catalogue(), DEFAULT_EVIDENCE_WEIGHT)
    halves = []
    for i, half in enumerate(HALVES):
        halves.append(
            _half(half, population, n_tanks // 2, weeks, seed * 10 + 2 * i, clubs, training)
        )
        for key, found in halves[-1].items():
            error, skill = calibration_error(found), skills(found)
            say(f"{half.name}, {', '.join(key)}: error {error:.4f}, skill {skill.round(3)}")
    out = {}
    for key in halves[0]:
        for half, by_key in zip(HALVES, halves, strict=True):
            out[half.name, *key] = by_key[key]
        out["both", *key] = together(tuple(by_key[key] for by_key in halves))
    return out
