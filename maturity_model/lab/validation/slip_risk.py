"""The forecast risk of slipping back, against what happened and against age alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from maturity_model._typing import Bools, Floats
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.lab.studies.baselines import frequencies
from maturity_model.lab.validation.baselines import cells
from maturity_model.lab.validation.clubs import Club
from maturity_model.lab.validation.features import log_features
from maturity_model.lab.validation.time_to_mature import next_event


def slips_within(club: Club, horizon: int) -> tuple[Bools, Bools]:
    """Whether each tank slips back soon, and whether that can be scored.

    Parameters
    ----------
    club : Club
    horizon : int

    Returns
    -------
    slips : bool ndarray, shape (N, W)
        A phase below that of the week, in one of the next ``horizon`` weeks.
    scored : bool ndarray, shape (N, W)
        The tank was followed that long, without a recorded event.
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
    n_cells = int(max(cell.max(), own.max())) + 1
    out = []
    for horizon in HORIZONS:
        slips, scored = slips_within(training, horizon)
        at = scored.ravel()
        out.append(frequencies(cell[at], slips.ravel()[at][:, None], n_cells)[own, 0])
    return np.stack(out, axis=-1).reshape(*club.truth.shape, len(HORIZONS))


def risk_table(forecaster: str, risk: Floats, by_age: Floats, club: Club) -> pd.DataFrame:
    """Lay out scored forecasts of the risk of slipping back.

    Parameters
    ----------
    forecaster : str
    risk, by_age : ndarray, shape (N, W, H)
        Forecast of the program, and of age alone, by horizon.
    club : Club

    Returns
    -------
    DataFrame
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
