"""The pooling study: its worlds, its verdicts, and what is committed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from maturity_model.fitting.handing_on.choose_weight import WEIGHT_BY_SHIFT, weight_for
from maturity_model.lab.studies import pooling as study
from maturity_model.lab.studies import pooling_weight
from maturity_model.lab.studies.clubs import PooledClub, make_club
from maturity_model.lab.studies.pooling_scores import (
    ALL,
    AS_USED,
    PRACTICE_MOVES,
    by_club,
    differences,
)
from maturity_model.lab.studies.settings import Pooling
from maturity_model.population.constants import DEFAULT_WAY

COMMITTED = Path(__file__).parents[3] / "reports" / "pooling"


def club_of(number: int) -> PooledClub:
    return make_club(61, number, 10, 6, 20)


def scored(way: str, judged: bool, gain: float, club: int, taken: str = ALL) -> pd.DataFrame:
    """80 tanks of 50 weeks, better than practice by ``gain`` a week on average."""
    base = -0.5 * 50 + np.random.default_rng(club).normal(0, 5, 80)
    noise = np.random.default_rng(100 + club).normal(0, 2, 80)
    own = 0.0 if way == "practice" else 1.0
    return pd.DataFrame(
        {"club": club + 1, "way": way, "judged": judged, "taken": taken, "weight": 0.4,
         "chosen": True, "shift_variance": 0.7, "calibration_error": 0.02,
         "tank": np.arange(80), "weeks": 50,
         "log_score": base + own * (50 * gain + noise - noise.mean())}
    )  # fmt: skip


def tanks(without: float, judged: float) -> pd.DataFrame:
    parts = [
        scored(*row, club)
        for club in (0, 1)
        for row in (
            ("practice", False, 0.0),
            ("whole", False, without),
            ("whole", True, judged),
        )
    ]
    return pd.concat(parts, ignore_index=True)


def results(found: pd.DataFrame) -> study.Results:
    return study.Results(by_club(found), differences(found, 1), study.read(COMMITTED).weights)


def test_the_pool_and_the_judged_pool_are_the_same_logs() -> None:
    club = club_of(0)
    assert len(club.unjudged.judgements.row) == 0
    judged = {c.tank for c in club.judged.logbook.checkins if c.judged_phase}
    assert len(judged) == 2
    assert len(club.held_out.judgements.row) == 0
    plain = tuple(replace(c, judged_phase=None) for c in club.judged.logbook.checkins)
    assert plain == club.unjudged.logbook.checkins
    assert len(club.truth) == club.held_out.first[-1]
    again, other = club_of(0), club_of(1)
    assert again.held_out.logbook.checkins == club.held_out.logbook.checkins
    assert other.held_out.logbook.checkins != club.held_out.logbook.checkins


def test_differences_are_by_tank_week_and_over_clubs() -> None:
    found = differences(tanks(0.03, 0.05), 1).set_index(["way", "judged", "taken"])
    mean, low, high = found.loc["whole", True, ALL]
    assert mean == pytest.approx(0.05)
    # Two clubs of 80 tanks: 2 nats of a tank over 50 weeks.
    error = 2 / 50 / np.sqrt(160)
    assert (high - low) / 2 == pytest.approx(1.96 * error, rel=0.2)
    scores = by_club(tanks(0.03, 0.05)).set_index(["club", "way", "judged"])["log_score"]
    assert scores[2, "whole", False] - scores[2, "practice", False] == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("without", "judged", "met"),
    [
        (0.01, 0.05, [True, True]),
        (-0.01, 0.05, [False, True]),
        (0.01, 0.001, [True, False]),
        (0.01, -0.05, [True, False]),
    ],
)
def test_a_worse_fit_is_reported(without: float, judged: float, met: list[bool]) -> None:
    found = results(tanks(without, judged))
    assert [v.met for v in study.verdicts(found.differences, "whole", ALL)] == met
    text = study.page(found, Pooling(), ("whole", ALL)).markdown()
    assert text.count("**met**") == sum(met)
    assert text.count("**missed**") == 2 - sum(met)
    assert f"| whole | none | {without:+.3f} (" in text


def test_the_best_way_is_the_one_with_the_best_worse_case() -> None:
    more = [
        scored("cut", judged, gain, club, PRACTICE_MOVES)
        for club in (0, 1)
        for judged, gain in ((False, -0.01), (True, 0.2))
    ]
    # Fitted without judgements only: no candidate.
    more += [scored("held", False, 0.5, club) for club in (0, 1)]
    found = results(pd.concat([tanks(0.02, 0.03), *more], ignore_index=True))
    assert study.best_way(found.differences) == ("whole", ALL)
    text = study.page(found, Pooling(), ("cut", PRACTICE_MOVES)).markdown()
    assert "best worse case of the two has: whole." in text


def test_the_weights_in_use_are_the_committed_ones() -> None:
    weights = study.read(COMMITTED).weights
    variance = weights.groupby("sign_effect_sd")["shift_variance"].first()
    np.testing.assert_allclose(variance, [x for x, _ in WEIGHT_BY_SHIFT], atol=0.0051)
    np.testing.assert_allclose(pooling_weight.best(weights), [w for _, w in WEIGHT_BY_SHIFT])
    for x, weight in WEIGHT_BY_SHIFT:
        assert weight_for(x) == pytest.approx(weight)


def test_the_default_way_is_in_the_committed_study() -> None:
    found = study.read(COMMITTED)
    own = found.differences[found.differences["taken"] == AS_USED]
    assert set(own["way"]) == {DEFAULT_WAY}
    assert set(own["judged"]) == {False, True}
    assert all(v.met for v in study.verdicts(found.differences, DEFAULT_WAY, AS_USED))
