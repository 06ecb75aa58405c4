"""Whether the stated time to mature comes true, for tanks that may not be followed to the end.

The interval that a page prints is in whole weeks, and for a tank that may be mature already
much of the probability lies on one week, so that it holds more than its nominal share even
of a perfect forecaster. What is judged is therefore where the truth falls in the stated
distribution (its probability integral transform, spread over the probability of its week:
Czado, Gneiting and Held 2009, *Biometrics* 65: 1254-1261). Of a tank that had not matured
when it was last followed, only a lower bound is known: Kaplan and Meier's estimator (1958,
*JASA* 53: 457-481), on that scale, makes use of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.first_passage import REACH
from maturity_model.lab.validation.clubs import Club

#: Fewer questions than this still open say nothing about what is beyond.
FEWEST = 5
#: Central intervals that are judged.
LEVELS = (0.5, 0.9)


class Outcomes(NamedTuple):
    """What became of M questions about the time to mature.

    Attributes
    ----------
    tank, week : int ndarray, shape (M,)
        Of which tank, and when it was asked.
    position : ndarray, shape (M,)
        Where the truth falls in the stated distribution, in [0, 1]; for a censored one,
        a lower bound.
    censored : bool ndarray, shape (M,)
    printed : ndarray, shape (M,)
        1 or 0: whether the printed 90 % interval held the truth; nan where not known.
    width : ndarray, shape (M,)
        Weeks of the printed 90 % interval; one that is open counts to two years.
    """

    tank: Ints
    week: Ints
    position: Floats
    censored: Bools
    printed: Floats
    width: Floats


def next_event(club: Club) -> Ints:
    """First week after each week with a recorded event other than a water change.

    Returns
    -------
    int ndarray, shape (N, F)
        F where there is none.
    """
    n, w = club.followed.shape
    at = {name: i for i, name in enumerate(club.logbook.tanks)}
    started = {name: t.started for name, t in club.logbook.tanks.items()}
    out = np.full((n, w), w)
    for e in club.logbook.events:
        week = (e.date - started[e.tank]).days // 7
        if e.kind != "water_change" and 0 < week < w:
            row = out[at[e.tank]]
            row[:week] = np.minimum(row[:week], week)
    return out


def outcomes(club: Club, asked: Ints, by_week: Floats, seed: int, *, quiet: bool) -> Outcomes:
    """What became of each question.

    Parameters
    ----------
    club : Club
    asked : int ndarray, shape (M, 2)
        Tank and week.
    by_week : ndarray, shape (M, 105)
        Stated P(mature by so many weeks from then).
    seed : int
        Of the place within the probability of one week.
    quiet : bool
        Follow each tank only until its next recorded event, which the statement leaves out.
    """
    rng = np.random.default_rng(seed)
    mature = len(club.logbook.catalogue.phases) - 1
    events = next_event(club)
    rows = []
    for (n, week), stated in zip(asked.tolist(), by_week, strict=True):
        truth = club.followed[n]
        ends = np.flatnonzero(truth[week:] < 0)
        end = week + int(ends[0]) if len(ends) else len(truth)
        # The move into the week of an event may already feel it.
        follow = min(end, events[n, week]) if quiet else end
        arrived = np.flatnonzero(truth[week:follow] == mature)
        low, high = (int(np.searchsorted(stated, x - 1e-12)) for x in (0.05, 0.95))
        width = float(min(high, REACH) - min(low, REACH))
        if len(arrived) and arrived[0] <= REACH:
            waited = int(arrived[0])
            below = stated[waited - 1] if waited else 0.0
            position = below + rng.random() * (stated[waited] - below)
            rows.append((n, week, position, False, float(low <= waited <= high), width))
        else:
            # Known not to be mature in any week before `follow`.
            position = stated[min(follow - 1 - week, REACH)]
            gone = float(high > follow - 1 - week)
            rows.append((n, week, position, True, np.nan if gone else 0.0, width))
    columns = list(zip(*rows, strict=True)) if rows else [()] * 6
    return Outcomes(
        np.array(columns[0], dtype=np.int64),
        np.array(columns[1], dtype=np.int64),
        np.array(columns[2], dtype=float),
        np.array(columns[3], dtype=bool),
        np.array(columns[4], dtype=float),
        np.array(columns[5], dtype=float),
    )


def below(found: Outcomes, at: Floats, weight: Floats | None = None) -> Floats:
    """Kaplan-Meier estimate of P(position <= at).

    Parameters
    ----------
    found : Outcomes
    at : ndarray
        In [0, 1].
    weight : ndarray, shape (M,), optional
        How often each question counts.
    """
    weight = np.ones(len(found.position)) if weight is None else weight
    order = np.lexsort((found.censored, found.position))
    position, counts = found.position[order], weight[order]
    event = ~found.censored[order]
    at_risk = counts[::-1].cumsum()[::-1]
    # Positions are spread out, so that ties among those that arrived do not occur.
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(event & (at_risk > 0), 1 - counts / np.where(at_risk > 0, at_risk, 1), 1)
    surviving = np.concatenate([[1.0], np.cumprod(step)])
    return np.asarray(1 - surviving[np.searchsorted(position, at, side="right")])


def coverage(found: Outcomes, level: float, weight: Floats | None = None) -> float:
    """Share of truths in the central interval of a level.

    nan where hardly any tank was followed to the interval's end.
    """
    if not len(found.position):
        return float("nan")
    ends = np.array([(1 - level) / 2, (1 + level) / 2])
    if found.censored[found.position < ends[1]].any() and (
        (found.position >= ends[1]).sum() < FEWEST
    ):
        return float("nan")
    low, high = below(found, ends, weight)
    return float(high - low)


def resampled_coverage(found: Outcomes, level: float, times: Floats) -> Floats:
    """Coverage in each resampling of tanks, shape (n,)."""
    return np.array([coverage(found, level, row[found.tank]) for row in times])
