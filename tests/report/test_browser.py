"""The pages as a browser shows and prints them, with questions answered and without."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from report.browser import Browser
from report.example import AMMONIA, SAND, example_assessment, example_tank, problem
from report.page_tree import SECTIONS
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
            "[...document.querySelectorAll('section, .scroll, .plot svg, .dots svg, p, li,"
            " .rules td, table.bars')]"
            ".every(e => e.getBoundingClientRect().right <= innerWidth + 0.5"
            " || e.closest('.scroll') && !e.matches('.scroll'))"
        )
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")


@pytest.mark.parametrize("name", TANKS)
def test_each_section_is_shown_in_order(browser: Browser, out: Path, name: str) -> None:
    browser.open(out / f"{name}.html", width=390)
    shown = browser.value(
        "[...document.querySelectorAll('main > section')]"
        ".filter(s => s.getBoundingClientRect().height > 20).map(s => s.id)"
    )
    assert tuple(shown) == SECTIONS
    tops = browser.value(
        "[...document.querySelectorAll('main > section')].map(s => s.getBoundingClientRect().top)"
    )
    assert tops == sorted(tops)


@pytest.mark.parametrize("name", ["Window reef", "Crashed cube", "Nursery 4"])
def test_the_first_screen_of_a_phone_holds_the_answer(
    browser: Browser, out: Path, name: str
) -> None:
    browser.open(out / f"{name}.html", width=390, height=844)
    # An urgent caution comes before what changed; nothing lies below the start.
    urgent = browser.value("document.querySelectorAll('header .urgent').length")
    parts = (".answer", ".given", *(() if urgent else ("#change li",)))
    for part in parts if name == "Nursery 4" else (*parts, ".slip"):
        bottom = browser.value(f"document.querySelector('{part}').getBoundingClientRect().bottom")
        assert bottom <= 844, part


@pytest.mark.parametrize("name", [CALM, WRONG])
def test_the_first_screen_of_a_phone_answers_four_questions(
    browser: Browser, out: Path, name: str
) -> None:
    browser.open(out / f"{name}.html", width=390, height=844)
    # Which phase and how sure, is it slipping, what now.
    for part in (".answer", ".slip", ".next"):
        box = f"document.querySelector('{part}').getBoundingClientRect()"
        assert 0 < browser.value(f"{box}.bottom") <= 844, part
    alarm = browser.value("document.querySelectorAll('header .alarm').length")
    assert alarm == (name == WRONG)


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
        assert browser.value("getComputedStyle(document.body).maxWidth") == "960px"


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


def test_marks_of_the_sign_grid_differ_in_shape(browser: Browser, out: Path) -> None:
    browser.open(out / "Window reef.html", width=1200)
    widths = browser.value(
        "Object.fromEntries(['seen', 'not', 'hole', 'un'].map(c => [c, parseFloat("
        "getComputedStyle(document.querySelector('.weeks .' + c)).strokeWidth)]))"
    )
    assert widths["not"] > widths["hole"] > widths["un"]
    assert widths["seen"] > 3 * widths["un"]
    colours = browser.value(
        "['seen', 'not', 'hole'].map(c => "
        "getComputedStyle(document.querySelector('.weeks .' + c)).stroke)"
    )
    # Disc and ring have one colour; the ring is hollow.
    assert colours[0] == colours[1] != colours[2]


def test_the_newest_weeks_show_first_on_a_phone(browser: Browser, out: Path) -> None:
    browser.open(out / "Window reef.html", width=390)
    box = "document.querySelector('.grid .scroll')"
    assert browser.value(f"{box}.scrollWidth > {box}.clientWidth")
    right = browser.value("document.querySelector('.weeks').getBoundingClientRect().right")
    assert right <= browser.value(f"{box}.getBoundingClientRect().right") + 1


@pytest.mark.parametrize("name", ["Window reef", CALM])
def test_a_calm_tank_prints_on_two_pages_of_paper(browser: Browser, out: Path, name: str) -> None:
    for dark in (False, True):
        browser.open(out / f"{name}.html", width=1200, dark=dark)
        pdf = browser.pdf()
        assert pdf.startswith(b"%PDF")
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 2
        boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)
        # A4 in points, ISO 216: 210 x 297 mm
        assert float(boxes[0][0]) == pytest.approx(595.3, abs=1)
        assert float(boxes[0][1]) == pytest.approx(841.9, abs=1)


def test_print_is_dark_on_light_in_either_scheme(browser: Browser, out: Path) -> None:
    browser.open(out / "Window reef.html", width=700, dark=True, media="print")
    style = "getComputedStyle(document.body)"
    assert sum(_rgb(browser.value(f"{style}.color"))) < 200
    assert browser.value("getComputedStyle(document.querySelector('#now')).backgroundColor") in (
        "rgba(0, 0, 0, 0)",
        "transparent",
    )
    assert browser.value("document.querySelector('details').getBoundingClientRect().height") == 0


@pytest.mark.parametrize("width", [390, 1200])
def test_dots_neither_touch_nor_leave_the_picture(browser: Browser, out: Path, width: int) -> None:
    browser.open(out / f"{WRONG}.html", width=width)
    boxes = browser.value(
        "[...document.querySelectorAll('.qdot')].map(c => {const b = c.getBoundingClientRect();"
        "return [b.left, b.top, b.right, b.bottom]})"
    )
    assert len(boxes) == 20
    left, right = browser.value(
        "(() => {const b = document.querySelector('#mature').getBoundingClientRect();"
        "return [b.left, b.right]})()"
    )
    for i, a in enumerate(boxes):
        assert left <= a[0]
        assert a[2] <= right
        for b in boxes[:i]:
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart
