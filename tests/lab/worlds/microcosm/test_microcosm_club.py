"""The third world as a whole: its books, its tanks, its logs, and where it is offered."""

from __future__ import annotations

import ast
import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest

import maturity_model.lab.worlds.microcosm as microcosm
from maturity_model.lab.worlds import presets, simulate
from maturity_model.lab.worlds.microcosm import PHASES, World, live
from maturity_model.lab.worlds.microcosm.tanks import ROCK

START = dt.date(2015, 1, 5)
DAYS = 420


@pytest.fixture(scope="module")
def club() -> World:
    return live(100, DAYS, 3, START, judged=0.3)


def day_of(row: dict[str, str]) -> int:
    return (dt.date.fromisoformat(row["date"]) - START).days


def test_it_imports_nothing_of_the_package() -> None:
    folder = Path(microcosm.__file__).parent
    files = sorted(folder.glob("*.py"))
    assert len(files) > 5
    for path in files:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            elif isinstance(node, ast.ImportFrom):
                # A relative import stays within the folder.
                assert node.level == 1
                continue
            else:
                continue
            tops = {name.partition(".")[0] for name in names}
            assert tops <= {"numpy", *sys.stdlib_module_names}, path.name


# The tanks ---------------------------------------------------------------------------------


def reached(phases: np.ndarray, phase: int) -> np.ndarray:
    """First day of each tank at or beyond a phase; the number of days where it never is."""
    there = phases >= phase
    return np.where(there.any(0), there.argmax(0), len(phases))


def test_dry_rock_is_later_than_live_rock(club: World) -> None:
    rock = np.array([ROCK.index(row["rock"]) for row in club.tanks])
    assert min(np.bincount(rock, minlength=3)) >= 10
    for phase in (1, 2, 3):
        days = reached(club.phases, phase)
        medians = [np.median(days[rock == kind]) for kind in range(3)]
        assert medians[0] > medians[2], PHASES[phase]
        assert medians[0] >= medians[1] >= medians[2], PHASES[phase]


def test_phases_come_when_keepers_expect_them(club: World) -> None:
    # Common practice, no source: cycling takes weeks from dry rock and fewer from live rock;
    # most tanks mature within 6 to 18 months, hardly any before 3.
    rock = np.array([row["rock"] for row in club.tanks])
    weeks = reached(club.phases, 1) / 7
    assert 3 <= np.median(weeks[rock == "dry"]) <= 8
    assert 1 <= np.median(weeks[rock == "live"]) <= 3
    mature = reached(club.phases, 3) / 30.4
    assert (mature < 3.0).mean() < 0.05
    assert 0.5 < (mature < 13.8).mean() < 0.98


@pytest.mark.slow
def test_a_crash_sets_back() -> None:
    # Chance to be lower 21 days on or sooner, after a crash that was logged and on any day.
    after, others = [], []
    for seed in range(4):
        found = live(100, 300, seed, START)
        column = {row["tank"]: i for i, row in enumerate(found.tanks)}
        lowest = np.lib.stride_tricks.sliding_window_view(found.phases, 22, axis=0).min(-1)
        fell = lowest[1:] < found.phases[: len(lowest) - 1]
        up = found.phases[: len(fell)] > 0
        crashed = np.zeros_like(fell)
        for row in found.events:
            day = day_of(row)
            if row["event"] == "crash" and 0 < day <= len(fell):
                crashed[day - 1, column[row["tank"]]] = True
        after.append(fell[crashed & up])
        others.append(fell[~crashed & up])
    assert np.concatenate(after).size > 40
    assert np.concatenate(after).mean() > 3 * np.concatenate(others).mean()


# Seeds and batches -------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_rows() -> None:
    one, two = (live(5, 90, 7, START, judged=0.4) for _ in range(2))
    for table in ("tanks", "checkins", "events", "kits"):
        assert getattr(one, table) == getattr(two, table)
    np.testing.assert_array_equal(one.phases, two.phases)


