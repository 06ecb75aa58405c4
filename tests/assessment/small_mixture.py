"""A small mixture with coded observations, and the same by enumeration of all paths."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from hmm.oracle import Model, enumerate_paths

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import Tables, coded_tables
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.psis import TrustedWeights
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices
from maturity_model.panel import Observations


@dataclass(frozen=True)
class Small:
    """What the functions take, and the pieces that the enumeration needs."""

    tables: Tables
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
    kinds, tables = {}, {}
    for name, n_obs in zip(("signs", "readings", "judgements"), counts, strict=True):
        row = np.sort(rng.integers(0, weeks, n_obs))
        kinds[name] = Observations(np.zeros(4), row, rng.integers(0, 4, n_obs))
        shape = (4, s, q, d) if name == "signs" else (4, s, d)
        tables[name] = rng.uniform(0.02, 1.0, shape)
    panel: Any = SimpleNamespace(first=np.array([0, weeks]), rock=np.array([0]), **kinds)
    population: Any = SimpleNamespace(start=initial[None])
    nodes = np.zeros(p), np.zeros(q)
    full = Tables(panel, population, 1.0, *nodes, prior, **tables)
    emission = likelihood(full, weeks)
    found = filter_mixture(chain, np.repeat(initial[:, None], d, axis=1), moves, emission, prior)
    weight = rng.dirichlet(np.ones(d), weeks)
    flat = np.full(weeks, power)
    found = replace(found, trusted=TrustedWeights(weight, flat, flat, flat, flat))
    return Small(full, found, initial, matrices, prior)


def likelihood(tables: Tables, weeks: int, left_out: Iterable[tuple[int, int]] = ()) -> Floats:
    """Each week's likelihood, shape (T, S, Q, D), without some observations (kind, index)."""
    out = np.ones((weeks, *tables.signs.shape[1:]))
    for number, (kind, table) in enumerate(coded_tables(tables)):
        for i, (week, code) in enumerate(zip(kind.row, kind.code, strict=True)):
            if (number, i) not in left_out:
                out[week] *= table[code]
    return out


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
