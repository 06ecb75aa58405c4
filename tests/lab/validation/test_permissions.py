"""Asking every week for permission: as the weekly command answers, and counted by hand."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from small_logs import START, day, look, make_log, reading

from maturity_model.assessment import assess
from maturity_model.lab.validation.clubs import Club, World, simulate_club
from maturity_model.lab.validation.forecasts import Forecaster
from maturity_model.lab.validation.permissions import (
    ANIMALS,
    PHASE,
    permission_row,
    permission_weeks,
    refusals,
)
from maturity_model.logbook import Event, Tank
from maturity_model.population import load_population

#: Ammonia and nitrite on a usual chart: nothing, and plenty.
NOTHING, PLENTY = reading(0.0, 0.125, 0.0), reading(1.5, 3.0, 2.0)


@cache
def program() -> Forecaster:
    population = load_population()
    return Forecaster("tool", population, population.evidence_weight)


def cycled() -> Club:
    """A tank that cycles for six weeks, is tested, stays empty to week 30 and is then stocked."""
    nitrate = reading(7.5, 15.0, 10.0)
    found = {"ammonia": PLENTY, "nitrite": PLENTY}
    clear = {"ammonia": NOTHING, "nitrite": NOTHING, "nitrate": nitrate}
    signs = "copepods=y amphipods=y coralline_algae=y hair_algae=n diatoms=n film_algae=n"
    checkins = [look(7 * w + 3, signs, readings=clear if w >= 6 else found) for w in range(36)]
    del checkins[20]
    events = [Event("a", day(7 * 30 + 1), "livestock_added", 2.0)]
    book = make_log([Tank("a", START, rock="live")], checkins, events)
    truth = np.repeat([0, 1, 3], [6, 4, 26])[None, :]
    return Club(book, truth, 36)


def test_a_tank_by_hand() -> None:
    weeks = permission_weeks([cycled()], program()).set_index("week")
    assert (weeks["asked"] == np.repeat(ANIMALS, [30, 6])).all()
    # Week 20 has no check-in, so that its readings are too old and its look is not.
    assert weeks.index[~weeks["measured"]].tolist() == [20]
    assert weeks["reasons"][20].startswith("both readings")
    # Ammonia, until it falls; there is no permission while the tank cycles.
    assert weeks["reasons"][:5].str.contains("ammonia").all()
    assert not weeks["permitted"][:5].any()
    # Beyond it, it takes two low readings of each, and then the evidence is complete.
    assert weeks["permitted"][8:19].all()
    assert weeks["permitted"][21:29].all()
    # Two weeks of waiting after the addition.
    assert weeks["reasons"][30:31].str.contains("last addition").all()
    assert weeks["permitted"][32:].all()
    assert (weeks["permitted"] == (weeks["reasons"] == "")).all()


def test_the_answers_are_those_of_the_weekly_command() -> None:
    club = simulate_club(World("mechanistic", "typical"), 4, 30, 5, weekly_tests=True)
    weeks = permission_weeks([club], program())
    assert set(weeks["asked"]) == set(ANIMALS)
    assert 0 < weeks["permitted"].sum() < len(weeks)
    panel = club.panel()
    for week in (3, 11, 18, 24, 29):
        now = assess(panel, program().population, panel.week_ends(0)[week])
        for n, tank in enumerate(now.tanks):
            row = weeks[(weeks["tank"] == n) & (weeks["week"] == week)].iloc[0]
            assert tank.questions is not None
            (decision,) = (d for d in tank.questions.decisions if d.rule.permission in ANIMALS)
            assert row["asked"] == decision.rule.permission
            assert row["permitted"] == (decision.verdict == "yes")
            needs = {m.need for m in decision.missing}
            likely = decision.probability.mean >= decision.rule.threshold
            assert {*row["reasons"].split(";")} - {"", "other advice"} == (
                needs if likely else needs | {PHASE}
            )


def made_weeks() -> pd.DataFrame:
    """Two clubs of one tank: what each week was, whether it was measured, and what was missing."""
    rows = [
        (0, 0, False, "ammonia;proof of work;phase"), (0, 0, True, ""), (0, 1, True, ""),
        (0, 1, True, ""), (0, 1, False, ""), (0, 2, True, "phase"),
        (1, 0, True, "nitrite"), (1, 1, True, "last addition"), (1, 2, True, ""),
        (1, 2, True, "nitrite;alarm"), (1, 3, True, "phase;last addition"), (1, 3, False, "look"),
    ]  # fmt: skip
    weeks = pd.DataFrame(rows, columns=["tank", "truth", "measured", "reasons"])
    asked = np.array(ANIMALS)[weeks["tank"]]
    return weeks.assign(club=weeks["tank"], asked=asked, permitted=weeks["reasons"] == "")


def test_weeks_counted_by_hand() -> None:
    row = permission_row(made_weeks())
    # Five weeks are permitted, one of them cycling. Seven are past it and measured: two of these
    # wait, one lacks a reading, one the phase alone.
    assert (row["tank_weeks"], row["permitted"], row["measured"]) == (12, 5, 7)
    assert row["cycling"] == pytest.approx(1 / 5)
    assert row["waiting"] == pytest.approx(2 / 7)
    assert row["evidence"] == pytest.approx(4 / 7)
    assert row["ready"] == pytest.approx(4 / 5)
    assert row["said"] == pytest.approx(3 / 7)
    # Resampled clubs: the first twice (1 of 4 cycling), or the second (0 of 1).
    assert (row["cycling_low"], row["cycling_high"]) == (0, pytest.approx(1 / 4))


def test_what_never_came_up_is_not_excluded() -> None:
    weeks = made_weeks()
    row = permission_row(weeks[(weeks["truth"] > 0) | ~weeks["permitted"]])
    assert row["cycling"] == row["cycling_low"] == 0
    # Two tanks with a permitted week: P(neither | p) = 5 %.
    assert (1 - row["cycling_high"]) ** 2 == pytest.approx(0.05)
    nothing = permission_row(weeks.assign(permitted=False))
    assert np.isnan(nothing["cycling"])
    assert np.isnan(nothing["cycling_high"])


def test_reasons_counted_by_hand() -> None:
    rows = refusals(made_weeks()).set_index(["asked", "reason"])
    assert rows["weeks"].to_dict() == {
        ("first animals", "phase"): 1,
        ("next animals", "last addition"): 2,
        ("next animals", "alarm"): 1,
        ("next animals", "nitrite"): 1,
        ("next animals", "phase"): 1,
    }
    assert rows["share"]["first animals", "phase"] == pytest.approx(1 / 3)
    assert rows["share"]["next animals", "last addition"] == pytest.approx(2 / 4)
