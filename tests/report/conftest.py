"""One browser for all that looks at pages, and the form of a small logbook."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from types import ModuleType

import pytest
from report.browser import Browser
from report.form_example import make_form, plain_log

from maturity_model.assessment import assess
from maturity_model.logbook import read_logbook
from maturity_model.panel import build_panel
from maturity_model.population import load_population
from maturity_model.report import write_reports
from maturity_model.report.guide_page import guide_page

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="session")
def axe(need: Callable[[str], ModuleType]) -> str:
    package = need("axe_playwright_python")
    return files(package).joinpath("axe.min.js").read_text("utf-8")


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("form")
    return make_form(plain_log(folder / "log"), folder / "form.html", "--keeper", "ann")


@pytest.fixture
def fresh(browser: Browser, page: Path) -> Browser:
    """The form with nothing filled in and no draft."""
    browser.open(page)
    browser.value("localStorage.clear()")
    browser.open(page)
    return browser


@pytest.fixture(scope="session")
def demo_reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Reports of the demo: a usual week, a crash week, two months on, and no look at all."""
    folder = tmp_path_factory.mktemp("demo")
    logbook = read_logbook(DEMO, today=dt.date(2026, 11, 25))
    empty = replace(logbook, checkins=(), events=())
    cases = {
        "usual": (logbook, dt.date(2026, 11, 20)),
        "crash": (logbook, dt.date(2026, 5, 24)),
        "stale": (logbook, dt.date(2027, 1, 15)),
        "empty": (empty, dt.date(2026, 11, 20)),
    }
    for name, (log, day) in cases.items():
        assessment = assess(build_panel(log, as_of=day), load_population())
        write_reports(assessment, folder / name, "maturity-model weekly data/demo")
    return {name: folder / name for name in cases}


@pytest.fixture(scope="session")
def guide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The field guide, with the charts of practice."""
    path = tmp_path_factory.mktemp("guide") / "guide.html"
    path.write_text(guide_page(load_population(), "maturity-model guide"), "utf-8")
    return path
