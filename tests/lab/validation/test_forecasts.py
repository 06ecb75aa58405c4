"""What the program is taken to have stated is what a run on that day would have said."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.lab.validation.clubs import Club, World, merge_clubs, simulate_clubs
from maturity_model.lab.validation.diagnosis import diagnose, without
from maturity_model.lab.validation.forecasts import ASKED, Forecaster, make_forecasts
from maturity_model.lab.validation.slips import slips_within
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
    whole = make_forecasts(club, Forecaster("tool", few(), 0.4), alarms=1)
    early = Club(cut(club, 11), club.followed, 12)
    then = make_forecasts(early, Forecaster("tool", few(), 0.4), alarms=1)
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


def test_merged_clubs_keep_their_tanks_apart() -> None:
    both = merge_clubs(clubs())
    assert len(both.logbook.tanks) == len(both.followed) == 4
    assert both.weeks == 20
    assert both.truth.shape == (4, 20)
    own = [make_forecasts(c, Forecaster("t", few(), 0.4)).phase for c in clubs()]
    together = make_forecasts(both, Forecaster("t", few(), 0.4)).phase
    assert together == pytest.approx(np.concatenate(own), abs=1e-9)


def test_what_is_left_out_says_nothing() -> None:
    club = clubs()[0]
    panel = club.panel()
    tables = make_tables(panel, few())
    book = replace(
        club.logbook, checkins=tuple(replace(c, signs={}) for c in club.logbook.checkins)
    )
    blind = make_tables(Club(book, club.followed, 20).panel(), few())
    less = without(tables, "sign", "all")
    for n in range(2):
        assert filter_tank(less, n)[0].phases() == pytest.approx(
            filter_tank(blind, n)[0].phases(), abs=1e-9
        )
    only = without(tables, "reading", "nitrite")
    changed = only.readings != tables.readings
    analyte = panel.readings.codes["analyte"]
    nitrite = list(panel.catalogue.informative).index("nitrite")
    assert changed.any()
    assert set(analyte[changed.any(axis=(1, 2))]) == {nitrite}


def test_slipping_back_by_hand() -> None:
    club = clubs()[0]
    followed = np.array([[2, 2, 2, 1, 1, 1, 1, 1], [2, 2, 2, 2, 2, -1, 2, 2]])
    book = replace(club.logbook, events=())
    happened, scored = slips_within(Club(book, followed, 5), 2)
    assert happened[0].tolist() == [False, True, True, False, False]
    assert scored[0].all()
    assert scored[1].tolist() == [True, True, True, False, False]
    # An event of week 3 lies within two weeks of weeks 1 and 2.
    first = next(iter(club.logbook.tanks.values()))
    event = Event(first.name, first.started + dt.timedelta(days=22), "crash", None)
    _, quiet = slips_within(Club(replace(book, events=(event,)), followed, 5), 2)
    assert quiet[0].tolist() == [True, False, False, True, True]


def test_an_overconfident_world_shows_in_the_diagnosis() -> None:
    """A population that takes late signs for early ones: they mislead, and the rows say so."""
    several = simulate_clubs(World("model", "club"), 2, 8, 30, 4)
    more = simulate_clubs(World("model", "club"), 2, 16, 30, 5)
    swapped = replace(few(), sign_logit=np.ascontiguousarray(few().sign_logit[:, ::-1]))
    rows = diagnose(several, more, Forecaster("tool", swapped, 1.0))
    score = rows.set_index(["kind", "item"])["log_score"]
    nothing = score["without", "nothing"]
    assert nothing == pytest.approx(score["weight", "1"])
    assert score["without", "signs"] > nothing + 0.1
    assert score["corrected", "signs"] > max(nothing + 0.1, score["corrected", "readings"])
    assert set(rows["kind"]) == {
        "weight", "without", "corrected", "sign", "reading", "level", "spread", "dwell"
    }  # fmt: skip
    looks = rows[rows["kind"].isin(["sign", "level"])]
    assert looks["observed"].between(0, 1).all()
    assert looks["expected"].between(0, 1, inclusive="neither").all()
