"""Saved forward messages: a new week equals a run over all weeks, whatever was edited."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pooling.pooled_logs import CATALOGUE, simulated
from small_logs import member_rows, random_log

from maturity_model.assessment import Assessment, assess, filtering
from maturity_model.logbook import CheckIn, Event, Logbook
from maturity_model.panel import build_panel, last_day
from maturity_model.population import Population, elicit_population
from maturity_model.population.members import make_members
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.scoring import tanks
from maturity_model.scoring.job import model_digest
from maturity_model.scoring.saved_filters import FilterStore
from maturity_model.scoring.tanks import TankScores, score_tanks


@cache
def population(seed: int = 3, draws: int = 20) -> Population:
    return elicit_population(CATALOGUE, 0.7, n_draws=draws, seed=seed)


def run(
    book: Logbook,
    as_of: dt.date,
    folder: Path | None = None,
    drawn: Population | None = None,
    weight: float = 0.7,
) -> dict[str, TankScores]:
    drawn = fit_to_catalogue(drawn or population(), book.catalogue)
    store = FilterStore(folder, model_digest(drawn, weight)) if folder else None
    return {s.tank: s for s in score_tanks(book, drawn, weight, as_of, store)}


def same(mine: dict[str, TankScores], theirs: dict[str, TankScores]) -> None:
    assert mine.keys() == theirs.keys()
    for name, found in mine.items():
        np.testing.assert_array_equal(found.day, theirs[name].day)
        np.testing.assert_allclose(found.values, theirs[name].values, rtol=0, atol=1e-10)


def as_assessed(mine: dict[str, TankScores], answers: Assessment) -> None:
    """P(phase) and P(a lower phase within each horizon) are those of the assessment."""
    for tank in answers.tanks:
        found = mine[tank.tank.name].values
        np.testing.assert_allclose(found[:, :4], tank.filtered, rtol=0, atol=1e-12)
        np.testing.assert_allclose(found[:, 4:6], tank.regression, rtol=0, atol=1e-12)


class Steps:
    """Counts the weeks that are filtered."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch):
        self.full, self.new = 0, 0
        real_full, real_new = tanks.filter_tank, tanks.extend

        def full(*args: Any) -> Any:
            found = real_full(*args)
            self.full += len(found[0].states)
            return found

        def new(*args: Any) -> Any:
            found = real_new(*args)
            self.new += len(found.states)
            return found

        monkeypatch.setattr(tanks, "filter_tank", full)
        monkeypatch.setattr(tanks, "extend", new)

    def taken(self) -> tuple[int, int]:
        out = self.full, self.new
        self.full = self.new = 0
        return out


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    return Steps(monkeypatch)


@pytest.fixture
def stored(tmp_path: Path, steps: Steps) -> Logbook:
    """A log whose filters are saved in the test's folder, up to its last day."""
    book = simulated(8)
    run(book, last_day(book), tmp_path)
    steps.taken()
    return book


# Week by week --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_day_by_day_is_a_run_over_all(seed: int, tmp_path: Path, steps: Steps) -> None:
    # Rows of a day come in on that day: events after the last look, unfinished weeks.
    book, _ = random_log(seed)
    end = last_day(book)
    begin = min(t.started for t in book.tanks.values())
    for days in range(0, (end - begin).days + 30, 3):
        as_of = begin + dt.timedelta(days=days)
        steps.taken()
        mine = run(book, as_of, tmp_path)
        full, new = steps.taken()
        # Only tanks of at most two weeks, of which none could be kept, begin at the start.
        young = sum(1 for s in mine.values() if len(s.day) <= 2)
        assert full <= 2 * young
        assert new <= 2 * (len(mine) - young) + young
        same(mine, run(book, as_of))


def test_new_weeks_cost_their_steps(tmp_path: Path, steps: Steps) -> None:
    book = simulated(7)
    end = last_day(book)
    before = end - dt.timedelta(days=70)
    first = run(book, before, tmp_path)
    assert steps.taken() == (sum(len(s.day) for s in first.values()), 0)
    run(book, before, tmp_path)
    assert steps.taken() == (0, 4)  # Each tank's open week.
    mine = run(book, end, tmp_path)
    assert steps.taken() == (0, 4 * 11)  # And ten new ones.
    same(mine, run(book, end))
    # Back to an earlier day: the saved messages are of a later one and must not be used.
    earlier = end - dt.timedelta(days=35)
    same(run(book, earlier, tmp_path), run(book, earlier))


