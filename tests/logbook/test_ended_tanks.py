"""Tanks that have ended or were started again, and signs that cannot be in a tank."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from maturity_model.logbook import Logbook, read_logbook
from maturity_model.panel import build_panel

TODAY = dt.date(2026, 11, 30)


def book(folder: Path, tank: str, checkins: list[str], columns: str = "diatoms") -> Logbook:
    folder.mkdir(exist_ok=True)
    (folder / "tanks.csv").write_text(f"tank,started,ended,restarted,sand_depth_mm\n{tank}\n")
    (folder / "checkins.csv").write_text(f"tank,date,{columns}\n" + "\n".join(checkins) + "\n")
    return read_logbook(folder, today=TODAY)


DATES = ["2026-01-10", "2026-03-01", "2026-03-02", "2026-05-01", "2026-06-01"]
ROWS = [f"Reef,{d},y" for d in DATES]


@pytest.mark.parametrize(
    ("ended", "restarted", "used", "refused", "set_aside", "gone"),
    [
        ("2026-03-01", "", DATES[:2], 3, 0, True),
        ("", "2026-05-01", DATES[3:], 0, 3, False),
        # Between an end and a restart there is no tank.
        ("2026-03-01", "2026-05-01", DATES[3:], 1, 2, False),
        # Started again, and ended since.
        ("2026-05-20", "2026-05-01", DATES[3:4], 1, 3, True),
    ],
)
def test_a_tank_has_rows_from_its_last_start_to_its_end(
    tmp_path: Path, ended: str, restarted: str, used: list[str], refused: int, set_aside: int,
    gone: bool,
) -> None:  # fmt: skip
    got = book(tmp_path, f"Reef,2026-01-01,{ended},{restarted},", ROWS)
    tank = got.tanks["Reef"]
    assert [c.date.isoformat() for c in got.checkins] == used
    count = got.rows[1]
    assert (count.read, count.refused, count.set_aside) == (5, refused, set_aside)
    assert tank.gone(TODAY) == gone
    assert str(tank.started) == (restarted or "2026-01-01")
    assert tank.earlier_start == (dt.date(2026, 1, 1) if restarted else None)
    rows = [p for p in got.problems if p.scope == "row" and p.severity == "error"]
    assert len(rows) == refused
    assert all(f"after the tank ended ({ended})" in p.what for p in rows)
    said = [p for p in got.problems if "set aside" in p.what]
    assert [p.severity for p in said] == ["settled"] * bool(set_aside)
    assert all(f"({set_aside} times, here first)" in p.what for p in said)


@pytest.mark.parametrize("cells", ["2025-12-31,", ",2025-12-31", "2026-13-01,", ",2027-01-01"])
def test_a_bad_end_or_restart_is_not_used_and_withholds(tmp_path: Path, cells: str) -> None:
    got = book(tmp_path, f"Reef,2026-01-01,{cells},", ROWS)
    assert [c.date.isoformat() for c in got.checkins] == DATES
    tank = got.tanks["Reef"]
    assert (tank.started, tank.ended, tank.earlier_start) == (dt.date(2026, 1, 1), None, None)
    (problem,) = got.problems
    assert (problem.scope, problem.tank) == ("cell", "Reef")
    assert got.refused_lately(TODAY) == (problem,)


def test_a_tank_runs_until_an_end_that_is_planned(tmp_path: Path) -> None:
    got = book(tmp_path, "Reef,2026-01-01,2026-12-24,,", ROWS)
    assert not got.problems
    assert not got.tanks["Reef"].gone(TODAY)
    assert build_panel(got, as_of=TODAY).week_ends(0)[-1] == TODAY


def test_a_tank_without_sand_has_no_answers_about_sand(tmp_path: Path) -> None:
    columns = "sand_worm_tubes,sand_gas_bubbles,diatoms"
    rows = ["Reef,2026-01-10,n,n,y", "Reef,2026-01-20,y,n,n"]
    bare = book(tmp_path / "bare", "Reef,2026-01-01,,,0", rows, columns)
    assert [c.signs for c in bare.checkins] == [{"diatoms": True}, {"diatoms": False}]
    (seen,) = [p for p in bare.problems if p.scope == "cell" and p.severity == "error"]
    assert (seen.line, seen.column, seen.tank) == (3, "sand_worm_tubes", "Reef")
    settled = {p.column: p.what for p in bare.problems if p.severity == "settled"}
    assert "(2 times" in settled["sand_gas_bubbles"]
    assert "sand_worm_tubes" in settled
    # A blank depth is unknown, so every answer counts.
    unknown = book(tmp_path / "unknown", "Reef,2026-01-01,,,", rows, columns)
    assert [len(c.signs) for c in unknown.checkins] == [3, 3]
    assert not unknown.problems


def test_the_grid_of_a_tank_stops_at_its_end(tmp_path: Path) -> None:
    got = book(tmp_path, "Reef,2026-01-01,2026-03-01,,", ROWS[:2])
    panel = build_panel(got, as_of=TODAY)
    assert len(panel.checked) == 9
    assert panel.week_ends(0)[-1] == dt.date(2026, 3, 1)
    assert got.tanks["Reef"].gone(dt.date(2026, 3, 1))
    # On a day before its end it still runs.
    assert not got.tanks["Reef"].gone(dt.date(2026, 2, 28))
    assert build_panel(got, as_of=dt.date(2026, 2, 1)).week_ends(0)[-1] == dt.date(2026, 2, 1)
