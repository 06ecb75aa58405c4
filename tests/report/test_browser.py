"""The pages as a browser shows and prints them, with questions answered and without."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from report.browser import Browser
from report.example import AMMONIA, SAND, example_assessment, example_tank, problem
from report.question_example import asked_tank

from maturity_model.assessment.plan import Plan, Step
from maturity_model.report import write_reports

pytestmark = pytest.mark.browser

TANKS = ("Window reef", "Crashed cube", "Nursery 4", "Old lagoon", "Long words")
#: With questions answered.
CALM, WRONG, LONG = "Calm", "Wrong", "Long answers"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    # Words without a break must not widen a page.
    word = "W" * 400
    long = example_tank(
        "Long words",
        notes=(word,),
        problems=(problem(file=word, value=word, what=word, mend=word, column=word),),
        cautions=(AMMONIA, SAND),
    )
    plan = Plan(word[:200], (Step("water_change", 20.0, 14), Step("livestock_added", 3.0)))
    answers = asked_tank(LONG, alarm="check the kit", mature=False, plans=(plan, plan), note=word)
    tanks = (
        *example_assessment().tanks,
        long,
        asked_tank(CALM),
        asked_tank(WRONG, alarm="something is wrong", mature=False),
        replace(answers, cautions=(AMMONIA, SAND)),
    )
    write_reports(example_assessment(tanks), folder, f"maturity-model weekly {word[:100]}")
    return folder


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 800, 1200])
@pytest.mark.parametrize("name", [*TANKS, CALM, WRONG, LONG, "index"])
def test_nothing_overflows(browser: Browser, out: Path, name: str, width: int, dark: bool) -> None:
    browser.open(out / f"{name}.html", width=width, dark=dark)
    assert browser.value("innerWidth") == width
    for _ in range(2):
        assert browser.value("document.documentElement.scrollWidth") <= width
        # What scrolls on its own stays inside the page as well.
        assert browser.value(
            "[...document.querySelectorAll('section, .scroll, .plot svg, p, li, dd')]"
            ".every(e => e.getBoundingClientRect().right <= innerWidth + 0.5"
            " || e.closest('.scroll') && !e.matches('.scroll'))"
        )
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")


WORDS = "innerText.split(/\\s+/).filter(w => /[\\p{L}\\p{N}]/u.test(w)).length"


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("club")
    tanks = tuple(asked_tank(f"Tank {n}", mature=n % 2 == 0) for n in range(60))
    write_reports(example_assessment(tanks), folder, "x")
    return folder


@pytest.mark.parametrize("case", ["usual", "crash", "stale", "empty"])
def test_a_page_is_read_at_a_glance(
    browser: Browser, demo_reports: dict[str, Path], case: str
) -> None:
    pages = sorted(demo_reports[case].glob("*.html"))
    assert len(pages) >= 5
    for page in pages:
        browser.open(page, width=390)
        if page.name == "index.html":
            cards = browser.value(f"[...document.querySelectorAll('.tank')].map(t => t.{WORDS})")
            assert len(cards) == len(pages) - 1
            assert max(cards) <= 25
        else:
            assert browser.value(f"document.body.{WORDS}") <= 350


@pytest.mark.parametrize("case", ["usual", "crash", "stale", "empty"])
@pytest.mark.parametrize("width", [1200, 390, 320])
def test_nothing_scrolls_sideways(
    browser: Browser, demo_reports: dict[str, Path], case: str, width: int
) -> None:
    for page in sorted(demo_reports[case].glob("*.html")):
        browser.open(page, width=width)
        for _ in range(2):
            assert browser.value("document.documentElement.scrollWidth") <= width, page.name
            browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")


@pytest.mark.parametrize("case", ["usual", "stale", "empty"])
def test_the_first_screen_of_a_phone(
    browser: Browser, demo_reports: dict[str, Path], case: str
) -> None:
    browser.open(demo_reports[case] / "index.html", width=390, height=844)
    bottoms = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => t.getBoundingClientRect().bottom)"
    )
    assert sum(b <= 844 for b in bottoms) >= 3
    for page in sorted(demo_reports[case].glob("*.html")):
        if page.name != "index.html":
            browser.open(page, width=390, height=844)
            do = browser.value("document.querySelector('#do').getBoundingClientRect().bottom")
            assert 0 < do <= 844, page.name


def test_a_crash_leaves_the_phone_room_for_what_to_do(
    browser: Browser, demo_reports: dict[str, Path]
) -> None:
    browser.open(demo_reports["crash"] / "index.html", width=390, height=844)
    bottoms = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => t.getBoundingClientRect().bottom)"
    )
    assert sum(b <= 844 for b in bottoms) >= 3
    browser.open(demo_reports["crash"] / "Drift-40.html", width=390, height=844)
    assert browser.value("document.querySelector('#do').getBoundingClientRect().bottom") <= 844
    assert browser.value("document.querySelectorAll('.urgent').length") == 1


@pytest.mark.parametrize("width", [320, 390, 1200])
def test_strokes_of_a_long_log_do_not_merge(browser: Browser, out: Path, width: int) -> None:
    browser.open(out / "Old lagoon.html", width=width)
    week = browser.value(
        "(s => s.getBoundingClientRect().width / s.viewBox.baseVal.width)"
        "(document.querySelector('.sg'))"
    )
    stroke = browser.value(
        "parseFloat(getComputedStyle(document.querySelector('.yes')).strokeWidth)"
    )
    assert stroke + 0.4 <= week


def test_a_club_of_sixty_is_sixty_rows(browser: Browser, club: Path) -> None:
    browser.open(club / "index.html", width=1200)
    cards = browser.value(f"[...document.querySelectorAll('.tank')].map(t => t.{WORDS})")
    assert len(cards) == 60
    assert max(cards) <= 25
    heights = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => t.getBoundingClientRect().height)"
    )
    assert max(heights) < 100


def test_the_smallest_type_has_fourteen_pixels(
    browser: Browser, demo_reports: dict[str, Path]
) -> None:
    for page in sorted(demo_reports["crash"].glob("*.html")):
        browser.open(page, width=390)
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")
        small = browser.value(
            "[...document.querySelectorAll('body *')].filter(e => [...e.childNodes].some("
            "n => n.nodeType === 3 && n.textContent.trim()) && "
            "parseFloat(getComputedStyle(e).fontSize) < 14).map(e => e.outerHTML.slice(0, 80))"
        )
        assert small == []


def test_no_script_is_there_or_needed(browser: Browser, out: Path) -> None:
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        for name in ("Window reef", "index"):
            browser.open(out / f"{name}.html", width=1200)
            assert browser.value("document.scripts.length") == 0
            assert browser.value("document.querySelectorAll('svg[role=img]').length") >= 5
            assert browser.value("document.querySelector('svg[role=img]').clientHeight") > 10
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)


def test_the_style_sheet_passes_the_pages_own_policy(browser: Browser, out: Path) -> None:
    for name in ("Window reef", "index"):
        browser.open(out / f"{name}.html", width=1200)
        assert browser.value("document.styleSheets.length") == 1
        assert browser.value("getComputedStyle(document.body).maxWidth") == "1180px"


def _rgb(colour: str) -> list[int]:
    return [int(part) for part in re.findall(r"\d+", colour)[:3]]


@pytest.mark.parametrize("name", ["Window reef", "index"])
def test_dark_and_light_both_render(browser: Browser, out: Path, name: str) -> None:
    shades = {}
    for dark in (False, True):
        browser.open(out / f"{name}.html", width=1200, dark=dark)
        style = "getComputedStyle(document.body)"
        ground = sum(_rgb(browser.value(f"{style}.backgroundColor")))
        ink = sum(_rgb(browser.value(f"{style}.color")))
        assert (ground < ink) is dark
        shades[dark] = browser.screenshot(whole=False)
        assert len(shades[dark]) > 10_000
    assert shades[False] != shades[True]


@pytest.mark.parametrize("name", ["Window reef", CALM])
def test_a_calm_tank_prints_on_one_sheet(browser: Browser, out: Path, name: str) -> None:
    for dark in (False, True):
        browser.open(out / f"{name}.html", width=1200, dark=dark)
        pdf = browser.pdf()
        assert pdf.startswith(b"%PDF")
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1
        boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
        # A4 in points, ISO 216: 210 x 297 mm
        assert float(boxes[0][0]) == pytest.approx(595.3, abs=1)
        assert float(boxes[0][1]) == pytest.approx(841.9, abs=1)


def test_print_is_dark_on_light_in_either_scheme(browser: Browser, out: Path) -> None:
    browser.open(out / "Window reef.html", width=700, dark=True, media="print")
    style = "getComputedStyle(document.body)"
    assert sum(_rgb(browser.value(f"{style}.color"))) < 200
    assert browser.value("document.querySelector('details').getBoundingClientRect().height") == 0


@pytest.mark.parametrize("case", ["usual", "crash", "stale", "empty"])
def test_every_page_of_the_demo_prints_on_one_sheet(
    browser: Browser, demo_reports: dict[str, Path], case: str
) -> None:
    for page in sorted(demo_reports[case].glob("*.html")):
        browser.open(page, width=1200)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", browser.pdf())) == 1, page.name


def test_no_row_of_a_long_index_is_split_in_print(browser: Browser, club: Path) -> None:
    browser.open(club / "index.html", width=700, media="print")
    rows = browser.value(
        "[...document.querySelectorAll('.tank')].map(t => getComputedStyle(t).breakInside)"
    )
    assert rows == ["avoid"] * 60
