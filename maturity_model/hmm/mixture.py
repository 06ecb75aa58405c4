"""One series under a mixture of chains: draws of the parameters, nodes within draws.

Within a draw everything is exact given the quadrature. The weights of the draws are their
likelihoods, Pareto-smoothed, and tempered where they are unreliable (:mod:`.psis`).
Everything is causal: results for step t use steps up to t only, weights included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.hmm import native
from maturity_model.hmm.psis import TrustedWeights, trusted_weights
from maturity_model.hmm.staged import StagedChain

#: Minimum effective sample size after tempering, as a share of the draws.
MIN_EFFECTIVE_SHARE = 0.25


def k_limit(n_draws: int) -> float:
    """Largest Pareto k at which n draws can be reweighted (Vehtari et al. 2024, eq. 13)."""
    return min(1 - 1 / np.log10(n_draws), 0.7) if n_draws > 10 else 0.0


@dataclass(frozen=True)
class FilteredMixture:
    """A filtered series.

    Attributes
    ----------
    chain : StagedChain
    moves, emission, filtered, scale : ndarray
        Lanes, laid out as in :mod:`.kernels`.
    node_weight : ndarray, shape (P, Q, T, D)
        P(node | observations to t, draw).
    states : ndarray, shape (T, S, D)
        P(state at t | observations to t, draw).
    log_likelihood : ndarray, shape (T, D)
        Of the observations to t, by draw.
    trusted : TrustedWeights
        P(draw | observations to t), tempered where that is unreliable.
    start : TrustedWeights
        The same before the first observation, one step.
    lane_log_likelihood : ndarray, shape (P, Q, T, D)
        Of the observations to t, within a lane.
    """

    chain: StagedChain
    moves: Floats
    emission: Floats
    filtered: Floats
    scale: Floats
    node_weight: Floats
    states: Floats
    log_likelihood: Floats
    trusted: TrustedWeights
    start: TrustedWeights
    lane_log_likelihood: Floats

    @property
    def draw_weight(self) -> Floats:
        """P(draw | observations to t), shape (T, D); rows sum to 1."""
        return self.trusted.weight

    def phases(self) -> Floats:
        """P(phase at t | observations to t), shape (T, K)."""
        return self.mix(self.states)

    def mix(self, states: Floats, weight: Floats | None = None) -> Floats:
        """Average (T, S, D) over draws and sum stages, with weights (T, D) or (D,)."""
        weight = self.draw_weight if weight is None else weight
        weight = np.broadcast_to(weight, (states.shape[0], states.shape[2]))
        # Sums of rounded weights may pass 1 in the last digits.
        return np.clip(self.chain.by_phase(np.einsum("tsd,td->ts", states, weight)), 0.0, 1.0)

    def smooth(self) -> tuple[Floats, Floats]:
        """Smoothed states and downward moves, by draw.

        Returns
        -------
        states : ndarray, shape (T, S, D)
            P(state at t | all observations, draw).
        down : ndarray, shape (T, D)
            P(move to a lower phase between t-1 and t | all observations, draw).
        """
        t, s, d = self.states.shape
        states, down = np.empty((t, s, d)), np.empty((t, d))
        last = np.ascontiguousarray(self.node_weight[:, :, -1])
        native.smooth_lanes(
            self.moves, self.emission, self.filtered, self.scale, last, *self.chain,
            states, down, np.empty((2 * s + 1, d)),
        )  # fmt: skip
        return states, down

    def risk(
        self, advance: Floats, ahead: tuple[Floats, Floats, Floats], horizons: tuple[int, ...]
    ) -> Floats:
        """P(a lower phase than at t, some time in the next h steps | observations to t, draw).

        The arguments are those of :func:`downward_risk`.
        """
        return downward_risk(self.chain, self.filtered, self.node_weight, advance, ahead, horizons)


def downward_risk(
    chain: StagedChain,
    filtered: Floats,
    node_weight: Floats,
    advance: Floats,
    ahead: tuple[Floats, Floats, Floats],
    horizons: tuple[int, ...],
) -> Floats:
    """P(a lower phase than at t, some time in the next h steps | observations to t, draw).

    Parameters
    ----------
    filtered, node_weight : ndarray, shapes (P, Q, T, S, D) and (P, Q, T, D)
    advance : ndarray, shape (T, K, P, D)
    ahead : tuple of ndarray
        Factor (T, H, K or 1, D) on it, setback and collapse hazards (T, H, K, D),
        1..H steps ahead as seen from t.
    horizons : tuple of int

    Returns
    -------
    ndarray, shape (T, len(horizons), D)
    """
    (t, k, _, d), s = advance.shape, chain.n_states
    factor, setback, collapse = (np.ascontiguousarray(x) for x in ahead)
    out = np.empty((t, len(horizons), d))
    native.downward_risk(
        filtered, node_weight, advance, factor, setback, collapse,
        np.array(horizons, dtype=np.int64), chain.n_stages, out,
        np.empty((factor.shape[1], chain.n_moves, 1, d)), np.empty((2 * s + k + 1, d)),
    )  # fmt: skip
    return out


def filter_mixture(
    chain: StagedChain,
    initial: Floats,
    moves: Floats,
    emission: Floats,
    node_prior: Floats,
    log_prior: Floats | None = None,
) -> FilteredMixture:
    """Filter one series under all draws and nodes.

    Parameters
    ----------
    chain : StagedChain
    initial : ndarray, shape (S, D)
    moves : ndarray, shape (T-1, 4K+3, P, D)
    emission : ndarray, shape (T, S, Q, D)
    node_prior : ndarray, shape (P, Q)
        Weights of the nodes; sum to 1.
    log_prior : ndarray, shape (D,), optional
        Log weights of the draws before the first observation, up to a constant.
        Default: equal.

    Returns
    -------
    FilteredMixture

    Raises
    ------
    ValueError
        When shapes disagree: the kernels would read beyond their arrays.
    """
    start = np.tile(initial, (moves.shape[2], emission.shape[2], 1, 1))
    return _filter_from(start, None, chain, moves, emission, node_prior, log_prior)


def _filter_from(
    start: Floats,
    before: Floats | None,
    chain: StagedChain,
    moves: Floats,
    emission: Floats,
    node_prior: Floats,
    log_prior: Floats | None,
) -> FilteredMixture:
    """Filter every lane, mix them over nodes, and weight the draws.

    ``start`` (P, Q, S, D) is P(state) at the first step; or, with ``before`` (P, Q, D), the
    log-likelihood within each lane of earlier steps, at the step before it.
    """
    weeks, s, q, d = emission.shape
    p = moves.shape[2]
    wanted = [
        ("emission", emission, (max(weeks, 1), chain.n_states, q, d)),
        ("start", start, (p, q, s, d)),
        ("moves", moves, (weeks - (before is None), chain.n_moves, p, d)),
        ("node_prior", node_prior, (p, q)),
    ]
    if before is not None:
        wanted.append(("saved log-likelihood", before, (p, q, d)))
    if log_prior is not None:
        wanted.append(("log_prior", log_prior, (d,)))
    for name, array, want in wanted:
        if array.shape != want:
            raise ValueError(f"{name} has the shape {array.shape}, not {want}")
    filtered, scale = np.empty((p, q, weeks, s, d)), np.empty((p, q, weeks, d))
    flow = np.empty((chain.n_phases, d))
    native.filter_lanes(start, moves, emission, *chain, filtered, scale, flow)
    with np.errstate(divide="ignore"):
        so_far = np.log(scale)
        if before is not None:
            # In the order of a filter over all steps, so that even the rounding is the same.
            so_far[:, :, 0] += before
        # Equals np.cumsum over axis 2, which is slow against the layout of the memory.
        for t in range(1, weeks):
            np.add(so_far[:, :, t], so_far[:, :, t - 1], out=so_far[:, :, t])
        # Within-lane cumulative log-likelihood plus log prior weight of the node.
        joint = so_far + np.log(node_prior)[:, :, None, None]
    flat = joint.reshape(p * q, weeks, d)
    top = flat.max(axis=0)
    top = np.where(np.isfinite(top), top, 0.0)
    share = np.exp(joint - top)
    total = share.reshape(p * q, weeks, d).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_likelihood = np.log(total) + top
        node_weight = np.where(total > 0, share / total, 0.0)
    states = np.empty((weeks, s, d))
    native.mix_nodes(filtered, node_weight, states)
    # Weights of the draws before the first step, and after each one.
    log_weight = np.concatenate([np.zeros((1, d)), log_likelihood])
    if log_prior is not None:
        log_weight += log_prior
    both = trusted_weights(log_weight, k_limit(d), MIN_EFFECTIVE_SHARE)
    first, trusted = (TrustedWeights(*(x[at] for x in both)) for at in (slice(1), slice(1, None)))
    within = moves if before is None else moves[1:]
    return FilteredMixture(
        chain, within, emission, filtered, scale, node_weight, states, log_likelihood, trusted,
        first, so_far,
    )  # fmt: skip


class SavedFilter(NamedTuple):
    """Forward messages of one series at one step; later steps need nothing else.

    Attributes
    ----------
    filtered : ndarray, shape (P, Q, S, D)
        P(state | observations so far) within a lane.
    log_likelihood : ndarray, shape (P, Q, D)
        Of the observations so far, within a lane.
    """

    filtered: Floats
    log_likelihood: Floats

    @classmethod
    def at(cls, mixture: FilteredMixture, t: int) -> SavedFilter:
        """Messages of a filtered mixture at its step t."""
        return cls(
            np.ascontiguousarray(mixture.filtered[:, :, t]),
            np.ascontiguousarray(mixture.lane_log_likelihood[:, :, t]),
        )


def extend(
    saved: SavedFilter,
    chain: StagedChain,
    moves: Floats,
    emission: Floats,
    node_prior: Floats,
    log_prior: Floats | None = None,
) -> FilteredMixture:
    """Filter T steps after saved ones alone; equals those steps of a filter over all.

    The arguments are those of :func:`filter_mixture`, except ``moves``,
    of shape (T, 4K+3, P, D), whose entry t moves into new step t.
    """
    start, before = np.ascontiguousarray(saved.filtered), saved.log_likelihood
    return _filter_from(start, before, chain, moves, emission, node_prior, log_prior)