def test_another_batch_is_other_tanks_of_the_same_world() -> None:
    one, two = live(40, 60, 7, START), live(40, 60, 7, START, batch=3)
    assert not np.array_equal(one.states["ammonia"], two.states["ammonia"])
    for column in ("tank", "keeper"):
        assert not {r[column] for r in one.tanks} & {r[column] for r in two.tanks}
    assert two.tanks[1]["tank"] == "tank-3-0001"
    assert two.tanks[0]["keeper"] == "keeper-3-0000"


def test_judging_changes_nothing_else(club: World) -> None:
    plain = live(100, DAYS, 3, START)
    assert plain.events == club.events
    assert plain.checkins == [row | {"judged_phase": ""} for row in club.checkins]
    np.testing.assert_array_equal(plain.phases, club.phases)


# What is written down ----------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_the_share_judged_is_exact(share: float) -> None:
    found = live(20, 200, 5, START, judged=share)
    judged = {row["tank"] for row in found.checkins if row["judged_phase"]}
    assert len(judged) == round(share * 20)


def test_judgements_are_about_as_right_as_asked_and_mostly_late(club: World) -> None:
    column = {row["tank"]: i for i, row in enumerate(club.tanks)}
    rows = [row for row in club.checkins if row["judged_phase"]]
    found = np.array([PHASES.index(row["judged_phase"]) for row in rows])
    true = np.array([club.phases[day_of(row), column[row["tank"]]] for row in rows])
    # A repeated judgement may be right or wrong; 0.8 is that of a fresh one.
    assert 0.68 < (found == true).mean() < 0.88
    assert (found < true).sum() > (found > true).sum()


def test_signs_follow_the_phases(club: World) -> None:
    column = {row["tank"]: i for i, row in enumerate(club.tanks)}
    phase = np.array([club.phases[day_of(row), column[row["tank"]]] for row in club.checkins])

    def seen(sign: str, k: int) -> float:
        said = [r[sign] == "y" for r, p in zip(club.checkins, phase, strict=True)
                if p == k and sign in r]  # fmt: skip
        return float(np.mean(said))

    for sign in ("copepods", "amphipods", "spirorbid_worms", "coralline_algae"):
        assert seen(sign, 0) < seen(sign, 3)
    assert seen("diatoms", 0) > seen("diatoms", 3)
    assert seen("hair_algae", 1) > seen("hair_algae", 3)


def test_without_sand_there_are_no_sand_signs(club: World) -> None:
    bare = {row["tank"] for row in club.tanks if row["sand_depth_mm"] == "0"}
    assert bare
    for row in club.checkins:
        if row["tank"] in bare:
            assert not {"sand_worm_tubes", "sand_gas_bubbles"} & row.keys()


@pytest.mark.parametrize(
    "wrong",
    [
        {"n_tanks": 0}, {"days": 0}, {"seed": -1}, {"batch": -1}, {"judged": 1.1},
        {"judge_accuracy": -0.1},
    ],
)  # fmt: skip
def test_wrong_arguments_are_refused(wrong: dict[str, object]) -> None:
    plain: dict[str, object] = {"n_tanks": 1, "days": 5, "seed": 0, "start": START}
    with pytest.raises(ValueError):
        live(**(plain | wrong))  # type: ignore[arg-type]


# Where it is offered -----------------------------------------------------------------------


def test_its_logbook_is_read_without_errors() -> None:
    found = simulate("microcosm", 40, 60, 2, batch=1, judged=0.2)
    assert [p for p in found.logbook.problems if p.severity == "error"] == []
    assert found.preset == "usual"
    days = live(40, 7 * 61, 2, found.logbook.tanks["tank-1-0000"].started, batch=1).phases
    np.testing.assert_array_equal(found.truth, days[6::7].T)


def test_it_takes_its_own_preset_and_breaks_nothing() -> None:
    assert list(presets("microcosm")) == ["usual"]
    with pytest.raises(ValueError, match="not a preset of the microcosm world"):
        simulate("microcosm", 1, 5, 1, preset="typical")
    with pytest.raises(ValueError, match="no assumptions to break"):
        simulate("microcosm", 1, 5, 1, broken=("kit_bias",))
