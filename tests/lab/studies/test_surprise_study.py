"""False alarms and caught collapses: the committed counts, and a smaller run of the study."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from maturity_model.assessment.surprise import RecentSlip, Surprises
from maturity_model.lab.studies.settings import Surprise
from maturity_model.lab.studies.surprise import (
    count_caught,
    count_quiet,
    page,
    rates,
    read,
    run,
)
from maturity_model.logbook import Event, Tank

REPORT = Path(__file__).parents[3] / "reports" / "surprise"
#: Wanted: fewer false alarms per tank-year, and at least this share of collapses flagged.
MOST_ALARMS, LEAST_SHARE = 1.0, 0.80
START = dt.date(2024, 1, 1)


def test_the_committed_counts_reach_what_is_wanted() -> None:
    counts = read(REPORT)
    found = rates(counts)
    assert list(counts["shifts"]) == ["none", "moderate"]
    assert found["per_year"][0] < MOST_ALARMS
    assert found["share"][0] >= LEAST_SHARE
    assert (counts["new"] <= counts["wrong"] + counts["kit"]).all()
    assert (found["new_per_year"] < MOST_ALARMS).all()


@pytest.mark.slow
def test_a_smaller_run_agrees(tmp_path: Path) -> None:
    setting = Surprise(tanks=60, seed=4242)
    counts = run(setting)
    # About 50 tank-years and 40 collapses: margins of two standard errors.
    assert (counts["tank_years"] > 30).all()
    assert (counts["logged"] + counts["unlogged"] >= 20).all()
    found = rates(counts)
    assert (found["per_year"] < MOST_ALARMS + 0.3).all()
    assert (found["share"] >= LEAST_SHARE - 0.13).all()
    page(counts, setting).write(tmp_path)
    assert list(read(tmp_path)) == list(counts)


def said(week: int, alarm: str) -> tuple[int, dt.date, Surprises]:
    when = START + dt.timedelta(days=7 * week + 4)
    return week, when, Surprises(alarm, RecentSlip(0, 0), 1.0, False, ())  # type: ignore[arg-type]


def simulated(phases: list[int], crashes: tuple[int, ...] = ()) -> Any:
    events = [Event("a", START + dt.timedelta(days=7 * w + 1), "crash") for w in crashes]
    logbook = SimpleNamespace(tanks={"a": Tank("a", START)}, events=tuple(events))
    p = np.array(phases)
    return SimpleNamespace(logbook=logbook, phases=(p,), states=(3 * p,))


def test_false_alarms_are_counted_before_the_first_trouble() -> None:
    wrong, kit = "something is wrong", "check the kit"
    rows = [said(1, kit), said(2, wrong), said(5, wrong), said(9, kit), said(14, wrong)]
    quiet = count_quiet(simulated([2] * 13 + [0] * 7), [rows])
    assert (quiet["wrong"], quiet["kit"], quiet["new"]) == (2, 2, 2)
    assert quiet["tank_years"] == pytest.approx(13 * 7 / 365.25)
    quiet = count_quiet(simulated([2] * 20, crashes=(9,)), [rows])
    assert (quiet["wrong"], quiet["kit"], quiet["new"]) == (2, 1, 1)


@pytest.mark.parametrize(
    ("week", "alarm", "flagged", "looked_at"),
    [
        (12, "something is wrong", 0, 0),
        (13, "something is wrong", 1, 1),
        (14, "something is wrong", 1, 1),
        (15, "something is wrong", 0, 0),
        (13, "check the kit", 0, 1),
    ],
)
def test_a_collapse_is_flagged_within_two_weeks(
    week: int, alarm: str, flagged: int, looked_at: int
) -> None:
    for crashes, logged in (((), False), ((13,), True), ((11,), True), ((10,), False)):
        both = count_caught(simulated([2] * 13 + [0] * 7, crashes), [[said(week, alarm)]])
        mine, other = ("logged", "unlogged") if logged else ("unlogged", "logged")
        counts = {mine: 1, f"{mine}_flagged": flagged, f"{mine}_looked_at": looked_at}
        assert both == counts | dict.fromkeys((other, f"{other}_flagged", f"{other}_looked_at"), 0)
