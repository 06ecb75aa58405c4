"""One tank of four phases with one stage each, so that all its paths can be listed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from assessment.assessed import practice
from hmm.oracle import Model, enumerate_paths, log_sum
from small_logs import START, day, look, make_log

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.plan import Plan, look_ahead, parse_plan
from maturity_model.assessment.present import Present
from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.staged import move_probabilities, transition_matrices
from maturity_model.logbook import CheckIn, Event, Logbook, Tank
from maturity_model.panel import build_panel
from maturity_model.population import Population
from maturity_model.population.types import take_draws

Array = np.ndarray


def lively(*index: int, stages: int = 1, **changes: object) -> Population:
    """Some draws of the practice population, with falls frequent enough to matter."""
    pop = take_draws(practice(), np.array(index or (0, 1)))
    start = pop.start[:, :: 3 // stages].copy()
    start[:, :stages] += 0.1
    pop = replace(
        pop,
        n_stages=stages,
        log_setback=pop.log_setback + 2.5,
        log_collapse=pop.log_collapse + 2.0,
        start=start / start.sum(axis=1, keepdims=True),
    )
    return replace(pop, **changes)  # type: ignore[arg-type]


def a_log(
    weeks: int, events: Sequence[Event] = (), rock: str = "mixed", signs: bool = True
) -> Logbook:
    """A tank looked at once a week on day 3, that ends on the last day of its last week."""
    texts = (
        "diatoms=n amphipods=n", "diatoms=y film_algae=y", "hair_algae=y amphipods=y",
        "coralline_algae=y copepods=y hair_algae=n", "diatoms=y coralline_algae=n",
    )  # fmt: skip
    checkins: list[CheckIn] = [
        look(7 * t + 3, texts[t % len(texts)] if signs else "") for t in range(weeks)
    ]
    return make_log([Tank("a", START, keeper="k", rock=rock)], checkins, events)


def event(n: int, kind: str, amount: float | None = None) -> Event:
    """An event on day n."""
    return Event("a", day(n), kind, amount)


def present(
    logbook: Logbook,
    population: Population,
    as_of: dt.date | None = None,
    nodes: tuple[int, int] = (2, 2),
    weight: float = 0.6,
) -> Present:
    """The tank, filtered."""
    tables = make_tables(build_panel(logbook, as_of=as_of), population, weight, nodes)
    return Present(tables.panel, 0, *filter_tank(tables, 0), tables.pace)


def over_past(here: Present, count: Callable[[Array, Array, int, int], Array]) -> Array:
    """Sum ``count(paths, P(path, node | log, draw), pace node, draw)`` over nodes."""
    found = here.mixture
    p_n, q_n = found.scale.shape[:2]
    out = []
    for d in range(found.states.shape[-1]):
        lanes = []
        for p in range(p_n):
            for q in range(q_n):
                matrices = transition_matrices(found.moves[:, :, p, d], found.chain)
                # The start and the prior weight of the node are in the filtered first week.
                joint = found.filtered[p, q, 0, :, d] * found.scale[p, q, 0, d]
                with np.errstate(divide="ignore"):
                    data = np.log(found.emission[:, :, q, d])
                data[0] = 0.0
                every = enumerate_paths(Model(joint, matrices, data))
                lanes.append((p, q, every))
        prior = here.mixture.node_weight[:, :, 0, d] / found.scale[:, :, 0, d]
        logs = [e.log_probability + np.log(prior[p, q]) for p, q, e in lanes]
        total = log_sum(np.concatenate(logs))
        out.append(
            sum(
                count(e.paths, np.exp(log - total), p, d)
                for (p, _, e), log in zip(lanes, logs, strict=True)
            )
        )
    return np.stack(out, axis=-1)


def what_if(text: str | None) -> Plan | None:
    return None if text is None else parse_plan(text, load_catalogue())


def over_future(
    here: Present, horizon: int, plan: Plan | None, count: Callable[[Array, Array], Array]
) -> Array:
    """Sum ``count(paths, P(path | log, plan, draw))`` over pace nodes; paths begin now."""
    found = here.mixture
    start, ahead = here.states_by_pace(), look_ahead(here, horizon, plan)
    factor, setback, collapse = ahead.factor[0], ahead.setback[0], ahead.collapse[0]
    out = []
    for d in range(start.shape[-1]):
        total: Array | float = 0.0
        for p in range(len(start)):
            advance = here.hazards.advance[-1, :, p, d] * factor[:, :, d]
            moves = move_probabilities(
                advance[..., None], setback[:, :, d, None], collapse[:, :, d, None]
            )[..., 0]
            matrices = transition_matrices(moves, found.chain)
            mass = start[p, :, d].sum()
            blank = np.zeros((len(matrices) + 1, start.shape[1]))
            every = enumerate_paths(Model(start[p, :, d] / mass, matrices, blank))
            total = total + mass * count(every.paths, np.exp(every.log_probability))
        out.append(total)
    return np.stack(out, axis=-1)
