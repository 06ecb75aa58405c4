"""Sums of forecasts and of what happened, by club: calibration, skill, and their intervals."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Floats, Ints
from maturity_model.lab.studies.scores import BINS

#: Simpler judges: the program with the signs left out, and three frequency tables.
BASELINES = ("age", "readings", "readings_table", "checklist")
#: One who knows the true phase, and no more: how much there is to be known.
KNOWING = "true_phase"
#: Each bin is kept in so many parts: nearly all risks of slipping lie in the lowest bins.
PARTS = 10
#: Resamplings of whole clubs for the intervals.
RESAMPLED = 2000


class Tally(NamedTuple):
    """Sums by club, from which every score follows.

    Attributes
    ----------
    number, stated, observed : ndarray, shape (C, BINS * PARTS)
        Forecasts, their sum and the number that came true, by part of a bin.
    brier : ndarray, shape (C, 2 + len(BASELINES))
        Summed squared distance from the truth: of the program, each baseline, and the
        judge who knows the true phase.
    """

    number: Floats
    stated: Floats
    observed: Floats
    brier: Floats

    def in_bins(self, bins: int) -> tuple[Floats, Floats, Floats]:
        """Number, stated and observed in so many equal bins, each of shape (C, bins)."""
        number, stated, observed = (
            x.reshape(len(x), bins, -1).sum(axis=2)
            for x in (self.number, self.stated, self.observed)
        )
        return number, stated, observed


def tally(
    forecast: Floats, happened: NDArray[Any], others: tuple[Floats, ...], club: Ints, clubs: int
) -> Tally:
    """Sum up forecasts by club.

    Parameters
    ----------
    forecast : ndarray, shape (N, M)
    happened : ndarray, shape (N, M)
        Whether it did; or its true chance, and then every sum is the expected one.
    others : tuple of ndarray, shape (N, M)
        Of each baseline, and of the judge who knows the true phase.
    club : int ndarray, shape (N,)
    clubs : int
    """
    chance = np.asarray(happened, dtype=np.float64)
    # What no forecast can foresee; 0 where the outcome itself is given.
    chancy = chance * (1 - chance)
    parts = BINS * PARTS
    place = (club[:, None] * parts + np.minimum((forecast * parts).astype(int), parts - 1)).ravel()
    number, stated, observed = (
        np.bincount(place, w, minlength=clubs * parts).reshape(clubs, parts).astype(float)
        for w in (np.ones(place.shape), forecast.ravel(), chance.ravel())
    )
    brier = [
        np.bincount(club, ((p - chance) ** 2 + chancy).sum(axis=1), minlength=clubs)
        for p in (forecast, *others)
    ]
    return Tally(number, stated, observed, np.stack(brier, axis=1))


def together(tallies: tuple[Tally, ...]) -> Tally:
    """The clubs of several tallies as one."""
    return Tally(
        np.concatenate([t.number for t in tallies]),
        np.concatenate([t.stated for t in tallies]),
        np.concatenate([t.observed for t in tallies]),
        np.concatenate([t.brier for t in tallies]),
    )


def calibration_error(found: Tally, bins: int = BINS) -> float:
    """Expected calibration error: mean distance between stated and observed, over the bins."""
    number, stated, observed = (x.sum(axis=0) for x in found.in_bins(bins))
    return float(np.abs(stated - observed).sum() / number.sum())


def skills(found: Tally) -> Floats:
    """Brier skill against each baseline, shape (len(BASELINES),): 1 perfect, 0 no better."""
    brier = found.brier.sum(axis=0)
    return np.asarray(1 - brier[0] / brier[1:-1])


def skill_of_knowing(found: Tally) -> float:
    """Brier skill against age alone of one who knows the true phase, and no more."""
    brier = found.brier.sum(axis=0)
    return float(1 - brier[-1] / brier[1])


def _resampled(clubs: int, seed: int) -> Floats:
    # How often each club is drawn, in each resampling.
    rng = np.random.default_rng([seed, 99])
    return rng.multinomial(clubs, np.full(clubs, 1 / clubs), size=RESAMPLED).astype(float)


def skill_interval(found: Tally, seed: int) -> Floats:
    """5 % and 95 % points of the skills under resampling of whole clubs, shape (2, B)."""
    brier = _resampled(len(found.brier), seed) @ found.brier
    return np.asarray(np.quantile(1 - brier[:, :1] / brier[:, 1:-1], (0.05, 0.95), axis=0))


def curve_interval(found: Tally, bins: int, seed: int) -> Floats:
    """Likewise of the observed frequency of each bin, shape (2, bins).

    nan where a bin is filled in too few of the resamplings.
    """
    number, _, observed = found.in_bins(bins)
    times = _resampled(len(number), seed)
    n, hits = times @ number, times @ observed
    out = np.full((2, bins), np.nan)
    for b in np.flatnonzero((n > 0).mean(axis=0) > 0.9):
        full = n[:, b] > 0
        out[:, b] = np.quantile(hits[full, b] / n[full, b], (0.05, 0.95))
    return out
