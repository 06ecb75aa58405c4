"""Phases made of stages: the state space and its competing moves.

A *phase* k is passed in ``r`` *stages*, so that the time in it is a sum of ``r``
waiting times (Erlang-like) rather than geometric. State ``j = k * r + i`` is stage
``i`` of phase ``k``. In one step a state can

* stay,
* advance to state ``j + 1`` (hazard alpha of its phase; none from the last state),
* be set back to the first stage of the phase below (hazard beta; none from phase 0),
* collapse to state 0 (hazard gamma; none from phase 0).

With competing hazards ``P(no move) = exp(-h)`` and ``P(move m) = (1 - exp(-h)) h_m / h``
where ``h`` is their sum (constant hazards within a step; see for example Cox and
Oakes 1984, *Analysis of Survival Data*, ch. 9).

Probabilities of moves are kept in *rows*: ``stay, advance, setback, collapse`` of each
phase, then ``stay, setback, collapse`` of the last state, ``4 K + 3`` in all.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from maturity_model._typing import Floats, Ints


class StagedChain(NamedTuple):
    """Size of a staged chain.

    Attributes
    ----------
    n_phases : int
        K, at least 2.
    n_stages : int
        r, at least 1.
    """

    n_phases: int
    n_stages: int

    @property
    def n_states(self) -> int:
        """S = K r."""
        return self.n_phases * self.n_stages

    @property
    def n_moves(self) -> int:
        """Rows of a move array, 4 K + 3."""
        return 4 * self.n_phases + 3

    @property
    def phase_of(self) -> Ints:
        """Phase of each state, shape (S,)."""
        return np.repeat(np.arange(self.n_phases), self.n_stages)

    def by_phase(self, states: Floats, axis: int = -1) -> Floats:
        """Sum a distribution over states into one over phases along ``axis``."""
        starts = np.arange(0, self.n_states, self.n_stages)
        return np.add.reduceat(states, starts, axis=axis)

    def gradual(self) -> Floats:
        """Weights that move a quantity gradually from phase to phase.

        Returns
        -------
        ndarray, shape (S, K)
            Row j holds the weights of the phases' values in state j: linear
            between the middles of the phases, constant beyond the outer ones; the
            identity with one stage.
        """
        return _gradual(*self)


@lru_cache(maxsize=16)
def _gradual(k: int, r: int) -> Floats:
    middle = np.arange(k) * r + (r - 1) / 2
    out = np.array([[np.interp(j, middle, row) for row in np.eye(k)] for j in range(k * r)])
    out.flags.writeable = False
    return out


def move_probabilities(advance: ArrayLike, setback: ArrayLike, collapse: ArrayLike) -> Floats:
    """Turn competing hazards into probabilities of moves.

    Parameters
    ----------
    advance, setback, collapse : array_like, shape (..., K, lanes)
        Hazards per step, all at least 0, broadcast against each other.
        Those of setback and collapse in phase 0 are ignored.

    Returns
    -------
    ndarray, shape (..., 4 K + 3, lanes)
        Rows as described above.
    """
    advance, setback, collapse = np.broadcast_arrays(
        np.asarray(advance, float), np.asarray(setback, float), np.asarray(collapse, float)
    )
    upper = (np.arange(advance.shape[-2]) > 0)[:, None]
    setback, collapse = (np.where(upper, x, 0.0) for x in (setback, collapse))
    last = _competing(setback[..., -1:, :], collapse[..., -1:, :])
    return np.concatenate([*_competing(advance, setback, collapse), *last], axis=-2)


def _competing(*hazards: Floats) -> list[Floats]:
    """P(no move), and P(move m) of each."""
    total = sum(hazards, np.zeros(()))
    # (1 - exp(-h)) / h -> 1 as h -> 0.
    share = np.where(total > 0, -np.expm1(-total) / np.where(total > 0, total, 1.0), 1.0)
    return [np.exp(-total), *(hazard * share for hazard in hazards)]


def step_lanes(before: Floats, moves: Floats, chain: StagedChain) -> Floats:
    """Move every lane one step on, in NumPy; the kernels do the same for long series.

    Parameters
    ----------
    before : ndarray, shape (P, Q, S, D)
        P(state) within each lane.
    moves : ndarray, shape (4 K + 3, P, D)
        As :func:`move_probabilities` gives them.

    Returns
    -------
    ndarray, shape (P, Q, S, D)
        P(state) one step later.
    """
    k, r = chain
    end = k * r - 1
    # The last state has a row to itself.
    stay = np.append(np.repeat(np.arange(k), r)[:-1], 4 * k)
    new = np.asarray(moves[stay].swapaxes(0, 1)[:, None] * before)
    new[:, :, 1:] += moves[k + chain.phase_of[:-1]].swapaxes(0, 1)[:, None] * before[:, :, :-1]
    for phase in range(1, k):
        mass = before[:, :, phase * r : min((phase + 1) * r, end)].sum(axis=2)
        new[:, :, (phase - 1) * r] += moves[2 * k + phase][:, None] * mass
        new[:, :, 0] += moves[3 * k + phase][:, None] * mass
    new[:, :, (k - 2) * r] += moves[4 * k + 1][:, None] * before[:, :, end]
    new[:, :, 0] += moves[4 * k + 2][:, None] * before[:, :, end]
    return new


def transition_matrices(moves: ArrayLike, chain: StagedChain) -> Floats:
    """Dense matrices of a move array, for checking and for small problems.

    Parameters
    ----------
    moves : array_like, shape (..., 4 K + 3)

    Returns
    -------
    ndarray, shape (..., S, S)
        Rows sum to 1.
    """
    moves = np.asarray(moves, float)
    s = chain.n_states
    # Every matrix is a draw, and every state to start from a node.
    lanes = moves.reshape(-1, chain.n_moves).T[:, None]
    matrices = step_lanes(np.eye(s)[None, :, :, None], lanes, chain)[0]
    return np.moveaxis(matrices, -1, 0).reshape(*moves.shape[:-1], s, s)
