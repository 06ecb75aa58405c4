"""False alarms and caught collapses: the committed counts, and a smaller run of the study."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from maturity_model.assessment.surprise import Lately, Surprises
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.studies.surprise import (
    CRASH_HAZARD,
    count_caught,
    count_quiet,
    run,
    with_collapses,
    write,
)
from maturity_model.logbook import Event, Tank
from maturity_model.population import elicit_population

REPORT = Path(__file__).parents[3] / "reports" / "surprise" / "counts.csv"
#: Wanted: fewer false alarms per tank-year, and at least this share of collapses flagged.
MOST_ALARMS, LEAST_SHARE = 1.0, 0.80
START = dt.date(2024, 1, 1)


def test_the_committed_counts_reach_what_is_wanted() -> None:
    with REPORT.open(encoding="utf-8", newline="") as handle:
        read = list(csv.DictReader(handle))
    rows = {r.pop("shifts"): {k: float(v) for k, v in r.items()} for r in read}
    none = rows["none"]
    assert (none["wrong"] + none["kit"]) / none["tank_years"] < MOST_ALARMS
    flagged = none["logged_flagged"] + none["unlogged_flagged"]
    assert flagged / (none["logged"] + none["unlogged"]) >= LEAST_SHARE
    for row in rows.values():
        assert row["new"] <= row["wrong"] + row["kit"]
        assert row["new"] / row["tank_years"] < MOST_ALARMS


@pytest.mark.slow
def test_a_smaller_run_agrees(tmp_path: Path) -> None:
    results = run(60, 60, 4242)
    for r in results:
        # About 50 tank-years and 40 collapses: margins of two standard errors.
        assert r.quiet.tank_years > 30
        assert r.quiet.per_year < MOST_ALARMS + 0.3
        caught = r.logged.flagged + r.unlogged.flagged
        all_of_them = r.logged.collapses + r.unlogged.collapses
        assert all_of_them >= 20
        assert caught / all_of_them >= LEAST_SHARE - 0.13
    write(results, tmp_path, 60, 60, 4242)
    assert (tmp_path / "counts.csv").read_text().count("\n") == 1 + len(results)


def said(week: int, alarm: str) -> tuple[int, dt.date, Surprises]:
    when = START + dt.timedelta(days=7 * week + 4)
    return week, when, Surprises(alarm, Lately(0, 0), 1.0, False, ())  # type: ignore[arg-type]


def simulated(phases: list[int], crashes: tuple[int, ...] = ()) -> Any:
    events = [Event("a", START + dt.timedelta(days=7 * w + 1), "crash") for w in crashes]
    logbook = SimpleNamespace(tanks={"a": Tank("a", START)}, events=tuple(events))
    p = np.array(phases)
    return SimpleNamespace(logbook=logbook, phases=(p,), states=(3 * p,))


def test_false_alarms_are_counted_before_the_first_trouble() -> None:
    wrong, kit = "something is wrong", "check the kit"
    rows = [said(1, kit), said(2, wrong), said(5, wrong), said(9, kit), said(14, wrong)]
    quiet = count_quiet(simulated([2] * 13 + [0] * 7), [rows])
    assert (quiet.wrong, quiet.kit, quiet.new) == (2, 2, 2)
    assert quiet.tank_years == pytest.approx(13 * 7 / 365.25)
    assert quiet.per_year == pytest.approx(4 / quiet.tank_years)
    quiet = count_quiet(simulated([2] * 20, crashes=(9,)), [rows])
    assert (quiet.wrong, quiet.kit, quiet.new) == (2, 1, 1)


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
        mine, other = both if logged else both[::-1]
        assert (mine.collapses, mine.flagged, mine.looked_at) == (1, flagged, looked_at)
        assert other.collapses == 0
        assert np.isnan(other.share)


def test_crashes_bring_collapses() -> None:
    population = with_collapses(elicit_population(load_catalogue(), 1.0, n_draws=16))
    crash = population.events.index("crash")
    hazard = np.exp(population.log_collapse[1:] + population.event_collapse[crash])
    assert (hazard >= CRASH_HAZARD * (1 - 1e-12)).all()