# What changes history ------------------------------------------------------------------------


def _with(book: Logbook, old: CheckIn, **changes: object) -> Logbook:
    """The log with one check-in changed."""
    new = replace(old, **changes)  # type: ignore[arg-type]
    return replace(book, checkins=tuple(new if c is old else c for c in book.checkins))


def _and(book: Logbook, event: Event) -> Logbook:
    """The log with one event more."""
    return replace(book, events=tuple(sorted((*book.events, event), key=lambda e: e.date)))


def _edit(book: Logbook, what: str) -> Logbook:
    """Change something of the first tank's past."""
    name, tank = next(iter(book.tanks.items()))
    mine = [c for c in book.checkins if c.tank == name]
    third = mine[2]
    if what == "removed check-in":
        return replace(book, checkins=tuple(c for c in book.checkins if c is not third))
    if what == "another answer":
        sign, seen = next(iter(third.signs.items()))
        return _with(book, third, signs={**third.signs, sign: not seen})
    if what == "another look":
        return _with(book, third, look="torch" if third.look != "torch" else "glance")
    if what == "a reading":
        old = next(c for c in mine if "nitrate" in c.readings)
        found = old.readings["nitrate"]
        higher = replace(found, low=found.low + 7, high=found.high + 9, best=found.best + 8)
        return _with(book, old, readings={**old.readings, "nitrate": higher})
    if what == "removed event":
        first = next(e for e in book.events if e.tank == name)
        return replace(book, events=tuple(e for e in book.events if e is not first))
    if what.startswith("another event"):
        # After the last look of its week, or on the day of a look.
        looks = {(c.date - tank.started).days // 7: c.date for c in mine}
        day = next(
            d for week, d in looks.items() if 2 < week < 12 and (d - tank.started).days % 7 < 6
        )
        return _and(book, Event(name, day + dt.timedelta(days=what.endswith("late")), "crash"))
    changes: dict[str, object] = {"rock": "live" if tank.rock != "live" else "dry"}
    if what == "start":
        changes = {"started": tank.started - dt.timedelta(days=7)}
    return replace(book, tanks={**book.tanks, name: replace(tank, **changes)})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "what",
    [
        "removed check-in", "another answer", "another look", "a reading", "removed event",
        "another event", "another event, late", "rock", "start",
    ],
)  # fmt: skip
def test_edited_history_is_filtered_again(what: str, tmp_path: Path, steps: Steps) -> None:
    book = simulated(8)
    end = last_day(book)
    before = run(book, end, tmp_path)
    edited = _edit(book, what)
    steps.taken()
    mine = run(edited, end, tmp_path)
    name = next(iter(book.tanks))
    # That tank from the start; the others' open weeks.
    assert steps.taken() == (len(mine[name].day), len(mine) - 1)
    same(mine, run(edited, end))
    if what != "start":
        # The columns of probabilities: k may be infinite.
        assert np.abs(mine[name].values[:, :6] - before[name].values[:, :6]).max() > 1e-6


def test_what_another_tank_says_of_water_changes(tmp_path: Path, steps: Steps) -> None:
    # A keeper's first logged water change is another tank's: this one's husbandry is then
    # known, although none of its rows has changed.
    book = simulated(8)
    first, second = list(book.tanks)[:2]
    assert book.tanks[first].keeper == book.tanks[second].keeper
    end = last_day(book)
    without = replace(book, events=tuple(e for e in book.events if e.kind != "water_change"))
    before = run(without, end, tmp_path)
    day = book.tanks[second].started + dt.timedelta(days=30)
    known = _and(without, Event(second, day, "water_change", 30.0))
    steps.taken()
    mine = run(known, end, tmp_path)
    assert steps.taken() == (len(mine[first].day) + len(mine[second].day), 2)
    same(mine, run(known, end))
    assert np.abs(mine[first].values[:, :6] - before[first].values[:, :6]).max() > 1e-6


