"""One browser for all that looks at pages, and the form of a small logbook."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from report.browser import Browser, find_browser
from report.form_example import downloads_to, make_form, plain_log, show


@pytest.fixture(scope="session")
def program() -> str:
    found = find_browser()
    if found is None:
        pytest.skip("no Chromium here")
    return found


@pytest.fixture(scope="session")
def browser(program: str) -> Iterator[Browser]:
    with Browser(program) as opened:
        yield opened


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("form")
    return make_form(plain_log(folder / "log"), folder / "form.html", "--keeper", "ann")


@pytest.fixture
def fresh(browser: Browser, page: Path, tmp_path: Path) -> Browser:
    """The form with nothing filled in and no draft; files go to ``tmp_path / 'got'``."""
    downloads_to(browser, tmp_path / "got")
    show(browser, page)
    browser.value("localStorage.clear()")
    show(browser, page)
    return browser
