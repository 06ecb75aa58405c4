"""What every test may use, and what the full job demands.

``MATURITY_MODEL_FULL=1`` or ``CI=true``: a library that is missing fails a test instead of
skipping it. ``MATURITY_MODEL_NO_SKIP=1``: any skip is a failure.
"""

from __future__ import annotations

import importlib
import os
import warnings
from collections.abc import Callable, Generator
from importlib.util import find_spec
from types import ModuleType
from typing import Any

import hypothesis
import pytest

# Collected only where the extra ``fit`` is installed.
collect_ignore = ["test_benchmark_peers.py"] if find_spec("pymc") is None else []

# The same examples every time: a failure seen once can be seen again.
hypothesis.settings.register_profile(
    "repeatable", derandomize=True, deadline=None, max_examples=50, database=None
)
hypothesis.settings.load_profile("repeatable")


def is_full_job() -> bool:
    """Whether everything must be there."""
    return os.environ.get("MATURITY_MODEL_FULL") == "1" or os.environ.get("CI") == "true"


@pytest.fixture(scope="session")
def need() -> Callable[[str], ModuleType]:
    """Import a library that a test compares with, or skip (fail in the full job)."""

    def load(name: str) -> ModuleType:
        try:
            with warnings.catch_warnings():
                # What another project deprecates while it is imported is not ours to mend.
                warnings.simplefilter("ignore")
                return importlib.import_module(name)
        except ImportError as error:
            if is_full_job():
                pytest.fail(f"{name} cannot be imported: {error}")
            pytest.skip(f"{name} is not installed")

    return load


def _forbid_skip(report: Any) -> None:
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{reason} (a skip is a failure with MATURITY_MODEL_NO_SKIP=1)"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, Any, Any]:
    """Turn a skipped test into a failed one."""
    report = yield
    if os.environ.get("MATURITY_MODEL_NO_SKIP") == "1":
        _forbid_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, Any, Any]:
    """Turn a module skipped as a whole into a failed one."""
    report = yield
    if os.environ.get("MATURITY_MODEL_NO_SKIP") == "1":
        _forbid_skip(report)
    return report
