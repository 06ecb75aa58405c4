"""A table that lacks a column it needs: one line for that, and nothing that follows from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from maturity_model.logbook import LogbookError, read_logbook


@pytest.mark.parametrize(("header", "missing"), [("tank", "started"), ("started", "tank")])
def test_one_line_for_a_column_that_the_tanks_lack(
    header: str, missing: str, tmp_path: Path
) -> None:
    (tmp_path / "tanks.csv").write_text(f"{header}\n2026-01-01\n")
    (tmp_path / "checkins.csv").write_text("tank,date,diatoms\nA,2026-01-02,y\n")
    with pytest.raises(LogbookError) as found:
        read_logbook(tmp_path)
    assert [str(p) for p in found.value.problems] == [
        f"tanks.csv, line 1: has no column {missing}, so none of its rows is used; "
        f"add the column {missing}"
    ]


@pytest.mark.parametrize("tanks", ["tank\nA\n", "", None])
def test_without_usable_tanks_the_faults_of_the_other_tables_are_listed_too(
    tanks: str | None, tmp_path: Path
) -> None:
    files = {
        "kits.csv": "analyte,unit\nnitrate,furlongs\n",
        "checkins.csv": "tank,date,diatoms,flow\nA,2026-01-02,y,low\nA,03/04/2026,maybe,\n,,\n",
        "events.csv": "tank,date,event\nB,2026-01-02,party\nB,2026-01-02,crash\n",
    }
    for name, text in files.items() if tanks is None else [("tanks.csv", tanks), *files.items()]:
        (tmp_path / name).write_text(text)
    with pytest.raises(LogbookError) as found:
        read_logbook(tmp_path)
    places = [(p.file, p.line, p.column) for p in found.value.problems if p.file in files]
    # No line says that the tanks are not in the tanks table.
    assert places == [
        ("kits.csv", 2, "unit"), ("checkins.csv", 1, "flow"),
        ("checkins.csv", 3, "date"), ("events.csv", 2, "event"),
    ]  # fmt: skip
    assert len(found.value.problems) == len(places) + 1 + (tanks == "")


def test_no_tanks_at_all_names_the_tables(tmp_path: Path) -> None:
    (tmp_path / "checkins.csv").write_text("tank,date,diatoms\nA,2026-01-02,y\n")
    with pytest.raises(LogbookError) as found:
        read_logbook(tmp_path)
    (problem,) = found.value.problems
    assert "has no table of tanks; add a tanks.csv with the columns tank and started" in str(
        problem
    )
