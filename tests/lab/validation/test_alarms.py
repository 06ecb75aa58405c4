"""Slips in the truth, alarms about them, and what becomes of both: by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from maturity_model.lab.validation.forecasts import ALARMS, SILENT, Forecasts
from maturity_model.lab.validation.slips import match_alarms, slip_weeks


def said(top: list[int], alarm: list[int] | None = None) -> Forecasts:
    phase = np.eye(4)[np.array(top)][None]
    w = len(top)
    alarms = np.full((1, w), SILENT) if alarm is None else np.array([alarm])
    slipped = np.full((1, w), np.nan) if alarm is None else np.zeros((1, w))
    return Forecasts(
        phase, np.zeros((1, w, 2)), slipped, alarms, np.empty((0, 2), int), np.empty(0)
    )


def test_slips_are_found_in_the_truth() -> None:
    assert slip_weeks(np.array([0, 0, 1, 1, 0, 0, 1, 2, 2, 1])) == [4, 9]
    # A week's flicker is none: the phase before was not settled.
    assert slip_weeks(np.array([1, 1, 1, 2, 1, 1])) == []
    assert slip_weeks(np.array([1, 1, -1, 0])) == []


def counts(stated: Forecasts, truth: np.ndarray, rule: str) -> pd.Series:
    """Slips, detected, delay, false alarms and weeks of all tanks."""
    return match_alarms(stated, truth, rule).drop(columns=["rule", "tank"]).sum()


def test_detected_and_false_by_hand() -> None:
    truth = np.array([[1, 1, 2, 2, 2, 1, 1, 1, 1, 1] + [1] * 10])
    top = [1, 1, 2, 2, 2, 2, 2, 1, 1, 1] + [1] * 7 + [0, 0, 0]
    # The slip of week 5 excuses alarms up to week 13; that of week 17 is false.
    assert counts(said(top), truth, "phase").tolist() == [1, 1, 2, 1, 20 - 9]


def test_alarms_count_once_while_they_last() -> None:
    on = ALARMS["something is wrong"]
    stated = said([2] * 12, [0, on, on, 0, ALARMS["check the kit"], on, *[SILENT] * 6])
    assert counts(stated, np.full((1, 12), 2), "alarm").tolist() == [0, 0, 0, 2, 12]


def test_a_rule_that_was_not_examined_says_nothing() -> None:
    assert counts(said([2] * 12), np.full((1, 12), 2), "alarm").tolist() == [0] * 5
