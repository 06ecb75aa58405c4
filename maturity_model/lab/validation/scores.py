"""Verify phase forecasts: proper scores, calibration, and intervals by the cluster bootstrap.

A table of forecasts has one row per forecaster, tank and scored week: ``forecaster``, ``club``,
``tank``, ``week``, ``truth`` (index of the true phase), then a column for each phase with its
forecast probability. Every score is a mean over rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Floats, Ints
from maturity_model.lab.studies.scores import BINS, bin_of, log_scores
from maturity_model.lab.validation.forecasters import CEILING

#: Columns before those of the phases.
KEYS = ["forecaster", "club", "tank", "week", "truth"]
#: First week of each band of age; the last has no end.
AGE_BANDS = (0, 4, 8, 12, 16, 24, 32, 44)
#: Bootstrap samples, their seed, and the quantiles that bound an interval.
RESAMPLES, SEED, QUANTILES = 1000, 17, (0.05, 0.95)
#: With fewer clubs than this, tanks are resampled instead.
MIN_CLUBS = 10


# Scores of rows ---------------------------------------------------------------------------


def forecast_table(
    forecaster: str, p: Floats, truth: Ints, club: Ints, phases: Sequence[str]
) -> pd.DataFrame:
    """Lay out forecasts P(phase), shape (N, W, K), of known phases ``truth``, shape (N, W).

    Weeks in which the truth is -1 are left out. ``club`` is of shape (N,). A row that is no
    distribution is a ValueError.
    """
    if not (np.isfinite(p).all() and (p >= 0).all() and np.allclose(p.sum(axis=2), 1, atol=1e-6)):
        raise ValueError("a forecast is not a distribution over the phases")
    tank, week = np.nonzero(truth >= 0)
    keys = dict(zip(KEYS, (forecaster, club[tank], tank, week, truth[tank, week]), strict=True))
    return pd.DataFrame(keys | dict(zip(phases, p[tank, week].T, strict=True)))


def phases_of(forecasts: pd.DataFrame) -> list[str]:
    """Names of the phases of a table of forecasts."""
    return list(forecasts.columns[len(KEYS) :])


def score_rows(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Score each row: ``log_score, brier, entropy`` after the keys.

    The log probability of the true phase, the squared distance from the truth over all
    phases, and the entropy in nats.
    """
    p, truth = forecasts[phases_of(forecasts)].to_numpy(), forecasts["truth"].to_numpy()
    return forecasts[KEYS].assign(
        log_score=log_scores(p, truth),
        brier=((p - np.eye(p.shape[1])[truth]) ** 2).sum(axis=1),
        entropy=-(p * np.log(np.maximum(p, 1e-12))).sum(axis=1),
    )


