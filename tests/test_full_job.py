"""The full job's own demands: a missing library and a skip are failures there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
Outcome = Callable[..., dict[str, int]]
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


@pytest.fixture
def outcome(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Outcome:
    """Run pytest under this project's conftest; counts by outcome."""
    pytester.makeconftest((TESTS / "conftest.py").read_text("utf-8"))
    pytester.makepyfile(test_inner=INNER, test_whole=WHOLE)
    for name in ("MATURITY_MODEL_FULL", "MATURITY_MODEL_NO_SKIP", "MATURITY_MODEL_GROUPS", "CI"):
        monkeypatch.delenv(name, raising=False)

    def run(*names: str, **environment: str) -> dict[str, int]:
        for name, value in environment.items():
            monkeypatch.setenv(name, value)
        return pytester.runpytest_inprocess(*names).parseoutcomes()

    return run


def test_by_default_a_skip_is_a_skip(outcome: Outcome) -> None:
    assert outcome() == {"passed": 1, "skipped": 4, "xfailed": 1}


@pytest.mark.parametrize("variable", ["MATURITY_MODEL_FULL=1", "CI=true"])
def test_a_missing_library_fails_the_full_job(outcome: Outcome, variable: str) -> None:
    name, value = variable.split("=")
    found = outcome("test_inner.py", **{name: value})
    assert found == {"passed": 1, "skipped": 2, "xfailed": 1, "failed": 1}


def test_a_skip_fails_where_none_is_allowed(outcome: Outcome) -> None:
    found = outcome("test_inner.py", MATURITY_MODEL_NO_SKIP="1")
    # A skip by mark happens before the test proper, which pytest calls an error.
    assert found == {"passed": 1, "xfailed": 1, "failed": 2, "errors": 1}
    found = outcome("test_whole.py", MATURITY_MODEL_NO_SKIP="1")
    assert found == {"errors": 1}


def test_a_group_without_tests_fails_the_run(outcome: Outcome) -> None:
    # The group "skip" has tests. Of a test that is known to fail, a failure is no news.
    found = outcome("test_inner.py", MATURITY_MODEL_GROUPS="skip gone")
    assert found == {"skipped": 1, "xfailed": 1, "errors": 3}
