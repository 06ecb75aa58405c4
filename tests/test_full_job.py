"""The full job's own demands: a missing library and a skip are failures there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
INNER = """
import pytest

def test_passes():
    pass

def test_skips():
    pytest.skip("no reason")

@pytest.mark.skip(reason="by mark")
def test_marked():
    pass

@pytest.mark.xfail(strict=True)
def test_known_to_fail():
    assert False

def test_missing(need):
    need("a_library_that_is_not_there")
"""
WHOLE = "import pytest\npytest.importorskip('a_library_that_is_not_there')\n"


def outcome(folder: Path, *names: str, **environment: str) -> dict[str, int]:
    """Run pytest in ``folder`` under this project's conftest; counts by outcome."""
    (folder / "conftest.py").write_text((TESTS / "conftest.py").read_text("utf-8"))
    (folder / "test_inner.py").write_text(INNER)
    (folder / "test_whole.py").write_text(WHOLE)
    full = {f"MATURITY_MODEL_{x}" for x in ("FULL", "NO_SKIP", "GROUPS")} | {"CI"}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *names],
        capture_output=True,
        text=True,
        cwd=folder,
        env={k: v for k, v in os.environ.items() if k not in full} | environment,
    )
    last = done.stdout.strip().splitlines()[-1]
    return {kind: int(n) for n, kind in re.findall(r"(\d+) (\w+?)s?\b(?=,| in)", last)}


def test_by_default_a_skip_is_a_skip(tmp_path: Path) -> None:
    assert outcome(tmp_path) == {"passed": 1, "skipped": 4, "xfailed": 1}


@pytest.mark.parametrize("variable", ["MATURITY_MODEL_FULL=1", "CI=true"])
def test_a_missing_library_fails_the_full_job(tmp_path: Path, variable: str) -> None:
    name, value = variable.split("=")
    found = outcome(tmp_path, "test_inner.py", **{name: value})
    assert found == {"passed": 1, "skipped": 2, "xfailed": 1, "failed": 1}


def test_a_skip_fails_where_none_is_allowed(tmp_path: Path) -> None:
    found = outcome(tmp_path, "test_inner.py", MATURITY_MODEL_NO_SKIP="1")
    # A skip by mark happens before the test proper, which pytest calls an error.
    assert found == {"passed": 1, "xfailed": 1, "failed": 2, "error": 1}
    found = outcome(tmp_path, "test_whole.py", MATURITY_MODEL_NO_SKIP="1")
    assert found == {"error": 1}


def test_a_group_without_tests_fails_the_run(tmp_path: Path) -> None:
    # The group "skip" has tests. Of a test that is known to fail, a failure is no news.
    found = outcome(tmp_path, "test_inner.py", MATURITY_MODEL_GROUPS="skip gone")
    assert found == {"skipped": 1, "xfailed": 1, "error": 3}
