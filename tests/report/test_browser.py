"""The pages as a browser shows and prints them, of usual weeks, bad ones and odd logs."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from report.browser import Browser
from report.example import (
    AMMONIA,
    BLOOM,
    CRASHED,
    MATURE,
    SAND,
    alarmed,
    answering,
    asked_tank,
    example_assessment,
    example_tank,
    lasting,
    problem,
)

from maturity_model.assessment.plan import Plan, Step
from maturity_model.report import write_reports

pytestmark = pytest.mark.browser

CASES = ("usual", "crash", "stale", "empty")
WORDS = "innerText.split(/\\s+/).filter(w => /[\\p{L}\\p{N}]/u.test(w)).length"
OPEN_ALL = "document.querySelectorAll('details').forEach(d => d.open = true)"


@pytest.fixture(scope="session")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Words without a break, which must not widen a page, and logs of one to three years."""
    folder = tmp_path_factory.mktemp("report")
    word = "W" * 400
    plan = Plan(word[:200], (Step("water_change", 20.0, 14), Step("livestock_added", 3.0)))
    long = answering(alarmed(asked_tank("Long words", BLOOM), "check the kit"), impossible=(plan,))
    tanks = (
        asked_tank("Window reef"),
        lasting(example_tank("Eighteen months"), 78),
        lasting(example_tank("Three years", CRASHED), 156),
        alarmed(asked_tank("Wrong", BLOOM), "something is wrong"),
        replace(
            long,
            notes=(word,),
            problems=(problem(file=word, value=word, what=word, mend=word, column=word),),
            cautions=(AMMONIA, SAND),
        ),
    )
    assessment = replace(example_assessment(tanks), problems=tanks[-1].problems)
    write_reports(assessment, folder, f"maturity-model weekly {word[:100]}")
    return folder


