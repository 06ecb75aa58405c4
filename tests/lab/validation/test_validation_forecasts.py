"""What the program is taken to have stated is what a run on that day would have said."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.first_passage import time_to_mature
from maturity_model.assessment.present import Present
from maturity_model.lab.validation import diagnosis, study
from maturity_model.lab.validation.clubs import Club, World, merged, simulate_clubs
from maturity_model.lab.validation.forecasts import ASKED, Forecaster, as_of, state
from maturity_model.lab.validation.sums import log_score, sums_of
from maturity_model.logbook import Event, Logbook
from maturity_model.population import load_population
from maturity_model.population.types import Population, take_draws


@cache
def few() -> Population:
    return take_draws(load_population(), np.arange(16))


@cache
def clubs() -> tuple[Club, ...]:
    return tuple(simulate_clubs(World("model", "club"), 2, 4, 20, 3, after=30))


def cut(club: Club, week: int) -> Logbook:
    """The log as it stood at the end of a week."""
    book = club.logbook
    last = {t.name: t.started + dt.timedelta(days=7 * week + 6) for t in book.tanks.values()}
    return replace(
        book,
        checkins=tuple(c for c in book.checkins if c.date <= last[c.tank]),
        events=tuple(e for e in book.events if e.date <= last[e.tank]),
    )


def test_everything_stated_is_causal() -> None:
    club = clubs()[0]
    whole = state(club, Forecaster("tool", few(), 0.4), alarms=1)
    early = Club(cut(club, 11), club.followed, 12)
    then = state(early, Forecaster("tool", few(), 0.4), alarms=1)
    assert whole.phase[:, :12] == pytest.approx(then.phase, abs=1e-9)
    assert whole.risk[:, :12] == pytest.approx(then.risk, abs=1e-9)
    assert whole.slipped[0, :12] == pytest.approx(then.slipped[0], abs=1e-9)
    assert (whole.alarm[0, :12] == then.alarm[0]).all()
    assert (whole.alarm[1] == -1).all()
    assert np.isnan(whole.slipped[1]).all()
    # Weeks 4 and 10 were asked of both.
    both = whole.asked[:, 1] < 12
    assert whole.by_week[both] == pytest.approx(then.by_week, abs=1e-9)
    assert set(whole.asked[:, 1]) == {w for w in ASKED if w < 20}


@pytest.mark.parametrize("week", [0, 7, 19])
def test_a_tank_as_it_stood(week: int) -> None:
    club = clubs()[1]
    panel = club.panel()
    tables = make_tables(panel, few())
    found, hazards = filter_tank(tables, 1)
    then = as_of(Present(panel, 1, found, hazards, tables.pace), week)
    early = Club(cut(club, week), club.followed, week + 1).panel()
    tables = make_tables(early, few())
    alone = Present(early, 1, *filter_tank(tables, 1), tables.pace)
    assert time_to_mature(then).by_week == pytest.approx(time_to_mature(alone).by_week, abs=1e-9)


def test_merged_clubs_keep_their_tanks_apart() -> None:
    both = merged(clubs())
    assert len(both.logbook.tanks) == len(both.followed) == 4
    assert both.weeks == 20
    assert both.truth.shape == (4, 20)
    own = [state(c, Forecaster("t", few(), 0.4)).phase for c in clubs()]
    together = state(both, Forecaster("t", few(), 0.4)).phase
    assert together == pytest.approx(np.concatenate(own), abs=1e-9)


def test_what_is_left_out_says_nothing() -> None:
    club = clubs()[0]
    panel = club.panel()
    tables = make_tables(panel, few())
    book = replace(
        club.logbook, checkins=tuple(replace(c, signs={}) for c in club.logbook.checkins)
    )
    blind = make_tables(Club(book, club.followed, 20).panel(), few())
    less = diagnosis.without(tables, "sign", "all")
    for n in range(2):
        assert filter_tank(less, n)[0].phases() == pytest.approx(
            filter_tank(blind, n)[0].phases(), abs=1e-9
        )
    only = diagnosis.without(tables, "reading", "nitrite")
    changed = only.readings != tables.readings
    analyte = panel.readings.codes["analyte"]
    nitrite = list(panel.catalogue.informative).index("nitrite")
    assert changed.any()
    assert set(analyte[changed.any(axis=(1, 2))]) == {nitrite}


def test_slipping_back_by_hand() -> None:
    club = clubs()[0]
    followed = np.array([[2, 2, 2, 1, 1, 1, 1, 1], [2, 2, 2, 2, 2, -1, 2, 2]])
    book = replace(club.logbook, events=())
    happened, scored = study._slipping(Club(book, followed, 5), 2)
    assert happened[0].tolist() == [False, True, True, False, False]
    assert scored[0].all()
    assert scored[1].tolist() == [True, True, True, False, False]
    # An event of week 3 lies within two weeks of weeks 1 and 2.
    first = next(iter(club.logbook.tanks.values()))
    event = Event(first.name, first.started + dt.timedelta(days=22), "crash", None)
    _, quiet = study._slipping(Club(replace(book, events=(event,)), followed, 5), 2)
    assert quiet[0].tolist() == [True, False, False, True, True]


def test_risk_is_tallied() -> None:
    p = np.array([[0.1, 0.9]])
    happened, on = np.array([[False, True]]), np.array([[True, True]])
    found = study._risk_sums(p, np.full((1, 2), 0.5), happened, on)
    assert found[0, :3].sum(axis=1) == pytest.approx([2, 1.0, 1])
    assert found[0, 3, 0] == pytest.approx(0.02)
    assert found[0, 4, 0] == pytest.approx(0.5)


def test_an_over_sure_world_shows_in_the_diagnosis() -> None:
    """A population that takes late signs for early ones: they mislead, and the rows say so."""
    several = simulate_clubs(World("model", "club"), 2, 8, 30, 4)
    more = simulate_clubs(World("model", "club"), 2, 16, 30, 5)
    swapped = replace(few(), sign_logit=np.ascontiguousarray(few().sign_logit[:, ::-1]))
    rows = diagnosis.diagnose(several, more, Forecaster("tool", swapped, 1.0))
    score = {r["item"]: r["log_score"] for r in rows if r["kind"] == "without"}
    weight = {r["item"]: r["log_score"] for r in rows if r["kind"] == "weight"}
    assert score["nothing"] == pytest.approx(weight["1"])
    assert score["signs"] > score["nothing"] + 0.1
    mended = {r["item"]: r["log_score"] for r in rows if r["kind"] == "corrected"}
    assert mended["signs"] > score["nothing"] + 0.1
    assert mended["signs"] > mended["readings"]
    kinds = {r["kind"] for r in rows}
    assert kinds == {
        "weight",
        "without",
        "corrected",
        "sign",
        "reading",
        "level",
        "spread",
        "dwell",
        "stated",
    }
    for row in rows:
        if row["kind"] in ("sign", "level"):
            assert 0 <= row["observed"] <= 1
            assert 0 < row["expected"] < 1


def test_the_program_beats_itself_with_a_wrong_population() -> None:
    club = merged(clubs())
    right = state(club, Forecaster("tool", few(), 1.0)).phase
    swapped = replace(few(), sign_logit=np.ascontiguousarray(few().sign_logit[:, ::-1]))
    wrong = state(club, Forecaster("tool", swapped, 1.0)).phase
    assert log_score(sums_of(right, club.truth)) > log_score(sums_of(wrong, club.truth)) + 0.3
