"""Score of labels by a filter, and its exact gradient.

A label of step t is scored by its log probability given the observations up to t, labels
themselves left out: what a forecaster who saw the log up to that day would have given it.
The gradient runs backwards through the filter once, like the backward messages of
:mod:`.kernels`, but with a source at every labelled step (reverse accumulation; for hidden
Markov models see Cappé, Moulines and Rydén 2005, *Inference in Hidden Markov Models*,
section 10.2, from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.hmm.mixture import FilteredMixture


class LabelScore(NamedTuple):
    """Labels of one series under a mixture whose draws are weighted by their likelihood.

    Attributes
    ----------
    score : float
        Sum over the labels of log P(label | observations up to its step).
    emission : ndarray, shape (T, S, Q, D)
        Gradient on the log-likelihood of each step's observations.
    moves : ndarray, shape (T-1, 4K+3, P, D)
        Gradient on the probabilities of moves.
    """

    score: float
    emission: Floats
    moves: Floats


def _lane_weights(mixture: FilteredMixture) -> Floats:
    # P(node, draw | observations to t), shape (P, Q, T, D); zeros if no draw explains them.
    top = mixture.log_likelihood.max(axis=1, keepdims=True)
    share = np.exp(mixture.log_likelihood - np.where(np.isfinite(top), top, 0.0))
    total = share.sum(axis=1, keepdims=True)
    return np.asarray(mixture.node_weight * (share / np.where(total > 0, total, 1.0)))


def label_score(mixture: FilteredMixture, step: Ints, likelihood: Floats) -> LabelScore:
    """Score labels and find the gradient of the score.

    Draws count by their plain likelihood, not smoothed as in
    :attr:`.mixture.FilteredMixture.draw_weight`: smoothing has no gradient.

    Parameters
    ----------
    mixture : FilteredMixture
        T steps, S states, P x Q nodes, D draws, which count alike before the first observation.
    step : int ndarray, shape (L,)
        Of each label.
    likelihood : ndarray, shape (L, K)
        P(label | phase).
    """
    chain, filtered, scale = mixture.chain, mixture.filtered, mixture.scale
    p, q, weeks, s, d = filtered.shape
    weight = _lane_weights(mixture)
    by_state = np.repeat(likelihood, chain.n_stages, axis=1)
    score = 0.0
    emission = np.zeros((weeks, s, q, d))
    moves = np.zeros((weeks - 1, chain.n_moves, p, d))
    on_state = np.zeros((p, q, s, d))
    for t in range(weeks - 1, -1, -1):
        now = filtered[:, :, t]
        for label in np.flatnonzero(step == t):
            states = np.einsum("pqsd,pqd->s", now, weight[:, :, t])
            p_label = max(float(states @ by_state[label]), 1e-300)
            score += float(np.log(p_label))
            source = by_state[label] / p_label - 1.0
            on_state += weight[:, :, t, None, :] * source[:, None]
        emission[t] = (now * on_state).sum(axis=0).transpose(1, 0, 2)
        if t == 0:
            break
        with np.errstate(divide="ignore"):
            inverse = np.where(scale[:, :, t] > 0, 1.0 / scale[:, :, t], 0.0)[:, :, None, :]
        ahead = on_state * mixture.emission[t].transpose(1, 0, 2)[None] * inverse
        on_state = _step_back(mixture, t, ahead, moves[t - 1])
    return LabelScore(score, emission, moves)


def _step_back(mixture: FilteredMixture, t: int, ahead: Floats, on_moves: Floats) -> Floats:
    # ahead (P, Q, S, D): gradient on the state after the move into step t, times the step's
    # likelihood. Returns the gradient on the state before it; adds that on the move's
    # probabilities to on_moves (4K+3, P, D).
    k, r = mixture.chain
    before, moves = mixture.filtered[:, :, t - 1], mixture.moves[t - 1][:, :, None]
    states, starts, last = np.arange(k * r), np.arange(0, k * r, r), k * r - 1
    can_fall = (states >= r)[:, None]
    entry = np.maximum(states // r - 1, 0) * r
    targets = (
        ahead,
        np.concatenate([ahead[:, :, 1:], np.zeros_like(ahead[:, :, :1])], axis=2),
        ahead[:, :, entry] * can_fall,
        ahead[:, :, :1] * can_fall,
    )
    out = np.zeros_like(ahead)
    for move, target in enumerate(targets):
        rows = move * k + states // r
        if move != 1:
            rows[last] = 4 * k + (0, 0, 1, 2)[move]
        out += moves[rows].transpose(1, 2, 0, 3) * target
        gained = (before * target).sum(axis=1)
        if move != 1:
            on_moves[rows[last]] += gained[:, last]
            gained[:, last] = 0.0
        by_phase = np.add.reduceat(gained, starts, axis=1).swapaxes(0, 1)
        on_moves[move * k : (move + 1) * k] += by_phase
    return out