@pytest.fixture(scope="session")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty tanks of seven keepers."""
    folder = tmp_path_factory.mktemp("club")
    tanks = (asked_tank(f"Tank {n}", (BLOOM, MATURE)[n % 2]) for n in range(60))
    kept = tuple(
        replace(tank, tank=replace(tank.tank, keeper=f"Keeper {n % 7}"))
        for n, tank in enumerate(tanks)
    )
    write_reports(example_assessment(kept), folder, "x")
    return folder


@pytest.fixture(scope="session")
def pages(demo_reports: dict[str, Path], odd: Path, club: Path) -> dict[str, list[Path]]:
    """Pages of each case; of the club the first, for its tanks are alike."""
    found = {name: sorted(folder.glob("*.html")) for name, folder in demo_reports.items()}
    return {**found, "odd": sorted(odd.glob("*.html")), "club": [club / "index.html"]}


@pytest.mark.parametrize("width", [1200, 800, 390, 320])
@pytest.mark.parametrize("case", [*CASES, "odd", "club"])
def test_nothing_scrolls_sideways_or_sticks_out(
    browser: Browser, pages: dict[str, list[Path]], case: str, width: int
) -> None:
    for page in pages[case]:
        browser.open(page, width=width)
        assert browser.value("innerWidth") == width
        for _ in range(2):
            assert browser.value("document.documentElement.scrollWidth") <= width, page.name
            out = browser.value(
                "[...document.querySelectorAll('section, .scroll, .plot svg, p, li, dd, .lst')]"
                ".filter(e => e.getBoundingClientRect().right > innerWidth + 0.5"
                " || e.matches('.lst') && e.scrollWidth > e.clientWidth + 1)"
                ".filter(e => !e.closest('.scroll') || e.matches('.scroll'))"
                ".map(e => e.outerHTML.slice(0, 80))"
            )
            assert out == [], page.name
            browser.value(OPEN_ALL)


@pytest.mark.parametrize("case", [*CASES, "club"])
def test_a_page_is_read_at_a_glance(
    browser: Browser, pages: dict[str, list[Path]], case: str
) -> None:
    for page in pages[case]:
        browser.open(page, width=390)
        if page.name == "index.html":
            cards = browser.value(f"[...document.querySelectorAll('.tank')].map(t => t.{WORDS})")
            assert len(cards) == (60 if case == "club" else len(pages[case]) - 1)
            assert max(cards) <= 25
        else:
            assert browser.value(f"document.body.{WORDS}") <= 350


@pytest.mark.parametrize("case", CASES)
def test_the_first_screen_of_a_phone(
    browser: Browser, pages: dict[str, list[Path]], case: str
) -> None:
    for page in pages[case]:
        browser.open(page, width=390, height=844)
        ends = browser.value(
            "[...document.querySelectorAll('.tank, #do')]"
            ".map(t => t.getBoundingClientRect().bottom)"
        )
        seen = sum(0 < end <= 844 for end in ends)
        assert seen >= 3 if page.name == "index.html" else seen == 1, page.name


def test_red_is_for_what_is_urgent(browser: Browser, pages: dict[str, list[Path]]) -> None:
    for case in CASES:
        for page in pages[case]:
            browser.open(page, width=390)
            red = browser.value("document.querySelectorAll('.urgent').length")
            assert red == (case == "crash" and page.stem in ("index", "Drift-40")), page.name


@pytest.mark.parametrize("name", ["Eighteen months", "Three years"])
@pytest.mark.parametrize("width", [320, 390, 1200])
def test_strokes_of_a_long_log_do_not_merge(
    browser: Browser, odd: Path, width: int, name: str
) -> None:
    browser.open(odd / f"{name}.html", width=width)
    week = browser.value(
        "(s => s.getBoundingClientRect().width / s.viewBox.baseVal.width)"
        "(document.querySelector('.sg'))"
    )
    stroke = browser.value(
        "parseFloat(getComputedStyle(document.querySelector('.yes')).strokeWidth)"
    )
    assert stroke + 0.4 <= week
    # What lies before is folded, and one tap away.
    assert browser.value("document.querySelectorAll('#life:not([open]) svg').length") == 1


def test_a_club_of_sixty_stands_by_keeper_in_rows(browser: Browser, club: Path) -> None:
    browser.open(club / "index.html", width=1200)
    heights = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => t.getBoundingClientRect().height)"
    )
    assert max(heights) < 100
    assert browser.value("document.querySelectorAll('h2.keeper + ol.tanks').length") == 7
    browser.open(club / "index.html", width=700, media="print")
    breaks = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => getComputedStyle(t).breakInside)"
    )
    assert breaks == ["avoid"] * 60
    assert browser.value("getComputedStyle(document.querySelector('.keeper')).breakAfter") == (
        "avoid"
    )


@pytest.mark.parametrize("case", [*CASES, "club"])
def test_the_smallest_type_has_fourteen_pixels(
    browser: Browser, pages: dict[str, list[Path]], case: str
) -> None:
    for page in pages[case]:
        browser.open(page, width=390)
        browser.value(OPEN_ALL)
        small = browser.value(
            "[...document.querySelectorAll('body *')].filter(e => [...e.childNodes].some("
            "n => n.nodeType === 3 && n.textContent.trim()) && "
            "parseFloat(getComputedStyle(e).fontSize) < 14).map(e => e.outerHTML.slice(0, 80))"
        )
        assert small == []


def test_a_page_needs_no_script_and_its_sheet_is_let_in(
    open_browser: Callable[..., Browser], odd: Path
) -> None:
    with open_browser(java_script_enabled=False) as browser:
        for name in ("Window reef", "index"):
            browser.open(odd / f"{name}.html", width=1200)
            assert browser.value("document.scripts.length") == 0
            assert browser.value("document.querySelectorAll('svg[role=img]').length") >= 5
            assert browser.value("document.querySelector('svg[role=img]').clientHeight") > 10
            assert browser.value("document.styleSheets.length") == 1
            assert browser.value("getComputedStyle(document.body).maxWidth") == "1180px"


def _brightness(browser: Browser, what: str) -> int:
    colour = browser.value(f"getComputedStyle(document.body).{what}")
    return sum(int(part) for part in re.findall(r"\d+", colour)[:3])


@pytest.mark.parametrize("name", ["Window reef", "index"])
def test_light_dark_and_paper(browser: Browser, odd: Path, name: str) -> None:
    for dark in (False, True):
        browser.open(odd / f"{name}.html", width=1200, dark=dark)
        ground, ink = _brightness(browser, "backgroundColor"), _brightness(browser, "color")
        assert (ground < ink) is dark
        # Paper is light in either scheme, and has no closed parts.
        browser.open(odd / f"{name}.html", width=700, dark=dark, media="print")
        assert _brightness(browser, "color") < 200
        closed = "document.querySelector('details:not([open])').getBoundingClientRect().height"
        assert browser.value(closed) == 0


@pytest.mark.parametrize("case", CASES)
def test_a_page_prints_on_one_sheet(
    browser: Browser, pages: dict[str, list[Path]], odd: Path, case: str
) -> None:
    for page in (*pages[case], odd / "Window reef.html"):
        browser.open(page, width=1200, dark=case == "crash")
        pdf = browser.tab.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1, page.name
        boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
        # A4 in points, ISO 216: 210 x 297 mm
        assert float(boxes[0][0]) == pytest.approx(595.3, abs=1)
        assert float(boxes[0][1]) == pytest.approx(841.9, abs=1)
