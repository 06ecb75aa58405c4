"""What every test may use, and what the full job demands.

``MATURITY_MODEL_FULL=1`` or ``CI=true``: a library that is missing fails a test instead of
skipping it. ``MATURITY_MODEL_NO_SKIP=1``: any skip is a failure. ``MATURITY_MODEL_GROUPS``:
marks of which a run must have a test each; then files with slow tests begin first.
"""

from __future__ import annotations

import importlib
import os
import re
import shutil
import warnings
from collections.abc import Callable, Generator, Iterator
from functools import partial
from importlib.util import find_spec
from types import ModuleType
from typing import Any

import hypothesis
import pytest

EMPTY = pytest.StashKey[list[str]]()

#: Libraries of the extra ``fit``, where they are not installed.
NO_FIT = {name for name in ("pymc", "pytensor", "nutpie", "arviz") if find_spec(name) is None}

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


@pytest.fixture(scope="session")
def open_browser(need: Callable[[str], ModuleType]) -> Iterator[Callable[..., Any]]:
    from report.browser import CHROMIUM, Browser

    found = [path for name in CHROMIUM if (path := shutil.which(name))]
    if not found:
        pytest.skip("no Chromium here")
    with need("playwright.sync_api").sync_playwright() as play:
        yield partial(Browser, play.chromium, found[0])


@pytest.fixture(scope="session")
def browser(open_browser: Callable[..., Any]) -> Iterator[Any]:
    with open_browser() as opened:
        yield opened


@pytest.fixture(scope="session")
def all_first_runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A run without kept machine code, once for all tests: :mod:`first_runs`.

    Tests that follow use what it left, so that the kernels are compiled once.
    """
    from first_runs import first_runs

    made = first_runs(tmp_path_factory.mktemp("first"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MATURITY_MODEL_CACHE", str(made.cache))
        yield made


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
    """Leave out modules that need the extra ``fit``, and turn other skipped ones into failures."""
    report = yield
    said = str(report.longrepr or "")
    missing = set(re.findall("No module named '([a-z]+)", said)) & NO_FIT
    if missing or (NO_FIT and "the extra 'fit' is not installed" in said):
        report.outcome, report.result, report.longrepr = "passed", [], None
    elif os.environ.get("MATURITY_MODEL_NO_SKIP") == "1":
        _forbid_skip(report)
    return report


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Note which groups have no test, and put first runs first, then what takes longest."""
    wanted = os.environ.get("MATURITY_MODEL_GROUPS", "").split()
    marks = {item.nodeid: {mark.name for mark in item.iter_markers()} for item in items}
    config.stash[EMPTY] = [w for w in wanted if not any(w in found for found in marks.values())]
    if wanted:
        # Fits first: begun last, one of them would keep a single worker busy at the end.
        items.sort(key=lambda item: -len({"fit", "slow"} & marks[item.nodeid]))
    items.sort(key=lambda item: "all_first_runs" not in getattr(item, "fixturenames", ()))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A group that is empty fails every test: as an error in collecting, xdist would hide it."""
    empty = item.config.stash.get(EMPTY, [])
    if empty:
        pytest.fail(f"no test is marked {', '.join(empty)}", pytrace=False)
