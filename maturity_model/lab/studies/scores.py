"""How good stated probabilities are where the truth is known: log score, Brier score, calibration.

Forecasts by several judges come as a data frame with a row for each stated probability: its
``club``, what was ``stated``, the ``chance`` that it came true (0 or 1 where the outcome itself is
known), and a column for what each of :data:`JUDGES` states instead.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Floats, Ints

#: Bins of the calibration error.
BINS = 15
#: Simpler judges: three frequency tables, and the program with the signs left out.
BASELINES = ("age", "readings", "readings_table", "checklist")
#: One who knows the true phase and no more: how much there is to be known.
KNOWING = "true_phase"
JUDGES = (*BASELINES, KNOWING)
#: Resamplings of whole clubs for the intervals, and the points that these report.
RESAMPLED, ENDS = 2000, (0.05, 0.95)


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


def brier_by_club(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Summed squared distance from the truth: of what was stated, and of each judge.

    Where the chance is known and not the outcome, it is the expected sum, with what no forecast
    can foresee in it.
    """
    chance = forecasts["chance"]
    judged = forecasts[["stated", *JUDGES]]
    errors = judged.sub(chance, axis=0).pow(2).add(chance * (1 - chance), axis=0)
    return errors.groupby(forecasts["club"]).sum()


def skills(forecasts: pd.DataFrame) -> pd.Series:
    """Brier skill against each baseline: 1 is perfect, 0 no better."""
    brier = brier_by_club(forecasts).sum()
    return 1 - brier["stated"] / brier[list(BASELINES)]


def skill_of_knowing(forecasts: pd.DataFrame) -> float:
    """Brier skill against age alone of one who knows the true phase, and no more."""
    brier = brier_by_club(forecasts).sum()
    return float(1 - brier[KNOWING] / brier["age"])


def _times_drawn(clubs: int, seed: int) -> Floats:
    # How often each club is drawn, in each resampling; shape (RESAMPLED, clubs).
    rng = np.random.default_rng([seed, 99])
    return rng.multinomial(clubs, np.full(clubs, 1 / clubs), size=RESAMPLED).astype(float)


def skill_intervals(forecasts: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Points of the skills under resampling of whole clubs: columns ``low`` and ``high``."""
    by_club = brier_by_club(forecasts)
    times = _times_drawn(len(by_club), seed)
    own, others = (times @ by_club[on].to_numpy() for on in (["stated"], list(BASELINES)))
    ends = np.quantile(1 - own / others, ENDS, axis=0)
    return pd.DataFrame(ends.T, index=list(BASELINES), columns=["low", "high"])


def reliability_curve(forecasts: pd.DataFrame, bins: int, seed: int) -> pd.DataFrame:
    """Mean stated and observed of each bin that holds a forecast, with an interval.

    By resampling of whole clubs; it is missing where many resamplings leave the bin empty.
    """
    place = bin_of(forecasts["stated"].to_numpy(), bins)
    sums = (
        forecasts[["stated", "chance"]]
        .assign(n=1.0)
        .groupby([forecasts["club"].to_numpy(), place])
        .sum()
        .unstack(fill_value=0.0)
    )
    total = sums.sum()
    times = _times_drawn(len(sums), seed)
    n, observed = (times @ sums[name].to_numpy() for name in ("n", "chance"))
    share = np.divide(observed, n, out=np.full_like(n, np.nan), where=n > 0)
    low, high = np.nanquantile(share, ENDS, axis=0)
    often = (n > 0).mean(axis=0) > 0.9
    return pd.DataFrame(
        {
            "bin": total["n"].index,
            "stated": (total["stated"] / total["n"]).to_numpy(),
            "observed": (total["chance"] / total["n"]).to_numpy(),
            "observed_low": np.where(often, low, np.nan),
            "observed_high": np.where(often, high, np.nan),
            "n": total["n"].to_numpy().astype(int),
        }
    )
