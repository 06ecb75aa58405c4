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
    ("command", "kills"),
    [
        ("weekly", 16),
        ("add", 18),
        ("pair", 6),
        ("pool", 10),
        pytest.param("fit", 3, marks=[pytest.mark.fit, pytest.mark.long]),
    ],
)
def test_killed(command: str, kills: int) -> None:
    if library := {"pool": "pyarrow", "fit": "pymc"}.get(command):
        pytest.importorskip(library)
    seen = run(command, kills, seed=5)
    assert seen.complaints == []
    assert seen.kills == kills
    # Otherwise nothing was tested: some kills must fall into the writing.
    assert command in ("pair", "fit") or seen.writing > 0
