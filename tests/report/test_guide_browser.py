"""The field guide as a browser shows and prints it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from report.browser import Browser

from maturity_model.catalogue.guide import load_guide

pytestmark = pytest.mark.browser

#: Inside of an A4 sheet with the margins of the style sheet, 11 and 13 mm, in CSS pixels.
SHEET = (184 / 25.4 * 96, 275 / 25.4 * 96)


@pytest.mark.parametrize("width", [1200, 800, 390, 320])
def test_nothing_scrolls_sideways(browser: Browser, guide: Path, width: int) -> None:
    browser.open(guide, width=width)
    assert browser.value("document.documentElement.scrollWidth") <= width
    assert browser.value(
        "[...document.querySelectorAll('.entry *')].every(e => "
        "e.closest('svg') || e.getBoundingClientRect().right <= innerWidth)"
    )


def test_no_drawing_leaves_its_frame(browser: Browser, guide: Path) -> None:
    browser.open(guide, width=1200)
    outside = browser.value(
        "[...document.querySelectorAll('.entry .drawing')].filter(svg => {"
        "const box = svg.getBoundingClientRect();"
        "return [...svg.querySelectorAll('path')].some(path => {"
        "const ends = path.getTotalLength(), there = path.getScreenCTM();"
        "return [...Array(60).keys()].some(i => {"
        "const at = path.getPointAtLength(ends * i / 59).matrixTransform(there);"
        "return at.x < box.left || at.x > box.right || at.y < box.top || at.y > box.bottom;"
        "});});}).map(svg => svg.querySelector('title').textContent)"
    )
    assert outside == []


def test_a_small_drawing_is_64_pixels_wide_without_its_fine_parts(
    browser: Browser, guide: Path
) -> None:
    browser.open(guide, width=390)
    shown = "e => [...document.querySelectorAll(e)].map(d => d.getBoundingClientRect().width)"
    assert set(browser.value(f"({shown})('.plates .drawing')")) == {64}
    assert set(browser.value(f"({shown})('.plates .fine, .plates .bar')")) == {0}
    assert all(browser.value(f"({shown})('.entry .bar')"))


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_pen_stands_out_from_every_wash(browser: Browser, guide: Path, dark: bool) -> None:
    browser.open(guide, width=390, dark=dark)
    colours = browser.value(
        "(() => { const e = document.querySelector('.drawing path'); const out = [];"
        "for (const name of 'sand rock water brown green red pink pale orange blue'.split(' ')) {"
        " e.style.color = `var(--d-${name})`; out.push(getComputedStyle(e).color); }"
        "e.style.color = ''; return [getComputedStyle(document.body).color, ...out]; })()"
    )
    pen, *washes = (_luminance(c) for c in colours)
    for wash in washes:
        light, deep = max(pen, wash), min(pen, wash)
        # WCAG 2.2, 1.4.11: 3 for graphics.
        assert (light + 0.05) / (deep + 0.05) >= 3


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_it_prints_as_a_booklet_that_splits_no_entry(browser: Browser, guide: Path) -> None:
    browser.open(guide, width=round(SHEET[0]), media="print")
    entries = browser.value(
        "[...document.querySelectorAll('.entry')].map(e => [getComputedStyle(e).breakInside,"
        "e.getBoundingClientRect().height])"
    )
    assert len(entries) == len(load_guide())
    assert {kind for kind, _ in entries} == {"avoid"}
    assert max(height for _, height in entries) < SHEET[1]
    browser.open(guide, width=1200)
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", browser.tab.pdf(prefer_css_page_size=True)))
    assert len(entries) / 3 <= pages <= len(entries)
