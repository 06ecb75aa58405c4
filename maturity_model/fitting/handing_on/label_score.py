"""Score of labels by a filter, and its exact slopes.

A label of step t is scored by its log probability given the observations up to t, labels
themselves left out: what a forecaster who saw the log up to that day would have given it.
Its slopes run backwards through the filter once, like the backward messages of
:mod:`.kernels`, but with a source at every labelled step (reverse accumulation; for hidden
Markov models see Cappé, Moulines and Rydén 2005, *Inference in Hidden Markov Models*,
section 10.2, from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.hmm.mixture import FilteredLanes


class LabelScore(NamedTuple):
    """Labels of one series under a mixture whose draws are weighed by their likelihood.

    Attributes
    ----------
    score : float
        Sum over the labels of log P(label | observations up to its step).
    emission : ndarray, shape (T, S, Q, D)
        Slopes on the log-likelihood of each step's observations.
    moves : ndarray, shape (T-1, 4K+3, P, D)
        Slopes on the probabilities of moves.
    """

    score: float
    emission: Floats
    moves: Floats


def label_score(found: FilteredLanes, step: Ints, likelihood: Floats) -> LabelScore:
    """Score labels and find the slopes of the score.

    Draws count by their likelihood as it is, not smoothed as in
    :attr:`.mixture.FilteredMixture.draw_weight`: smoothing has no slope.

    Parameters
    ----------
    found : FilteredLanes
        T steps, S states, P x Q nodes, D draws; draws alike before the first observation.
    step : int ndarray, shape (L,)
        Of each label.
    likelihood : ndarray, shape (L, K)
        P(label | phase).

    Returns
    -------
    LabelScore
    """
    chain, filtered, scale = found.chain, found.filtered, found.scale
    p, q, weeks, s, d = filtered.shape
    with np.errstate(divide="ignore"):
        joint = np.cumsum(np.log(scale), axis=2) + np.log(found.node_prior)[:, :, None, None]
    top = joint.max(axis=(0, 1, 3), keepdims=True)
    joint -= np.where(np.isfinite(top), top, 0.0)
    share = np.exp(joint)
    total = share.sum(axis=(0, 1, 3), keepdims=True)
    # Where no lane can explain the observations, no label is likely either.
    share /= np.where(total > 0, total, 1.0)
    by_state = np.repeat(likelihood, chain.n_stages, axis=1)
    score = 0.0
    emission = np.zeros((weeks, s, q, d))
    moves = np.zeros((weeks - 1, chain.n_moves, p, d))
    at: list[list[int]] = [[] for _ in range(weeks)]
    for label, t in enumerate(step.tolist()):
        at[t].append(label)
    slope = np.zeros((p, q, s, d))
    for t in range(weeks - 1, -1, -1):
        now = filtered[:, :, t]
        for label in at[t]:
            states = np.einsum("pqsd,pqd->s", now, share[:, :, t])
            chance = float(states @ by_state[label])
            score += float(np.log(max(chance, 1e-300)))
            source = by_state[label] / max(chance, 1e-300) - 1.0
            slope += share[:, :, t, None, :] * source[:, None]
        emission[t] = (now * slope).sum(axis=0).transpose(1, 0, 2)
        if t == 0:
            break
        step_scale = scale[:, :, t]
        with np.errstate(divide="ignore"):
            weight = np.where(step_scale > 0, 1.0 / step_scale, 0.0)[:, :, None, :]
        ahead = slope * found.emission[t].transpose(1, 0, 2)[None] * weight
        slope = _step_back(found, t, ahead, moves[t - 1])
    return LabelScore(score, emission, moves)


def _step_back(found: FilteredLanes, t: int, ahead: Floats, slopes: Floats) -> Floats:
    # ahead (P, Q, S, D): slopes by state after the move into step t, times its likelihood.
    # Returns those by state before it; slopes (4K+3, P, D) on the move's probabilities.
    k, r = found.chain
    before, moves = found.filtered[:, :, t - 1], found.moves[t - 1][:, :, None]
    states, starts, last = np.arange(k * r), np.arange(0, k * r, r), k * r - 1
    live = (states >= r)[:, None]
    entry = np.maximum(states // r - 1, 0) * r
    targets = (
        ahead,
        np.concatenate([ahead[:, :, 1:], np.zeros_like(ahead[:, :, :1])], axis=2),
        ahead[:, :, entry] * live,
        ahead[:, :, :1] * live,
    )
    out = np.zeros_like(ahead)
    for move, target in enumerate(targets):
        rows = move * k + states // r
        if move != 1:
            rows[last] = 4 * k + (0, 0, 1, 2)[move]
        out += moves[rows].transpose(1, 2, 0, 3) * target
        gained = (before * target).sum(axis=1)
        if move != 1:
            slopes[rows[last]] += gained[:, last]
            gained[:, last] = 0.0
        slopes[move * k : (move + 1) * k] += np.add.reduceat(gained, starts, axis=1).swapaxes(0, 1)
    return out
