"""Simulated tanks mature over the weeks that practice speaks of, in many worlds.

The bounds are common practice, no source (facts of the trade, wide): cycling some 3 to 7
weeks from dry rock and 1 to 3 from live rock; bloom 4 to 16 weeks, colonising 10 to 30;
mature somewhere between six and eighteen months. A week of ``truth`` counts from 0, and
stands for its end.
"""

from __future__ import annotations

import datetime as dt
from functools import cache

import numpy as np
import pytest

from maturity_model.lab.worlds.mechanistic import Club, husbandry, live

START = dt.date(2015, 1, 5)
WEEKS, N = 78, 100
SEEDS = (201, 202, 203)


@cache
def club(seed: int) -> Club:
    return live(N, 7 * WEEKS, seed, START)


def reached(c: Club) -> np.ndarray:
    """Weeks until each phase is first reached, or nan; shape (4, N)."""
    weekly = c.phases[6::7]
    at = [np.where((weekly >= k).any(0), np.argmax(weekly >= k, 0) + 1.0, np.nan) for k in range(4)]
    return np.array(at)


def rock(c: Club, kind: str) -> np.ndarray:
    return np.array([r["rock"] == kind for r in c.tanks])


@pytest.mark.slow
def test_over_worlds_the_medians_are_those_of_practice() -> None:
    weeks = np.concatenate([reached(club(s)) for s in SEEDS], axis=1)
    dry = np.concatenate([rock(club(s), "dry") for s in SEEDS])
    live_ = np.concatenate([rock(club(s), "live") for s in SEEDS])
    assert 4 <= np.nanmedian(weeks[1, dry]) <= 8
    assert 1.5 <= np.nanmedian(weeks[1, live_]) <= 4
    assert 6 <= np.nanmedian(weeks[2] - weeks[1]) <= 16
    assert 10 <= np.nanmedian(weeks[3] - weeks[2]) <= 30
    # Nearly all finish cycling, most are colonised, and by 18 months half are or were mature.
    assert np.isfinite(weeks[1]).mean() > 0.97
    assert np.isfinite(weeks[2]).mean() > 0.8
    assert 0.35 < np.isfinite(weeks[3]).mean() < 0.9
    # A wide spread: laggards take at least three times as long as the quick ones.
    quick, slow = np.nanquantile(weeks[3], (0.05, 0.95))
    assert slow > 2.5 * quick
    # Tanks that are still in the bloom after a year.
    last = np.concatenate([club(s).phases[364] for s in SEEDS])
    assert 0.05 < (last == 1).mean() < 0.5


@pytest.mark.slow
def test_without_water_changes_a_tank_tends_to_stay_in_the_bloom(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Common practice, no source. The same worlds, with keepers who never or always do.
    share = {}
    for changes in (0.0, 1.0):
        monkeypatch.setattr(husbandry, "CHANGES_WATER", changes)
        clubs = [live(60, 380, seed, START) for seed in SEEDS]
        share[changes] = np.mean([(c.phases[200:] == 1).mean() for c in clubs])
    assert share[0.0] > 1.15 * share[1.0]
