"""A small mixture with coded observations, and the same by enumeration of all paths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from hmm.oracle import Model, enumerate_paths

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import impossible
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.psis import TrustedWeights
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices
from maturity_model.panel import Observations


@dataclass(frozen=True)
class Small:
    """What the functions take, and the pieces that the enumeration needs."""

    tables: Any
    found: FilteredMixture
    initial: Floats  # (S,)
    matrices: Floats  # (T-1, P, D, S, S)
    prior: Floats  # (P, Q)


def small(
    seed: int,
    chain: StagedChain,
    weeks: int = 4,
    power: float = 0.6,
    counts: tuple[int, ...] = (5, 3, 2),
) -> Small:
    """Draw one at random: 2 pace and 2 skill nodes, 3 draws with weights of their own."""
    rng = np.random.default_rng([4, seed])
    k, s, p, q, d = chain.n_phases, chain.n_states, 2, 2, 3
    hazards = [rng.gamma(1.0, 0.4, (weeks - 1, p, k, d)) for _ in range(3)]
    moves = np.ascontiguousarray(np.moveaxis(move_probabilities(*hazards), 1, 2))
    matrices = transition_matrices(np.moveaxis(moves, 1, -1), chain)
    initial, prior = rng.dirichlet(np.ones(s)), rng.dirichlet(np.ones(p * q)).reshape(p, q)
    kinds, tables = [], []
    for number, n_obs in enumerate(counts):
        row = np.sort(rng.integers(0, weeks, n_obs))
        kinds.append(Observations(np.zeros(4), row, rng.integers(0, 4, n_obs)))
        shape = (4, s, q, d) if number == 0 else (4, s, d)
        tables.append(rng.uniform(0.02, 1.0, shape))
    panel = SimpleNamespace(
        first=np.array([0, weeks]), rock=np.array([0]),
        signs=kinds[0], readings=kinds[1], judgements=kinds[2],
    )  # fmt: skip
    full = SimpleNamespace(
        panel=panel, signs=tables[0], readings=tables[1], judgements=tables[2],
        impossible=impossible(*tables),
        node_prior=prior, population=SimpleNamespace(start=initial[None]),
    )  # fmt: skip
    emission = np.ones((weeks, s, q, d))
    for number in range(3):
        for i in range(counts[number]):
            emission[kinds[number].row[i]] *= factor(full, number, i)
    found = filter_mixture(chain, np.repeat(initial[:, None], d, axis=1), moves, emission, prior)
    weight = rng.dirichlet(np.ones(d), weeks)
    flat = np.full(weeks, power)
    found = replace(found, trusted=TrustedWeights(weight, flat, flat, flat, flat))
    return Small(full, found, initial, matrices, prior)


def factor(tables: Any, kind: int, i: int) -> Floats:
    """Likelihood of observation i of a kind, shape (S, Q or 1, D)."""
    panel = tables.panel
    observations = (panel.signs, panel.readings, panel.judgements)[kind]
    table = (tables.signs, tables.readings, tables.judgements)[kind][observations.code[i]]
    return table if kind == 0 else table[:, None]


def week_of(tables: Any, kind: int, i: int) -> int:
    panel = tables.panel
    return int((panel.signs, panel.readings, panel.judgements)[kind].row[i])


def by_lane(given: Small, emission: Floats, weeks: int, value: Any) -> tuple[Floats, Floats]:
    """Sum of ``value(paths)`` times p(path, data), (N, P, Q, D), and p(data), (P, Q, D)."""
    p, q = given.prior.shape
    d = emission.shape[-1]
    sums, totals = [], np.empty((p, q, d))
    for at in np.ndindex(p, q, d):
        with np.errstate(divide="ignore"):
            log_data = np.log(emission[:weeks, :, at[1], at[2]])
        matrices = given.matrices[: weeks - 1, at[0], at[2]]
        every = enumerate_paths(Model(given.initial, matrices, log_data))
        mass = np.exp(every.log_probability)
        totals[at] = mass.sum()
        sums.append(value(every.paths) @ mass)
    out = np.array(sums).reshape(p, q, d, -1)
    return np.moveaxis(out, -1, 0), totals


def end_in(chain: StagedChain, week: int) -> Any:
    """Value for :func:`by_lane`: one row by phase of the state in a week."""
    phases = np.arange(chain.n_phases)[:, None]
    return lambda paths: 1.0 * (chain.phase_of[paths[:, week]] == phases)
