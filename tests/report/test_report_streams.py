"""A report is written page by page: memory does not grow with the tanks, promises stay."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from report.example import example_assessment, example_tank, lasting

import maturity_model.report as report
from maturity_model.assessment.types import Assessment
from maturity_model.report import write_reports

MIB = 2**20


def club(n: int, weeks: int = 3) -> Assessment:
    """Tanks that share their arrays, so that nothing but the report takes memory."""
    one = lasting(example_tank(), weeks)
    tanks = tuple(replace(one, tank=replace(one.tank, name=f"Tank {i}")) for i in range(n))
    return example_assessment(tanks)


def peak(assessment: Assessment, out: Path) -> float:
    tracemalloc.start()
    try:
        write_reports(assessment, out, "x")
        return tracemalloc.get_traced_memory()[1] / MIB
    finally:
        tracemalloc.stop()


def test_pages_are_not_gathered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(report, "tank_page", lambda tank, *_: tank.tank.name.ljust(MIB, "."))
    monkeypatch.setattr(report, "index_page", lambda *_: "index")
    assert peak(club(40), tmp_path) < 6
    assert (tmp_path / "Tank 39.html").stat().st_size == MIB


def test_tables_are_not_gathered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("tank_page", "index_page", "to_json"):
        monkeypatch.setattr(report, name, lambda *_: "page")
    monkeypatch.setattr(report, "tank_record", lambda *_: {})
    assessment = club(30, weeks=300)
    most = peak(assessment, tmp_path)
    assert (tmp_path / "phase.csv").stat().st_size > 2 * MIB
    assert most < 1


@pytest.mark.parametrize("name", ["tank_page", "to_json", "index_page"])
def test_a_page_that_cannot_be_built_late_leaves_the_whole_old_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    write_reports(club(3), tmp_path, "first")
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    build, calls = getattr(report, name), []

    def fail(*args: object) -> str:
        calls.append(1)
        if len(calls) == (1 if name == "index_page" else 3):
            raise RuntimeError("cannot build")
        return str(build(*args))

    monkeypatch.setattr(report, name, fail)
    with pytest.raises(RuntimeError, match="cannot build"):
        write_reports(club(3), tmp_path, "second")
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
