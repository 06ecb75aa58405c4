"""Damaged populations and pools: a few here, hundreds by ``python -m tests.fuzz.foreign_files``."""

from __future__ import annotations

from pathlib import Path

import pytest

from fuzz import foreign_files


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no account of memory there")
def test_a_few_damaged_files() -> None:
    count = 3 * len(foreign_files.KINDS)
    counts, _, faults = foreign_files.run(count, seed=7)
    assert faults == []
    assert counts.total() == count
    assert counts["population", "refused"] == counts["pool_files", "refused"] == 3


def test_what_a_fault_is() -> None:
    want = {"abc"}
    assert foreign_files.judge("population", "refused: x.nc: is damaged", want)[1] == ""
    assert foreign_files.judge("population", "abc", want) == ("same_numbers", "")
    for kind, line in (
        ("population", "other"),
        ("pool_files", "warned other"),
        ("older", "other"),
        ("pool_forged", "refused: a\nb"),
        ("pool_forged", "refused: " + "x" * 700),
    ):
        assert foreign_files.judge(kind, line, want)[1], kind
    assert foreign_files.judge("older", "warned other", want) == ("other_numbers", "")
