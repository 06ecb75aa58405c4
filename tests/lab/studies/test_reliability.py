"""Reliability: the committed scores, each part by hand, and a smaller run of the study."""

from __future__ import annotations

import datetime as dt
import itertools
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices
from maturity_model.lab.studies import reliability as study
from maturity_model.lab.studies import reliability_forecasts as forecasts
from maturity_model.lab.studies.baselines import favourable, frequencies
from maturity_model.lab.studies.scores import (
    BASELINES,
    BINS,
    JUDGES,
    KNOWING,
    brier_by_club,
    calibration_error,
    reliability_curve,
    score,
    skill_intervals,
    skill_of_knowing,
    skills,
)
from maturity_model.lab.studies.settings import Reliability
from maturity_model.logbook import CheckIn, Event, Reading, Tank

REPORT = Path(__file__).parents[3] / "reports" / "reliability"
START = dt.date(2024, 1, 1)
ALL, QUIET, DRAWN = forecasts.ALL, forecasts.QUIET, forecasts.DRAWN
#: Wanted: a smaller calibration error, and skill above 0.
LARGEST_ERROR = 0.03
KEY = ["half", "target", "weeks"]
ROWS = [
    (half, target, weeks)
    for target in forecasts.TARGETS
    for weeks in ((ALL,) if target == "phase" else (ALL, QUIET, DRAWN))
    for half in ("model", "shifted", "both")
]


# -- what is committed ---------------------------------------------------------------------


def test_the_committed_scores_reach_what_is_wanted() -> None:
    scores = study.read(REPORT)[0].set_index(KEY)
    assert list(scores.index) == ROWS
    assert (scores["calibration_error"] < LARGEST_ERROR).all()
    phase = scores.xs("phase", level="target")
    assert (phase["forecasts"] >= [60 * 150, 60 * 150, 60 * 300]).all()
    assert (phase[[f"skill_{name}" for name in BASELINES]] > 0).all(axis=None)
    # The risk of slipping back is stated for weeks without further events.
    risk = scores.drop("phase", level="target").xs(QUIET, level="weeks")
    assert (risk[[f"skill_{n}" for n in ("age", "readings_table", "checklist")]] > 0).all(axis=None)
    text = (REPORT / "README.md").read_text(encoding="utf-8")
    assert "All of these are reached." in text


def test_the_committed_curves_give_the_committed_errors() -> None:
    scores, curves = study.read(REPORT)
    own = curves[curves["bins"] == BINS]
    gap = (own["stated"] - own["observed"]).abs() * own["n"]
    by_row = gap.groupby([own[k] for k in KEY]).sum() / own.groupby(KEY)["n"].sum()
    wanted = scores.set_index(KEY)["calibration_error"]
    np.testing.assert_allclose(by_row[wanted.index], wanted, atol=2e-5)


@pytest.mark.parametrize("target", forecasts.TARGETS)
def test_the_committed_figures_say_what_they_show(target: str) -> None:
    scores, curves = study.read(REPORT)
    text = (REPORT / f"{target}.svg").read_text(encoding="utf-8")
    assert "<title>Reliability of P(" in text
    weeks = ALL if target == "phase" else QUIET
    error = scores.set_index(KEY)["calibration_error"]
    for half in ("model", "shifted"):
        assert f"{half}: expected calibration error {error[half, target, weeks]:.4f}" in text
    dots = study.drawn(curves, target)
    assert set(dots["half"]) == {"model", "shifted"}
    assert len(dots) >= 10
    assert (dots["n"] >= study.FEWEST).all()


# -- sums and scores -----------------------------------------------------------------------


def frame(stated: Any, chance: Any, others: Any, club: Any) -> pd.DataFrame:
    """Forecasts; ``others`` is what each judge states, (N, M) or a number for all."""
    columns = {"stated": stated, "chance": chance, **dict(zip(JUDGES, others, strict=True))}
    shape = np.shape(stated)
    flat = {k: np.broadcast_to(v, shape).ravel().astype(float) for k, v in columns.items()}
    return pd.DataFrame(flat).assign(club=np.repeat(club, shape[1]))


