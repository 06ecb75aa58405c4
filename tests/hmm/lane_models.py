"""Random staged chains in lanes, and the same lane by lane as dense models."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from hmm.oracle import Model

from maturity_model._typing import Floats
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices


class Lanes(NamedTuple):
    """Arrays as :mod:`maturity_model.hmm.kernels` wants them."""

    chain: StagedChain
    initial: Floats
    moves: Floats
    emission: Floats
    node_prior: Floats

    @property
    def sizes(self) -> tuple[int, int, int, int, int]:
        """P, Q, T, S, D."""
        weeks, states, q, draws = self.emission.shape
        return self.moves.shape[2], q, weeks, states, draws

    def dense(self, p: int, q: int, d: int) -> Model:
        """One lane for the oracle and the general engine."""
        with np.errstate(divide="ignore"):
            log_likelihood = np.log(self.emission[:, :, q, d])
        dense = transition_matrices(self.moves[:, :, p, d], self.chain)
        return Model(self.initial[:, d], dense, log_likelihood)


def random_hazards(
    rng: np.random.Generator, shape: tuple[int, ...], *, zeros: float = 0.0
) -> Floats:
    """Draw hazards from 1e-4 to 3, with a share of zeros."""
    hazards = np.exp(rng.uniform(np.log(1e-4), np.log(3.0), shape))
    hazards[rng.random(shape) < zeros] = 0.0
    return hazards


def random_lanes(
    seed: int | list[int],
    chain: StagedChain,
    weeks: int,
    *,
    nodes: tuple[int, int] = (1, 1),
    draws: int = 3,
    zeros: float = 0.0,
    impossible: float = 0.0,
) -> Lanes:
    """Draw a problem; ``zeros`` of the hazards are 0, ``impossible`` of the emissions."""
    rng = np.random.default_rng(seed)
    (p, q), states = nodes, chain.n_states
    hazards = random_hazards(rng, (3, p, weeks - 1, chain.n_phases, draws), zeros=zeros)
    moves = np.ascontiguousarray(move_probabilities(*hazards).transpose(1, 2, 0, 3))
    emission = np.exp(rng.normal(0.0, 1.5, (weeks, states, q, draws)))
    emission[rng.random(emission.shape) < impossible] = 0.0
    initial = rng.dirichlet(np.ones(states), draws).T.copy()
    node_prior = rng.dirichlet(np.ones(p * q)).reshape(p, q)
    return Lanes(chain, initial, moves, emission, node_prior)