def test_another_model_is_filtered_again(tmp_path: Path, steps: Steps, stored: Logbook) -> None:
    end = last_day(stored)
    for drawn, weight in ((population(4), 0.7), (population(), 0.6), (population(3, 8), 0.7)):
        mine = run(stored, end, tmp_path, drawn, weight)
        assert steps.taken() == (sum(len(s.day) for s in mine.values()), 0)
        same(mine, run(stored, end, None, drawn, weight))
        steps.taken()


def test_notes_and_names_of_observers_change_nothing(
    tmp_path: Path, steps: Steps, stored: Logbook
) -> None:
    looks = tuple(replace(c, note="new", observer="x") for c in stored.checkins)
    run(replace(stored, checkins=looks), last_day(stored), tmp_path)
    assert steps.taken() == (0, 4)


@pytest.mark.parametrize("whose", ["keepers", "tanks", "both"])
def test_what_the_pool_knew_of_a_tank_counts_as_in_an_assessment(
    whose: str, tmp_path: Path, steps: Steps
) -> None:
    book, _ = random_log(2)
    end = last_day(book)
    # Draws enough for weights that can be trusted, and so differ.
    drawn = population(3, 128)
    skill = {"k": np.random.default_rng(1).normal(0, 1.5, 128)} if whose != "tanks" else {}
    fitted = end - dt.timedelta(days=20)
    members = make_members(member_rows(book), skill, fitted, salt=b"0123456789abcdef")
    if whose == "keepers":
        members = replace(members, tanks={})
    known = replace(drawn, members=members)
    before = run(book, end - dt.timedelta(days=7), tmp_path, known)
    steps.taken()
    mine = run(book, end, tmp_path, known)
    full, new = steps.taken()
    assert (full, new) == (0, 2 * len(before))
    same(mine, run(book, end, None, known))
    answers = assess(build_panel(book), known, evidence_weight=0.7, questions=False)
    as_assessed(mine, answers)
    strangers = run(book, end, None, drawn)
    phases = [(s.values[:, :4], strangers[name].values[:, :4]) for name, s in mine.items()]
    assert sum(np.abs(known - unknown).max() > 1e-6 for known, unknown in phases) >= 2
    # Messages saved with the pool's knowledge must not be used without it.
    steps.taken()
    run(book, end, tmp_path, drawn)
    assert steps.taken()[0] > 0


def test_a_log_that_grows_too_long_for_all_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(filtering, "FULL_WEEKS", 6)
    book, _ = random_log(3)
    end = last_day(book)
    for weeks in range(6, -1, -1):
        as_of = end - dt.timedelta(days=7 * weeks)
        mine = run(book, as_of, tmp_path)
        same(mine, run(book, as_of))
    answers = assess(build_panel(book), population(), evidence_weight=0.7, questions=False)
    assert any(t.reweighting.draws == 10 for t in answers.tanks)
    as_assessed(mine, answers)


# A store that is not to be trusted -----------------------------------------------------------


@pytest.mark.parametrize(
    "harm",
    [
        lambda d: b"",
        lambda d: bytes(d[:50]),
        lambda d: bytes(d[:-1]),
        lambda d: bytes(d) + b"x",
        lambda d: bytes(d[:200] + bytes([d[200] ^ 1]) + d[201:]),
        lambda d: b"\x80\x04." + bytes(d),
        lambda d: bytes(d[:64] + (2**62).to_bytes(8, "little") + d[72:]),
        lambda d: bytes(d[:64] + (-1).to_bytes(8, "little", signed=True) + d[72:]),
        lambda d: bytes(d[:64] + (3).to_bytes(8, "little") + d[72:]),
    ],
)
def test_a_damaged_store_is_no_store(
    harm: Callable[[bytearray], bytes], tmp_path: Path, steps: Steps, stored: Logbook
) -> None:
    for path in tmp_path.glob("*/*.bin"):
        path.write_bytes(harm(bytearray(path.read_bytes())))
    mine = run(stored, last_day(stored), tmp_path)
    assert steps.taken() == (sum(len(s.day) for s in mine.values()), 0)
    same(mine, run(stored, last_day(stored)))


def test_a_name_is_no_path(tmp_path: Path) -> None:
    store = FilterStore(tmp_path / "state", "m")
    for name in ("../../etc/x", "/abs", "a\x00b", "\udc80", "x" * 5000):
        assert store.path(name).relative_to(tmp_path / "state")
        assert len(store.path(name).name) == 36
