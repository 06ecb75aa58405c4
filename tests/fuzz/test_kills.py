"""Killed at random moments, every file is whole and a rerun ends the job (slow)."""

from __future__ import annotations

import sys

import pytest

from fuzz.kills import run

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there"),
]


@pytest.mark.parametrize(
    ("command", "kills"), [("weekly", 16), ("add", 18), ("pair", 6), ("pool", 10)]
)
def test_killed(command: str, kills: int) -> None:
    if command == "pool":
        pytest.importorskip("pyarrow")
    seen = run(command, kills, seed=5)
    assert seen.complaints == []
    assert seen.kills == kills
    # Otherwise nothing was tested: some kills must fall into the writing.
    assert command == "pair" or seen.writing > 0


@pytest.mark.fit
@pytest.mark.long
def test_killed_fit() -> None:
    pytest.importorskip("pymc")
    seen = run("fit", 3, seed=5)
    assert seen.complaints == []
    assert seen.kills == 3