def bin_forecasts(forecasts: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Sum up forecast probability and outcome of each phase in equal bins.

    Grouped by some of the keys, ``phase`` (an index) and ``bin``: number, summed probability
    and number that came true, ``n, stated, observed``.
    """
    p = forecasts[phases_of(forecasts)].to_numpy()
    rows, phases = p.shape
    long = forecasts[KEYS].iloc[np.repeat(np.arange(rows), phases)]
    phase = np.tile(np.arange(phases), rows)
    long = long.assign(
        phase=phase,
        bin=bin_of(p.ravel(), BINS),
        stated=p.ravel(),
        observed=(long["truth"].to_numpy() == phase).astype(float),
    )
    groups = long.assign(n=1).groupby(list(by), sort=False)
    return groups[["n", "stated", "observed"]].sum()


def summarize(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Compute the scores of each forecaster.

    ``tank_weeks, log_score, brier, entropy, calibration_error`` and ``overconfidence``: mean
    forecast probability less the share that came true, in the bins above one half, where at
    most one phase of a week can lie.
    """
    rows = score_rows(forecasts).groupby("forecaster", sort=False)
    out = rows[["log_score", "brier", "entropy"]].mean()
    out.insert(0, "tank_weeks", rows.size())
    bins = bin_forecasts(forecasts, ("forecaster", "bin"))
    bins["gap"] = bins["stated"] - bins["observed"]
    total = bins.assign(gap=bins["gap"].abs()).groupby("forecaster").sum()
    top = bins[bins.index.get_level_values("bin") > BINS // 2].groupby("forecaster").sum()
    return out.assign(
        calibration_error=total["gap"] / total["n"],
        overconfidence=(top["gap"] / top["n"]).reindex(out.index).fillna(0.0),
    )


# Intervals --------------------------------------------------------------------------------


class Estimate(NamedTuple):
    """A number, and the 5 % and 95 % points of its bootstrap distribution."""

    value: float
    low: float
    high: float


#: Values of what was not run.
NOT_RUN = np.full(1, np.nan)


def estimate(values: Floats) -> Estimate:
    """Read off an estimate from the values of the sample and its bootstrap samples, (1 + n,)."""
    drawn = values[1:][np.isfinite(values[1:])]
    low, high = np.quantile(drawn, QUANTILES) if len(drawn) else (np.nan, np.nan)
    return Estimate(float(values[0]), float(low), float(high))


def bootstrap_weights(unit: Ints, n: int = RESAMPLES, seed: int = SEED) -> Floats:
    """How often each tank counts when whole units are resampled, shape (1 + n, N).

    ``unit`` holds the unit (cluster) of each tank, from 0. The first row is the sample itself:
    all ones.
    """
    units = int(unit.max()) + 1
    times = np.random.default_rng(seed).multinomial(units, np.full(units, 1 / units), size=n)
    return np.vstack([np.ones(len(unit)), times[:, unit]])


def skill_score(score: Floats, reference: Floats, perfect: Floats) -> Floats:
    """Share of the way from a reference score (0) to the best one (1); nan without a way."""
    way = np.asarray(perfect - reference)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(way > 0, (score - reference) / way, np.nan)


class Verification:
    """Forecasters compared on the same tank-weeks, with bootstrap samples of whole clubs.

    Made of the forecasts of one case or several: only forecasters of all of them are compared, and
    clubs of different cases are different clubs. Each score has shape (1 + n,), of the sample and
    then of the bootstrap samples; see :func:`estimate`. ``summary`` is that of :func:`summarize`,
    ``weights`` those of :func:`bootstrap_weights`; ``unit`` says what is resampled: tanks where
    clubs are few.
    """

    def __init__(self, tables: Sequence[pd.DataFrame]):
        common = set.intersection(*(set(t["forecaster"]) for t in tables))
        shifted, clubs, tanks = [], 0, 0
        for t in tables:
            t = t[t["forecaster"].isin(common)]
            shifted.append(t.assign(club=t["club"] + clubs, tank=t["tank"] + tanks))
            clubs, tanks = (int(shifted[-1][c].max()) + 1 for c in ("club", "tank"))
        forecasts = pd.concat(shifted, ignore_index=True)
        self.summary = summarize(forecasts)
        club = forecasts.groupby("tank")["club"].first().to_numpy()
        whole = len(np.unique(club)) >= MIN_CLUBS
        self.unit = "club" if whole else "tank"
        unit = np.unique(club, return_inverse=True)[1] if whole else np.arange(len(club))
        self.weights = bootstrap_weights(unit)
        rows = score_rows(forecasts).groupby(["forecaster", "tank"])["log_score"]
        self._log, self._weeks = rows.sum(), rows.size()
        self._bins = bin_forecasts(forecasts, ("forecaster", "tank", "bin"))

    def log_score(self, name: str) -> Floats:
        """Mean log probability of the true phase."""
        log, weeks = self._log[name].to_numpy(), self._weeks[name].to_numpy()
        return np.asarray((self.weights @ log) / (self.weights @ weeks))

    def gain(self, name: str, other: str) -> Floats:
        """Log score less that of another forecaster."""
        return self.log_score(name) - self.log_score(other)

    def skill(self, name: str) -> Floats:
        """Share of the way from the log score of age alone to that of the ceiling."""
        return skill_score(*(self.log_score(j) for j in (name, "age", CEILING)))

    def calibration_error(self, name: str) -> Floats:
        """Expected calibration error over all phases."""
        sums = self._bins.loc[name].unstack("bin").fillna(0.0)
        n, stated, observed = (self.weights @ sums[c].to_numpy() for c in self._bins)
        return np.asarray(np.abs(stated - observed).sum(axis=1) / n.sum(axis=1))
