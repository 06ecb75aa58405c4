"""Small logbooks for the command line, and the command in its own process."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data" / "demo"


def write_log(folder: Path, tanks: str, checkins: str = "tank,date,diatoms\n", **more: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {"tanks": tanks, "checkins": checkins, **more}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def small_log(folder: Path) -> Path:
    """One tank, looked at twice."""
    return write_log(
        folder,
        "tank,started,rock\nA,2026-01-05,dry\n",
        "tank,date,diatoms\nA,2026-01-12,n\nA,2026-02-02,y\n",
    )


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def run(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command in its own process."""
    return python("-m", "maturity_model", *words, **environment)


def python(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run Python in its own process."""
    return subprocess.run(
        [sys.executable, *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        stdin=subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, **environment},
    )