def some_forecasts(m: int = 4, n: int = 400, clubs: int = 5) -> tuple[pd.DataFrame, Any, Any, Any]:
    rng = np.random.default_rng(3)
    stated = rng.dirichlet(np.ones(m), n)
    truth = np.array([rng.choice(m, p=p) for p in stated])
    others = [rng.dirichlet(np.ones(m), n) for _ in JUDGES]
    club = np.repeat(np.arange(clubs), n // clubs)
    return frame(stated, truth[:, None] == np.arange(m), others, club), stated, truth, others


def test_error_and_skill_are_those_of_the_other_study() -> None:
    found, stated, truth, others = some_forecasts()
    want = score(stated, truth)
    error = calibration_error(found["stated"], found["chance"])
    assert error == pytest.approx(want.calibration_error, abs=1e-12)
    by_hand = [1 - want.brier / score(p, truth).brier for p in others[:-1]]
    np.testing.assert_allclose(skills(found), by_hand, rtol=1e-12)
    knowing = 1 - score(others[-1], truth).brier / score(others[0], truth).brier
    assert skill_of_knowing(found) == pytest.approx(knowing, rel=1e-12)


def test_error_of_a_forecaster_who_is_always_too_low() -> None:
    # Stated 0.1 and 0.5, observed 0.2 and 0.7; three of four forecasts are the first.
    stated = np.repeat([0.1, 0.5], [30, 10])[:, None]
    happened = ((np.arange(40) < 6) | (np.arange(40) >= 33))[:, None]
    found = frame(stated, happened, [0.5] * len(JUDGES), np.zeros(40, dtype=np.int64))
    for bins in (BINS, study.FINE):
        error = calibration_error(found["stated"], found["chance"], bins)
        assert error == pytest.approx(0.75 * 0.1 + 0.25 * 0.2)
    brier = (6 * 0.81 + 24 * 0.01 + 10 * 0.25) / 40
    np.testing.assert_allclose(skills(found), 1 - brier / 0.25)
    # A single club: every resampling is the same.
    ends = skill_intervals(found, 1)
    np.testing.assert_allclose(ends, np.tile(skills(found), (2, 1)).T)
    curve = reliability_curve(found, BINS, 1)
    assert curve["bin"].tolist() == [1, 7]
    assert curve["n"].tolist() == [30, 10]
    np.testing.assert_allclose(curve["stated"], [0.1, 0.5])
    for name in ("observed", "observed_low", "observed_high"):
        np.testing.assert_allclose(curve[name], [0.2, 0.7])


def test_a_bin_that_one_club_fills_has_no_interval() -> None:
    # Left out by (1 - 1/3)^3 = 0.3 of the resamplings.
    found = frame(np.full((3, 1), 0.1), np.ones((3, 1)), [0.5] * len(JUDGES), np.arange(3))
    found.loc[2, "stated"] = 0.9
    curve = reliability_curve(found, BINS, 1)
    assert curve["bin"].tolist() == [1, 13]
    assert curve["observed_low"].isna().tolist() == [False, True]


def test_intervals_hold_the_skills_and_both_halves_all_clubs() -> None:
    found, *_ = some_forecasts()
    ends = skill_intervals(found, 7)
    assert (ends["low"] < skills(found)).all()
    assert (skills(found) < ends["high"]).all()
    halves = [found.assign(half=h, target="phase", weeks=ALL) for h in ("model", "shifted")]
    scores = study.summarise(pd.concat(halves), 7)[0].set_index("half")
    assert list(scores.index) == ["model", "shifted", "both"]
    assert scores["forecasts"].tolist() == [400, 400, 800]
    np.testing.assert_allclose(scores["brier"], scores["brier"].iloc[0])
    # Twice the clubs leave less to chance.
    width = scores["skill_age_high"] - scores["skill_age_low"]
    assert width["both"] < width["model"]


# -- truth and what simple judges see ------------------------------------------------------


def reading(best: float) -> Reading:
    return Reading(f"{best:g}", best, best, best, "mg/L", "colour_chart")


def one_tank(phases: list[int], events: tuple[Event, ...], checkins: tuple[CheckIn, ...]) -> Any:
    logbook = SimpleNamespace(
        tanks={"a": Tank("a", START, rock="live")},
        events=events,
        checkins=checkins,
        catalogue=load_catalogue(),
    )
    # Moves of one stage a phase, whatever was drawn: 0.6 stay, 0.3 advance, 0.1 set back.
    moves = np.zeros((len(phases) - 1, 19))
    moves[:, 0:4], moves[:, 4:8], moves[:, 9:12] = 0.6, 0.3, 0.1
    moves[:, 16:18] = 0.9, 0.1
    states = (np.array(phases),)
    return SimpleNamespace(
        logbook=logbook, phases=states, states=states, moves=(moves,), n_stages=1
    )


def day(week: int, days: int = 1) -> dt.date:
    return START + dt.timedelta(days=7 * week + days)


def test_truth_of_a_tank_that_slips_once() -> None:
    phases = [0, 1, 1, 2, 2, 2, 1, 2, 2, 2, 2, 2, 2, 2]
    events = (
        Event("a", day(0), "water_change", 20.0),
        Event("a", day(2), "water_change", 20.0),
        Event("a", day(5, 6), "deep_clean"),
    )
    truth = forecasts.truth_of(one_tank(phases, events, ()), 6)
    assert truth[KNOWING].tolist() == phases[:6]
    assert forecasts.outcomes(truth, "phase").argmax(axis=1).tolist() == phases[:6]
    # The slip is into week 6, from phase 2; seen from phase 1, that is no lower phase.
    slips = [False, False, False, True, True, True]
    for name in ("regression_4", "regression_8"):
        assert forecasts.outcomes(truth, name, DRAWN)[:, 0].tolist() == slips
        assert ((truth[f"chance_{name}"] >= 0) & (truth[f"chance_{name}"] < 1)).all()
    assert forecasts.weeks_of(truth, "phase", ALL).all()
    # The event of week 5 is ahead in weeks 1 to 4 (within 4), 0 to 4 (within 8).
    assert truth["quiet_regression_4"].tolist() == [True, False, False, False, False, True]
    assert truth["quiet_regression_8"].tolist() == [False] * 5 + [True]


def test_the_chance_of_slipping_against_all_futures() -> None:
    # Every path of the next weeks, its chance multiplied out.
    rng = np.random.default_rng(8)
    chain, weeks, horizon = StagedChain(3, 2), 3, 4
    hazards = rng.uniform(0.02, 0.8, (3, weeks + horizon - 1, 3, 1))
    moves = move_probabilities(*hazards)[..., 0]
    matrices = transition_matrices(moves, chain)
    states = np.array([5, 3, 1, 0, 0, 0, 0])
    found = forecasts.chance_of_slipping(states, moves, chain, horizon, weeks)
    for t in range(weeks):
        chance = 0.0
        for path in itertools.product(range(6), repeat=horizon):
            steps = zip((states[t], *path[:-1]), path, matrices[t : t + horizon], strict=True)
            if min(path) // 2 < states[t] // 2:
                chance += np.prod([m[a, b] for a, b, m in steps])
        assert found[t] == pytest.approx(chance, abs=1e-12)
    assert found[2] == 0.0  # nothing lies below the first phase


@pytest.mark.slow
def test_expected_sums_are_the_mean_of_drawn_ones() -> None:
    rng = np.random.default_rng(9)
    chance, stated = rng.random((60, 1)), rng.random((60, 1))
    expected = frame(stated, chance, [0.5] * len(JUDGES), np.arange(60) % 2)
    brier = brier_by_club(expected)
    drawn = [
        brier_by_club(expected.assign(chance=(rng.random(60) < chance[:, 0]).astype(float)))
        for _ in range(1500)
    ]
    np.testing.assert_allclose(sum(drawn) / len(drawn), brier, rtol=0.02)


def test_what_simple_judges_see() -> None:
    signs = favourable(load_catalogue())
    assert {"copepods", "coralline_algae"} <= set(signs)
    assert not {"diatoms", "film_algae", "hair_algae"} & set(signs)
    checkins = (
        CheckIn("a", day(1), signs={"copepods": True, "diatoms": True, "amphipods": False}),
        CheckIn("a", day(2), readings={"ammonia": reading(0.5)}),
        CheckIn("a", day(3), signs={"copepods": True, "amphipods": True}),
        CheckIn("a", day(4), readings={"ammonia": reading(0.0), "nitrite": reading(1.0)}),
    )
    truth = forecasts.truth_of(one_tank([0] * 20, (), checkins), 12)
    cells = truth
    assert cells["checklist"].tolist() == [0, 1, 1, 2, 2, 2, 2, 0, 0, 0, 0, 0]
    # 3 times (not measured, not found, found) of ammonia, and the same of nitrite.
    state = [0, 0, 6, 6, 5, 5, 5, 5, 0, 0, 0, 0]
    assert (cells["readings_table"] % 9).tolist() == state
    assert (cells["readings_table"] // 9).tolist() == np.repeat([0, 1, 2], 4).tolist()
    assert len(set(cells["age"].tolist())) == 12
    assert cells[KNOWING].tolist() == [0] * 12


def test_frequencies_lean_on_the_mean_where_little_was_seen() -> None:
    cells = np.array([0, 0, 0, 2])
    happened = np.array([[True], [True], [False], [False]])
    found = frequencies(cells, happened, 4)[:, 0]
    np.testing.assert_allclose(found, [2.5 / 4, 0.5, 0.25, 0.5])
    phases = np.arange(4)[:, None] == np.arange(4)
    np.testing.assert_allclose(frequencies(cells, phases, 4).sum(axis=1), 1.0)


# -- the whole -----------------------------------------------------------------------------


TINY = Reliability(tanks=8, weeks=12, seed=77)


@cache
def tiny() -> pd.DataFrame:
    halves = [
        forecasts.forecasts_of(half, 4, 12, 770 + 2 * i, 2, 120)
        for i, half in enumerate(forecasts.HALVES)
    ]
    return pd.concat(halves, ignore_index=True)


def test_a_tiny_run_counts_every_tank_week_once() -> None:
    found = dict(list(tiny().groupby(KEY)))
    assert set(found) == {row for row in ROWS if row[0] != "both"}
    for (half, target, weeks), f in found.items():
        n = 4 * 12
        if weeks == ALL:
            assert len(f) == n * (4 if target == "phase" else 1)
        else:
            assert 0 < len(f) < n
        assert f[["stated", "chance", *JUDGES]].stack().between(0, 1 + 1e-12).all()
        if weeks == DRAWN:
            same = found[half, target, QUIET]["stated"]
            np.testing.assert_array_equal(f["stated"], same)
            assert f["chance"].isin([0, 1]).all()
    phase = found["model", "phase", ALL]
    assert phase["stated"].sum() == pytest.approx(48)
    assert phase["chance"].sum() == 48
    # Knowing the phase leaves no mistake about it, save for the one more tank-week.
    assert brier_by_club(phase)[KNOWING].sum() < 0.1
    four, eight = (found["model", f"regression_{h}", ALL]["stated"].sum() for h in (4, 8))
    assert 0 < four < eight


@pytest.mark.slow
def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    ran = study.run(TINY, clubs=2, training=120)
    again = study.summarise(tiny(), TINY.seed)
    for a, b in zip(ran, again, strict=True):
        pd.testing.assert_frame_equal(a, b, check_exact=True)
    assert list(ran[0].set_index(KEY).index) == ROWS
    study.page(ran, TINY).write(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in REPORT.iterdir())
    assert study.page(again, TINY).files["phase.svg"] == (tmp_path / "phase.svg").read_text("utf-8")
    scores, curves = study.read(tmp_path)
    assert list(scores) == list(study.read(REPORT)[0])
    assert list(curves) == list(study.read(REPORT)[1])


def test_a_missed_target_is_told(tmp_path: Path) -> None:
    n = 40
    half = (np.arange(n) % 2 == 0)[:, None]
    poor = frame(np.full((n, 1), 0.9), half, [0.5] * len(JUDGES), np.repeat([0, 1], n // 2))
    good = frame(np.full((n, 1), 0.5), half, [0.9] * len(JUDGES), np.repeat([0, 1], n // 2))
    name = {"half": "model", "target": "regression_4"}
    rest = tiny()[~((tiny()["half"] == "model") & (tiny()["target"] == "regression_4"))]
    drawn = tiny()[(tiny()["target"] == "regression_4") & (tiny()["weeks"] == DRAWN)]
    found = pd.concat(
        [rest, drawn[drawn["half"] == "model"], poor.assign(weeks=QUIET, **name),
         good.assign(weeks=ALL, **name)], ignore_index=True,
    )  # fmt: skip
    results = study.summarise(found, 77)
    misses = [m for m in study.missed(results[0]) if m.startswith("regression_4, model")]
    assert misses[0] == "regression_4, model, weeks: no events: calibration error 0.4000"
    assert [m.rpartition(" against ")[2] for m in misses[1:]] == [
        "age",
        "readings, table",
        "checklist",
    ]
    text = study.page(results, TINY).markdown()
    assert "**Missed:**" in text
    for miss in misses:
        assert f"- **{miss}**" in text
        assert f"missed: {miss}" in study.summary(results, TINY)


def test_too_few_tanks_are_refused() -> None:
    with pytest.raises(ValueError, match="too few"):
        study.run(Reliability(tanks=2 * study.CLUBS - 2, weeks=12, seed=1))


@pytest.mark.slow
def test_another_seed_agrees() -> None:
    scores = study.run(Reliability(seed=4321), processes=2)[0].set_index(KEY)
    # Twice the least noise that 30 clubs leave would still be below this.
    assert (scores["calibration_error"] < LARGEST_ERROR).all()
    phase = scores.xs("phase", level="target")
    assert (phase[[f"skill_{name}" for name in BASELINES]] > 0.15).all(axis=None)
    for h in (4, 8):
        # Slips are few: the interval, not the estimate, must reach above 0.
        risk = scores.loc["both", f"regression_{h}", QUIET]
        assert (risk[[f"skill_{name}_high" for name in BASELINES]] > 0).all()
        assert risk["forecasts"] * risk["observed"] > 100
