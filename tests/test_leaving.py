"""The weekly command ends its process at once: nothing of what it says or returns is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data" / "demo"


def run(
    *words: object, python: tuple[str, ...] = (), **more: object
) -> subprocess.CompletedProcess:  # type: ignore[type-arg]
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **more}
    return subprocess.run(
        [sys.executable, *python, "-m", "maturity_model", *map(str, words)],
        cwd=ROOT,
        text=True,
        encoding="utf-8",
        **given,  # type: ignore[call-overload]
    )


def test_all_is_said_through_a_pipe(tmp_path: Path) -> None:
    done = run("weekly", DEMO, "--out", tmp_path / "out", "--brief")
    assert done.returncode == 0
    assert done.stdout.endswith(f"Report: {tmp_path / 'out' / 'index.html'}\n")
    assert done.stdout.count("Slipping back within 4 weeks") == 6
    assert "'Lagoon-66' is not in the tanks table" in done.stderr


def test_the_exit_code_is_kept(tmp_path: Path) -> None:
    (tmp_path / "tanks.csv").write_text("tank,started\nA,2026-01-01\nB,soon\n")
    done = run("weekly", tmp_path, "--out", tmp_path / "out", "--brief")
    assert done.returncode == 3
    assert "not assessed, because of errors in the log: B" in done.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="no such device")
def test_output_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        done = run("weekly", DEMO, "--out", tmp_path / "out", "--brief", stdout=full)
    assert done.returncode == 2
    assert "cannot write to standard output" in done.stderr
    assert (tmp_path / "out" / "index.html").exists()


def test_a_profiler_still_has_the_last_word(tmp_path: Path) -> None:
    done = run(
        "weekly", DEMO, "--out", tmp_path / "out", "--brief",
        python=("-m", "cProfile", "-s", "tottime"),
    )  # fmt: skip
    assert done.returncode == 0
    assert "function calls" in done.stdout
