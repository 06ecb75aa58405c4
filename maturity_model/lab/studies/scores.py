"""Scores of stated probabilities where the truth is known: log, Brier, calibration error."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints

#: Bins of the calibration error.
BINS = 15


class Score(NamedTuple):
    """Scores of forecasts: means of the log probability of the true phase (0 is perfect) and of
    the squared distance of the probabilities from the truth (0 is perfect), and the expected
    calibration error over all phases in :data:`BINS` equal bins.
    """

    log_score: float
    brier: float
    calibration_error: float


def log_scores(probability: Floats, truth: Ints) -> Floats:
    """Log probability of the true phase, shape (N,); finite also where it was excluded."""
    return np.log(np.maximum(probability[np.arange(len(truth)), truth], 1e-12))


def score(probability: Floats, truth: Ints) -> Score:
    """Score probabilities of phases, shape (N, K), where the true phases, shape (N,), are known."""
    hit = truth[:, None] == np.arange(probability.shape[1])
    brier = ((probability - hit) ** 2).sum(axis=1).mean()
    error = calibration_error(probability.ravel(), hit.ravel())
    return Score(float(log_scores(probability, truth).mean()), float(brier), error)


def bin_of(stated: Floats, bins: int) -> Ints:
    """Which of equal bins each probability lies in; 1 lies in the last."""
    return np.minimum((np.asarray(stated) * bins).astype(np.int64), bins - 1)


def calibration_error(stated: Floats, chance: Floats, bins: int = BINS) -> float:
    """Expected calibration error: mean distance between stated and observed, over the bins."""
    gap = np.bincount(bin_of(stated, bins), np.asarray(stated) - chance, minlength=bins)
    return float(np.abs(gap).sum() / len(stated))
