"""How good probabilities of phases are, where the truth is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints

#: Bins of the calibration error.
BINS = 15


class Score(NamedTuple):
    """Scores of N forecasts.

    Attributes
    ----------
    log_score : float
        Mean log probability of the true phase (natural logarithm; 0 is perfect).
    brier : float
        Mean squared distance of the probabilities from the truth (0 is perfect).
    calibration_error : float
        Expected calibration error over all phases in 15 equal bins: the mean distance
        between stated probability and observed frequency.
    by_group : tuple of float
        Log scores of groups that are independent of each other; empty where none are told.
    """

    log_score: float
    brier: float
    calibration_error: float
    by_group: tuple[float, ...] = ()


def score(probability: Floats, truth: Ints) -> Score:
    """Score probabilities of phases.

    Parameters
    ----------
    probability : ndarray, shape (N, K)
    truth : int ndarray, shape (N,)

    Returns
    -------
    Score
    """
    hit = truth[:, None] == np.arange(probability.shape[1])
    chosen = np.maximum(probability[hit], 1e-12)
    flat, happened = probability.ravel(), hit.ravel()
    bins = np.minimum((flat * BINS).astype(int), BINS - 1)
    count = np.bincount(bins, minlength=BINS)
    stated = np.bincount(bins, flat, minlength=BINS)
    observed = np.bincount(bins, happened, minlength=BINS)
    error = np.abs(stated - observed).sum() / count.sum()
    brier = ((probability - hit) ** 2).sum(axis=1).mean()
    return Score(float(np.log(chosen).mean()), float(brier), float(error))
