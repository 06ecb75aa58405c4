"""Slips back to a lower phase: the forecast risk of them, and alarms once they happened."""

from __future__ import annotations

import numpy as np
import pandas as pd

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.assessment.surprise import SLIPPED
from maturity_model.lab.validation.baselines import cells, frequencies
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.features import log_features
from maturity_model.lab.validation.forecasts import ALARMS, SILENT, Forecasts
from maturity_model.lab.validation.time_to_mature import next_event

#: A slip is detected by an alarm in its week or this many weeks after it.
DETECTION_WEEKS = 8
#: An alarm is false unless the tank moved down in its week or this many weeks before it.
GRACE_WEEKS = 8
#: Weeks that a tank must stand in or above a phase before leaving it counts as a slip.
SETTLED = 2
#: Rules that raise an alarm, and what the page calls them.
RULES = {"phase": "likeliest phase falls", "slipped": "expected slips", "alarm": "alarm"}


def slips_within(club: Club, horizon: int) -> tuple[Bools, Bools]:
    """Whether each tank slips back soon, and whether that can be scored; each of shape (N, W).

    It is scored if the tank is followed for ``horizon`` weeks without a recorded event.
    """
    truth, events = club.followed, next_event(club)
    n, followed = truth.shape
    slips, scored = (np.zeros((n, club.weeks), dtype=bool) for _ in range(2))
    for t in range(min(club.weeks, followed - horizon)):
        ahead = truth[:, t + 1 : t + 1 + horizon]
        slips[:, t] = (ahead < truth[:, t : t + 1]).any(axis=1)
        known = (ahead >= 0).all(axis=1) & (truth[:, t] >= 0)
        scored[:, t] = known & (events[:, t] > t + horizon)
    return slips, scored


def risk_by_age(club: Club, training: Club) -> Floats:
    """Share of training tanks that slip back, by week and rock, shape (N, W, H)."""
    cell, own = (cells(log_features(c), "age") for c in (training, club))
    out = []
    for horizon in HORIZONS:
        slips, scored = (x.ravel() for x in slips_within(training, horizon))
        n_cells = int(max(cell.max(), own.max())) + 1
        out.append(frequencies(cell[scored], slips[scored][:, None], n_cells)[own, 0])
    return np.stack(out, axis=-1).reshape(*club.truth.shape, len(HORIZONS))


def risk_table(forecaster: str, risk: Floats, by_age: Floats, club: Club) -> pd.DataFrame:
    """Lay out scored forecasts of the risk of slipping back.

    From forecasts of the program and of age alone, each of shape (N, W, H); the columns are
    ``forecaster, horizon, tank, week, stated, by_age, slipped``.
    """
    parts = []
    for i, horizon in enumerate(HORIZONS):
        slips, scored = slips_within(club, horizon)
        tank, week = np.nonzero(scored)
        rows = {"forecaster": forecaster, "horizon": horizon, "tank": tank, "week": week}
        rows |= {"stated": risk[tank, week, i], "by_age": by_age[tank, week, i]}
        parts.append(pd.DataFrame(rows | {"slipped": slips[tank, week]}))
    return pd.concat(parts, ignore_index=True)


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

    ``phase``: the most probable phase is below that of both weeks before. ``slipped``: the
    expected slips of three weeks reach the page's limit. ``alarm``: a check-in says that
    something is wrong.
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
    """Match the alarms of a rule (see :func:`alarm_weeks`) with the true slips.

    One row per examined tank: ``rule, tank``; ``slips`` that were followed long enough,
    ``detected``, ``delay`` (summed weeks until detection, 0 is the week of the slip);
    ``false_alarms``, and the ``weeks`` in which an alarm would be false.
    """
    rows = []
    alarms = alarm_weeks(stated, rule)
    for tank, (phase, alarm) in enumerate(zip(truth, alarms, strict=True)):
        if rule != "phase" and (stated.alarm[tank] == SILENT).all():
            continue
        slips = [w for w in slip_weeks(phase) if w + DETECTION_WEEKS < len(phase)]
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
