"""What axe-core finds on the pages: nothing, in light and dark, closed and open."""

from __future__ import annotations

from pathlib import Path

import pytest
from report.browser import Browser

pytestmark = pytest.mark.browser


def violations(browser: Browser, axe: str) -> list[str]:
    """Rules that the page in the browser breaks, each with where."""
    browser.value(f"{axe}; 0")
    found: list[str] = browser.value(
        "axe.run(document).then(found => found.violations.flatMap("
        "v => v.nodes.map(n => v.id + ': ' + n.html.slice(0, 120))))"
    )
    return found


@pytest.mark.parametrize("opened", [False, True], ids=["closed", "open"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("case", ["usual", "crash", "stale", "empty"])
def test_axe_finds_nothing(
    browser: Browser, axe: str, demo_reports: dict[str, Path], case: str, dark: bool, opened: bool
) -> None:
    for name in ("index", "Drift-40"):
        browser.open(demo_reports[case] / f"{name}.html", width=390, dark=dark)
        if opened:
            browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert violations(browser, axe) == [], name


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_on_the_report_of_a_fit(
    browser: Browser, axe: str, tmp_path: Path, dark: bool
) -> None:
    pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
    from fitting.fitted_example import report_of_example

    page = report_of_example(tmp_path)
    for width in (1200, 390, 320):
        browser.open(page, width=width, dark=dark)
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert browser.value("document.documentElement.scrollWidth") <= width
    assert violations(browser, axe) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1200])
def test_axe_finds_nothing_in_the_guide(
    browser: Browser, axe: str, guide: Path, width: int, dark: bool
) -> None:
    browser.open(guide, width=width, dark=dark)
    browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert violations(browser, axe) == []


def test_axe_finds_what_is_wrong(browser: Browser, axe: str, demo_reports: dict[str, Path]) -> None:
    browser.open(demo_reports["usual"] / "index.html", width=390)
    browser.value("document.querySelector('.strip').removeAttribute('aria-label')")
    assert any(found.startswith("svg-img-alt") for found in violations(browser, axe))
