"""Verify forecasts of the time to mature, for tanks that are not followed to the end.

The interval that a page prints is in whole weeks, and for a tank that may be mature already
much of the probability lies on one week, so that it holds more than its nominal share even
of a perfect forecaster. Coverage is therefore taken on the scale of the randomised
probability integral transform (Czado, Gneiting and Held 2009, *Biometrics* 65: 1254-1261).
Of a tank that had not matured when it was last followed, only a lower bound is known; the
estimator of Kaplan and Meier (1958, *JASA* 53: 457-481) on that scale makes use of it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import CensoredData, ecdf

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.first_passage import REACH
from maturity_model.lab.validation.clubs import Club

#: Until when a tank is followed.
NEXT_EVENT, END = "to the next event", "to the end"
#: With fewer tanks than this followed beyond an interval, its coverage is not known.
MIN_BEYOND = 5
#: Central intervals that are verified.
LEVELS = (0.5, 0.9)
#: Bootstrap samples for coverage: fewer, for each needs its own estimate.
RESAMPLES = 300


def next_event(club: Club) -> Ints:
    """First week after each week with an event that is no water change, shape (N, F); F if none."""
    n, weeks = club.followed.shape
    out = np.full((n, weeks), weeks)
    for tank, day, e in club.dated(club.logbook.events):
        week = day // 7
        if e.kind != "water_change" and 0 < week < weeks:
            out[tank, :week] = np.minimum(out[tank, :week], week)
    return out


def verify_times(
    club: Club, asked: Ints, by_week: Floats, seed: int, *, until_event: bool
) -> pd.DataFrame:
    """Compare each forecast of the time to mature with what became of the tank.

    ``asked``, shape (M, 2), holds tank and week of each forecast, and ``by_week``, (M, 105),
    P(mature by w weeks from then). With ``until_event`` each tank is followed only until its next
    recorded event, which the forecast leaves out. ``seed`` is that of the randomised transform.

    Returns
    -------
    DataFrame
        ``tank, week``; ``pit``: probability integral transform of the time, in [0, 1], a
        lower bound where ``censored``; ``covered``: whether the printed 90 % interval held
        the time (nan if not known), and its ``width`` in weeks, at most two years.
    """
    rng = np.random.default_rng(seed)
    mature = len(club.logbook.catalogue.phases) - 1
    events = next_event(club)
    rows = []
    for (tank, week), stated in zip(asked.tolist(), by_week, strict=True):
        truth = club.followed[tank]
        lost = np.flatnonzero(truth[week:] < 0)
        end = week + int(lost[0]) if len(lost) else len(truth)
        # The move into the week of an event may already feel it.
        end = min(end, events[tank, week]) if until_event else end
        arrived = np.flatnonzero(truth[week:end] == mature)
        low, high = (int(np.searchsorted(stated, x - 1e-12)) for x in (0.05, 0.95))
        width = float(min(high, REACH) - min(low, REACH))
        if len(arrived) and arrived[0] <= REACH:
            time = int(arrived[0])
            below = stated[time - 1] if time else 0.0
            pit = below + rng.random() * (stated[time] - below)
            rows.append((tank, week, pit, False, float(low <= time <= high), width))
        else:
            # Known not to be mature in any week before `end`.
            last = end - 1 - week
            covered = np.nan if high > last else 0.0
            rows.append((tank, week, stated[min(last, REACH)], True, covered, width))
    columns = ["tank", "week", "pit", "censored", "covered", "width"]
    kinds = dict(zip(columns, (int, int, float, bool, float, float), strict=True))
    return pd.DataFrame(rows, columns=columns).astype(kinds)


def kaplan_meier_cdf(pit: Floats, censored: Bools, at: Floats) -> Floats:
    """Estimate P(pit <= at) from right-censored values."""
    sample = CensoredData(uncensored=pit[~censored], right=pit[censored])
    return np.asarray(ecdf(sample).cdf.evaluate(at), dtype=float)


def coverage(times: pd.DataFrame, level: float, weights: Floats) -> Floats:
    """Share of the true times within the central interval of a level, shape (1 + n,).

    Of the rows of :func:`verify_times`, by weights of :func:`.scores.bootstrap_weights`; nan where
    hardly any tank was followed to the interval's end.
    """
    pit, censored = times["pit"].to_numpy(), times["censored"].to_numpy()
    ends = np.array([(1 - level) / 2, (1 + level) / 2])
    beyond = pit >= ends[1]
    out = np.full(len(weights), np.nan)
    if censored[~beyond].any() and beyond.sum() < MIN_BEYOND:
        return out
    for i, counts in enumerate(weights[:, times["tank"]].astype(int)):
        drawn = np.repeat(np.arange(len(pit)), counts)
        if len(drawn):
            low, high = kaplan_meier_cdf(pit[drawn], censored[drawn], ends)
            out[i] = high - low
    return out
