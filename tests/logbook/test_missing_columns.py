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


def test_no_tanks_at_all_names_the_tables(tmp_path: Path) -> None:
    (tmp_path / "checkins.csv").write_text("tank,date,diatoms\nA,2026-01-02,y\n")
    with pytest.raises(LogbookError) as found:
        read_logbook(tmp_path)
    (problem,) = found.value.problems
    assert "has no table of tanks; add a tanks.csv with the columns tank and started" in str(
        problem
    )
