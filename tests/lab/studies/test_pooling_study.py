"""The pooling study: its worlds, its verdicts, and what is committed."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from maturity_model.fitting.handing_on.choose_weight import WEIGHT_BY_SHIFT, weight_for
from maturity_model.lab.studies import pooling_report as report
from maturity_model.lab.studies.pooling import (
    ALL,
    AS_USED,
    SIGNS_AND_READINGS,
    Scored,
    difference,
    of_way,
)
from maturity_model.lab.studies.pooling_weight import Kind, curve
from maturity_model.lab.studies.pooling_worlds import Setting, make_club
from maturity_model.population.constants import DEFAULT_WAY

COMMITTED = Path(__file__).parents[3] / "reports" / "pooling"
SETTING = Setting(pool=10, held_out=6, weeks=20)


def _scored(way: str, judged: bool, gain: float, club: int = 0, taken: str = ALL) -> Scored:
    rng = np.random.default_rng(club)
    base = -0.5 * 50 + rng.normal(0, 5, 80)
    noise = np.random.default_rng(100 + club).normal(0, 2, 80)
    own = 0.0 if way == "practice" else 1.0
    log_score = base + own * (50 * gain + noise - noise.mean())
    weeks = np.full(80, 50)
    return Scored(club, way, judged, taken, 0.4, True, 0.7, log_score, weeks, 0.02)


def _study(without: float, judged: float) -> list[Scored]:
    return [
        s
        for club in (0, 1)
        for s in (
            _scored("practice", False, 0.0, club),
            _scored("whole", False, without, club),
            _scored("whole", True, judged, club),
        )
    ]


def test_the_pool_and_the_judged_pool_are_the_same_logs() -> None:
    club = make_club(SETTING, 0)
    assert len(club.unjudged.judgements.row) == 0
    judged = {c.tank for c in club.judged.logbook.checkins if c.judged_phase}
    assert len(judged) == 2
    assert len(club.held_out.judgements.row) == 0
    plain = tuple(replace(c, judged_phase=None) for c in club.judged.logbook.checkins)
    assert plain == club.unjudged.logbook.checkins
    assert len(club.truth) == club.held_out.first[-1]
    again, other = make_club(SETTING, 0), make_club(SETTING, 1)
    assert again.held_out.logbook.checkins == club.held_out.logbook.checkins
    assert other.held_out.logbook.checkins != club.held_out.logbook.checkins


def test_differences_are_by_tank_week_and_over_clubs() -> None:
    rows = _study(0.03, 0.05)
    base = [r for r in rows if r.way == "practice"]
    mean, low, high = difference(of_way(rows, "whole", True, ALL), base, 1)
    assert mean == pytest.approx(0.05)
    # Two clubs of 80 tanks: 2 nats of a tank over 50 weeks.
    error = 2 / 50 / np.sqrt(160)
    assert (high - low) / 2 == pytest.approx(1.96 * error, rel=0.2)


@pytest.mark.parametrize(
    ("without", "judged", "met"),
    [
        (0.01, 0.05, [True, True]),
        (-0.01, 0.05, [False, True]),
        (0.01, 0.001, [True, False]),
        (0.01, -0.05, [True, False]),
    ],
)
def test_a_worse_fit_is_told(without: float, judged: float, met: list[bool]) -> None:
    found = report.verdicts(_study(without, judged), "whole", ALL, 1)
    assert [v.met for v in found] == met
    text = report.readme(_study(without, judged), _kinds(), SETTING, ("whole", ALL))
    assert text.count("**met**") == sum(met)
    assert text.count("**missed**") == 2 - sum(met)


def test_the_best_way_is_the_one_with_the_best_worse_case() -> None:
    rows = _study(0.02, 0.03) + [
        _scored("cut", judged, gain, club, taken=SIGNS_AND_READINGS)
        for club in (0, 1)
        for judged, gain in ((False, -0.01), (True, 0.2))
    ]
    # Fitted without judgements only: no candidate.
    rows += [_scored("held", False, 0.5, club) for club in (0, 1)]
    assert report.best_way(rows, 1) == ("whole", ALL)
    assert "best worse case of the two has: whole." in report.readme(
        rows, _kinds(), SETTING, ("cut", SIGNS_AND_READINGS)
    )


def _kinds() -> tuple[Kind, ...]:
    grid = np.arange(9) / 10
    return tuple(
        Kind(sd, np.array([told, told + 0.02]), np.tile(grid, (2, 1)), score, score * 0)
        for sd, told, score in (
            (0.0, 0.0, np.tile(grid, (2, 1))),
            (1.0, 0.5, np.tile(-np.abs(grid - 0.3), (2, 1))),
            (1.5, 1.0, np.tile(-np.abs(grid - 0.5), (2, 1))),
        )
    )


def test_the_curve_never_rises() -> None:
    assert curve(_kinds()) == ((0.01, 1.0), (0.51, 0.5), (1.01, 0.5))


def test_the_weights_in_use_are_the_committed_ones() -> None:
    with (COMMITTED / "weights.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    kinds = dict.fromkeys(r["sign_effect_sd"] for r in rows)
    assert len(kinds) == len(WEIGHT_BY_SHIFT)
    for kind, (told, weight) in zip(kinds, WEIGHT_BY_SHIFT, strict=True):
        own = [r for r in rows if r["sign_effect_sd"] == kind]
        assert float(own[0]["told"]) == pytest.approx(told, abs=0.0051)
        best = max(own, key=lambda r: float(r["phase_log_score"]))
        assert float(best["weight"]) == pytest.approx(weight)
        assert weight_for(told) == pytest.approx(weight)


def test_the_default_way_is_in_the_committed_study() -> None:
    with (COMMITTED / "scores.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    own = [r for r in rows if (r["way"], r["taken"]) == (DEFAULT_WAY, AS_USED)]
    assert {r["judged"] for r in own} == {"0", "1"}
    text = (COMMITTED / "README.md").read_text(encoding="utf-8")
    assert f"## What `fit` does: {report.label(DEFAULT_WAY, AS_USED)}\n" in text
