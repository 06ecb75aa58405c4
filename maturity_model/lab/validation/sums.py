"""Sums of scores by tank, from which every score and its interval follow."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.lab.studies.scores import BINS

#: First week of each band of age; the last has no end.
AGES = (0, 4, 8, 12, 16, 24, 32, 44)
#: Resamplings of the intervals, and their ends.
RESAMPLED, ENDS = 1000, (0.05, 0.95)
#: A probability counts as no smaller than this in a log score.
LEAST = 1e-12


class Sums(NamedTuple):
    """Sums over the scored weeks of each of N tanks; K phases, A bands of age.

    Attributes
    ----------
    weeks : ndarray, shape (N,)
    log, brier, entropy : ndarray, shape (N,)
        Log probability of the true phase; squared distance from the truth; entropy of
        what is stated.
    bins : ndarray, shape (N, 3, K, BINS)
        Number, stated and observed, by phase and bin of the stated probability.
    phase : ndarray, shape (N, 3, K)
        Weeks truly in a phase, their log score, and the squared error of P(phase) over
        all weeks.
    age : ndarray, shape (N, 3, A)
        Weeks in a band of age, their log score and their squared distance.
    """

    weeks: Floats
    log: Floats
    brier: Floats
    entropy: Floats
    bins: Floats
    phase: Floats
    age: Floats


def sums_of(p: Floats, truth: Ints) -> Sums:
    """Sum up.

    Parameters
    ----------
    p : ndarray, shape (N, W, K)
        Stated P(phase).
    truth : int ndarray, shape (N, W)
        -1 in weeks that are not scored.

    Raises
    ------
    ValueError
        When a row is not a probability distribution.
    """
    n, w, k = p.shape
    known = truth >= 0
    if not (np.isfinite(p).all() and (p >= 0).all() and np.allclose(p.sum(axis=2), 1, atol=1e-6)):
        raise ValueError("what is stated is not a distribution over the phases")
    hit = (truth[:, :, None] == np.arange(k)) & known[:, :, None]
    said = np.where(known, (p * hit).sum(axis=2), 1.0)
    log = np.log(np.maximum(said, LEAST))
    error = np.where(known[:, :, None], (p - hit) ** 2, 0.0)
    entropy = np.where(known, -(p * np.log(np.maximum(p, LEAST))).sum(axis=2), 0.0)
    tank = np.arange(n)[:, None, None]
    place = np.minimum((p * BINS).astype(np.int64), BINS - 1)
    flat = ((tank * k + np.arange(k)) * BINS + place)[known].ravel()
    bins = np.stack(
        [
            np.bincount(flat, weight, minlength=n * k * BINS).reshape(n, k, BINS)
            for weight in (np.ones(len(flat)), p[known].ravel(), hit[known].ravel())
        ],
        axis=1,
        dtype=float,
    )
    band = np.searchsorted(AGES, np.arange(w), side="right") - 1
    in_band = band[:, None] == np.arange(len(AGES))
    return Sums(
        np.asarray(known.sum(axis=1), dtype=float),
        log.sum(axis=1),
        error.sum(axis=(1, 2)),
        entropy.sum(axis=1),
        np.asarray(bins, dtype=np.float64),
        np.stack(
            [hit.sum(axis=1), np.einsum("nw,nwk->nk", log, hit), error.sum(axis=1)], axis=1
        ).astype(float),
        np.stack(
            [known.astype(float) @ in_band, log @ in_band, error.sum(axis=2) @ in_band], axis=1
        ).astype(float),
    )


def log_score(s: Sums) -> float:
    """Mean log probability of the true phase; 0 is perfect."""
    return float(s.log.sum() / s.weeks.sum())


def brier(s: Sums) -> float:
    """Mean squared distance of what is stated from the truth; 0 is perfect."""
    return float(s.brier.sum() / s.weeks.sum())


def sharpness(s: Sums) -> float:
    """Mean entropy of what is stated, in nats; 0 is certainty."""
    return float(s.entropy.sum() / s.weeks.sum())


def calibration_error(s: Sums) -> float:
    """Expected calibration error over all phases, in 15 equal bins."""
    number, stated, observed = s.bins.sum(axis=(0, 2))
    return float(np.abs(stated - observed).sum() / number.sum())


def overconfidence(s: Sums) -> float:
    """Mean stated probability less the share that came true, of what is held most likely.

    From the bins above one half: there at most one phase of a week can lie.
    """
    number, stated, observed = s.bins.sum(axis=(0, 2))[:, BINS // 2 + 1 :]
    return float((stated - observed).sum() / max(number.sum(), 1.0))


def units(tanks: int, club: Ints, least: int = 10) -> tuple[Ints, str]:
    """What is drawn with replacement for the intervals: clubs, or tanks where clubs are few.

    Returns
    -------
    unit : int ndarray, shape (N,)
        Unit of each tank.
    what : {'club', 'tank'}
    """
    if len(np.unique(club)) >= least:
        return np.unique(club, return_inverse=True)[1].astype(np.int64), "club"
    return np.arange(tanks), "tank"


def resamplings(unit: Ints, seed: int, n: int = RESAMPLED) -> Floats:
    """How often each tank is drawn in each resampling of whole units, shape (n, N)."""
    n_units = int(unit.max()) + 1
    rng = np.random.default_rng(seed)
    times = rng.multinomial(n_units, np.full(n_units, 1 / n_units), size=n)
    return times[:, unit].astype(float)


def resampled_log_score(s: Sums, times: Floats) -> Floats:
    """Log score in each resampling, shape (n,)."""
    return np.asarray((times @ s.log) / (times @ s.weeks))


def resampled_calibration_error(s: Sums, times: Floats) -> Floats:
    """Calibration error in each resampling, shape (n,)."""
    tanks = s.bins.sum(axis=2)
    drawn = (times @ tanks.reshape(len(tanks), -1)).reshape(len(times), 3, BINS)
    return np.asarray(np.abs(drawn[:, 1] - drawn[:, 2]).sum(axis=1) / drawn[:, 0].sum(axis=1))


def share_of_the_way(score: Floats, low: Floats, high: Floats) -> Floats:
    """How far a score lies on the way from one to another: 0 at ``low``, 1 at ``high``."""
    gap = np.asarray(high - low)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(gap > 0, (score - low) / gap, np.nan))


def interval(values: Floats) -> tuple[float, float]:
    """5 % and 95 % points; nan where nothing is finite."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return float("nan"), float("nan")
    low, high = np.quantile(finite, ENDS)
    return float(low), float(high)
