"""Slips back to a lower phase: how soon they are noticed, and how often for nothing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.surprise import SLIPPED
from maturity_model.lab.validation.forecasts import ALARMS, SILENT, Stated

#: A slip that is not noticed within so many weeks is missed.
FOLLOWED = 8
#: An alarm is false unless the tank slipped in its week or the so many before it.
EXCUSED = 8
#: Ways of noticing.
WAYS = ("phase", "slipped", "alarm")
#: Weeks that a tank must have stood in or above a phase for leaving it to count as a slip.
SETTLED = 2


class Noticed(NamedTuple):
    """Counts by tank, for one way of noticing.

    Attributes
    ----------
    slips, noticed : ndarray, shape (N,)
        Slips, and those noticed within :data:`FOLLOWED` weeks.
    delay : ndarray, shape (N,)
        Summed weeks until those were noticed; 0 is the week of the slip.
    false, weeks : ndarray, shape (N,)
        False alarms, and the weeks in which an alarm would be one.
    """

    slips: Floats
    noticed: Floats
    delay: Floats
    false: Floats
    weeks: Floats


def slips_of(truth: Ints) -> list[tuple[int, int, int]]:
    """Week, phase before and phase after of each slip of one tank."""
    out = []
    for week in range(SETTLED, len(truth)):
        before = truth[week - SETTLED : week]
        if truth[week] >= 0 and before.min() >= 0 and truth[week] < before.min():
            out.append((week, int(truth[week - 1]), int(truth[week])))
    return out


def raised(stated: Stated, way: str) -> Bools:
    """Weeks in which a slip is held to have happened, shape (N, W).

    Parameters
    ----------
    stated : Stated
    way : {'phase', 'slipped', 'alarm'}
        The most probable phase is below that of some of the three weeks before, two of
        which agreed; the expected slips of three weeks reach the page's limit; a check-in
        says that something is wrong.
    """
    if way == "slipped":
        return np.asarray(np.nan_to_num(stated.slipped) >= SLIPPED)
    if way == "alarm":
        return np.asarray(stated.alarm == ALARMS["something is wrong"])
    likeliest = np.argmax(stated.phase, axis=2)
    out = np.zeros(likeliest.shape, dtype=bool)
    for week in range(SETTLED, likeliest.shape[1]):
        out[:, week] = likeliest[:, week] < likeliest[:, week - SETTLED : week].min(axis=1)
    return out


def notice(stated: Stated, truth: Ints, way: str) -> Noticed:
    """Count slips that were noticed, and false alarms.

    A tank that was not asked has no weeks.
    """
    n, w = truth.shape
    out = np.zeros((5, n))
    said = raised(stated, way)
    for i in range(n):
        if way != "phase" and (stated.alarm[i] == SILENT).all():
            continue
        slips = slips_of(truth[i])
        excused = np.zeros(w, dtype=bool)
        for week, _, _ in slips:
            if week + FOLLOWED < w:
                out[0, i] += 1
                when = np.flatnonzero(said[i, week : week + FOLLOWED + 1])
                if len(when):
                    out[1, i] += 1
                    out[2, i] += when[0]
        for week in (np.flatnonzero(np.diff(truth[i]) < 0) + 1).tolist():
            excused[week : week + EXCUSED + 1] = True
        judged = ~excused & (truth[i] >= 0)
        # An alarm that goes on is one alarm.
        new = said[i] & ~np.concatenate([[False], said[i, :-1]])
        out[3, i], out[4, i] = (new & judged).sum(), judged.sum()
    return Noticed(*out)
