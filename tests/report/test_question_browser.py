"""Pages with everything on, as a browser shows and prints them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from report.browser import Browser
from report.example import AMMONIA, SAND, example_assessment
from report.question_example import asked_tank

from maturity_model.assessment.plan import Plan, Step
from maturity_model.report import write_reports

pytestmark = pytest.mark.browser

CALM, WRONG, LONG = "Window reef", "Crashed cube", "Long words"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("asked")
    word = "W" * 200
    plan = Plan(word, (Step("water_change", 20.0, 14), Step("livestock_added", 3.0)))
    long = asked_tank(LONG, alarm="check the kit", mature=False, plans=(plan, plan), note=word)
    tanks = (
        asked_tank(CALM),
        asked_tank(WRONG, alarm="something is wrong", mature=False),
        replace(long, cautions=(AMMONIA, SAND)),
    )
    write_reports(example_assessment(tanks), folder, "maturity-model weekly log")
    return folder


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 800, 1200])
@pytest.mark.parametrize("name", [CALM, WRONG, LONG, "index"])
def test_nothing_overflows(browser: Browser, out: Path, name: str, width: int, dark: bool) -> None:
    browser.open(out / f"{name}.html", width=width, dark=dark)
    for _ in range(2):
        assert browser.value("document.documentElement.scrollWidth") <= width
        assert browser.value(
            "[...document.querySelectorAll('section, .scroll, .dots svg, p, li, .rules td')]"
            ".every(e => e.getBoundingClientRect().right <= innerWidth + 0.5"
            " || e.closest('.scroll') && !e.matches('.scroll'))"
        )
        browser.value("document.querySelectorAll('details').forEach(d => d.open = true)")


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


def test_a_calm_tank_prints_on_two_pages(browser: Browser, out: Path) -> None:
    for dark in (False, True):
        browser.open(out / f"{CALM}.html", width=1200, dark=dark)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", browser.pdf())) == 2


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
