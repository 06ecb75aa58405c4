"""Alarms that a tank slipped back to a lower phase: hits, detection delay, false alarms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from maturity_model._typing import Bools, Ints
from maturity_model.assessment.surprise import SLIPPED
from maturity_model.lab.validation.forecasts import ALARMS, SILENT, Forecasts

#: A slip is detected by an alarm in its week or this many weeks after it.
DETECTION_WEEKS = 8
#: An alarm is false unless the tank moved down in its week or this many weeks before it.
GRACE_WEEKS = 8
#: Weeks that a tank must stand in or above a phase before leaving it counts as a slip.
SETTLED = 2
#: Rules that raise an alarm, and what the page calls them.
RULES = {"phase": "likeliest phase falls", "slipped": "expected slips", "alarm": "alarm"}


def slip_weeks(truth: Ints) -> list[int]:
    """Weeks in which one tank slips below the phases of the weeks before."""
    return [
        week
        for week in range(SETTLED, len(truth))
        if truth[week - SETTLED : week + 1].min() >= 0
        and truth[week] < truth[week - SETTLED : week].min()
    ]


def alarm_weeks(stated: Forecasts, rule: str) -> Bools:
    """Weeks in which a rule says that the tank slipped back, shape (N, W).

    Parameters
    ----------
    stated : Forecasts
    rule : {'phase', 'slipped', 'alarm'}
        The most probable phase is below that of both weeks before; the expected slips of
        three weeks reach the page's limit; a check-in says that something is wrong.
    """
    if rule == "slipped":
        return np.asarray(np.nan_to_num(stated.slipped) >= SLIPPED)
    if rule == "alarm":
        return np.asarray(stated.alarm == ALARMS["something is wrong"])
    likeliest = np.argmax(stated.phase, axis=2)
    out = np.zeros(likeliest.shape, dtype=bool)
    for week in range(SETTLED, likeliest.shape[1]):
        out[:, week] = likeliest[:, week] < likeliest[:, week - SETTLED : week].min(axis=1)
    return out


def match_alarms(stated: Forecasts, truth: Ints, rule: str) -> pd.DataFrame:
    """Match the alarms of a rule with the true slips.

    Parameters
    ----------
    stated : Forecasts
    truth : int ndarray, shape (N, W)
    rule : str
        See :func:`alarm_weeks`.

    Returns
    -------
    DataFrame
        One row per tank: ``rule, tank``; ``slips`` that were followed long enough,
        ``detected``, ``delay`` (summed weeks until detection, 0 is the week of the slip);
        ``false_alarms``, and the ``weeks`` in which an alarm would be false. A tank whose
        check-ins were not examined has none of them.
    """
    rows = []
    weeks = truth.shape[1]
    alarms = alarm_weeks(stated, rule)
    for tank, (phase, alarm) in enumerate(zip(truth, alarms, strict=True)):
        if rule != "phase" and (stated.alarm[tank] == SILENT).all():
            rows.append((rule, tank, 0, 0, 0, 0, 0))
            continue
        slips = [w for w in slip_weeks(phase) if w + DETECTION_WEEKS < weeks]
        windows = [np.flatnonzero(alarm[w : w + DETECTION_WEEKS + 1]) for w in slips]
        delays = [int(hits[0]) for hits in windows if len(hits)]
        quiet = phase >= 0
        for w in np.flatnonzero(np.diff(phase) < 0) + 1:
            quiet[w : w + GRACE_WEEKS + 1] = False
        # An alarm that lasts several weeks is one alarm.
        begins = alarm & ~np.concatenate([[False], alarm[:-1]])
        false = int((begins & quiet).sum())
        rows.append((rule, tank, len(slips), len(delays), sum(delays), false, int(quiet.sum())))
    columns = ["rule", "tank", "slips", "detected", "delay", "false_alarms", "weeks"]
    return pd.DataFrame(rows, columns=columns)
