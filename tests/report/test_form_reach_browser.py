"""The form in Chromium for everyone: keyboard, narrow screens, no script, paper, stored markup."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from command_logs import rows
from report.browser import Browser
from report.form_example import (
    EVIL,
    answer,
    click,
    evil_log,
    fill,
    make_form,
    plain_log,
    saved_file,
    unfold,
    visible,
)
from report.test_accessible import violations
from report.test_report_style import contrast

from maturity_model.cli.main import main
from maturity_model.logbook import read_logbook

pytestmark = pytest.mark.browser


# -- access -------------------------------------------------------------------------------


def focus(browser: Browser) -> str:
    return str(browser.value("document.activeElement.id || document.activeElement.name || ''"))


def test_the_keyboard_alone_suffices(fresh: Browser, tmp_path: Path) -> None:
    seen = []
    unfold(fresh, "#t0, #t0 details")
    for _ in range(400):
        fresh.tab.keyboard.press("Tab")
        # What has the focus shows it: itself, or the label around it.
        assert fresh.value(
            "(() => { const x = document.activeElement; const box = x.matches('.choice input')"
            " ? x.parentElement : x; const s = getComputedStyle(box);"
            " return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; })()"
        ), focus(fresh)
        seen.append(focus(fresh))
        if seen[-1] == "t0-s-diatoms":
            fresh.tab.keyboard.press("Space")
        if seen[-1] == "t0-r-phosphate":
            fresh.tab.keyboard.type("0.1")
        begun = fresh.value("document.querySelectorAll('.event').length")
        if not begun and fresh.value("document.activeElement.matches('#t0 .add')"):
            fresh.tab.keyboard.press("Enter")
            assert focus(fresh) == "t0-e1-event"
            fresh.tab.keyboard.type("cra")
        if seen[-1] == "write":
            break
    # A group of radio buttons is one stop.
    assert seen.count("t0-s-diatoms") == 1
    look, event = rows(saved_file(fresh, tmp_path, key="Enter"))
    assert (look["diatoms"], look["phosphate"], event["event"]) == ("y", "0.1", "crash")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 1200])
def test_nothing_overflows_and_fingers_fit(
    fresh: Browser, page: Path, width: int, dark: bool
) -> None:
    fresh.open(page, width=width, dark=dark)
    click(fresh, "#t0 .add")
    fill(fresh, "#t0-note", "W" * 300)
    fill(fresh, "#t0-r-phosphate", "W" * 20)
    click(fresh, "#t0 .same")
    click(fresh, "#write")
    unfold(fresh)
    assert fresh.value("document.documentElement.scrollWidth") <= width
    # WCAG 2.2, 2.5.8 asks for 24 px; a thumb in front of a tank wants more.
    small = fresh.value(
        "[...document.querySelectorAll('button, select, input, textarea, summary, .choice label')]"
        ".filter(x => x.getClientRects().length && !x.matches('.choice input'))"
        ".map(x => [x.id || x.className || x.tagName, x.getBoundingClientRect().height])"
        ".filter(x => x[1] < (x[0] === 'SUMMARY' ? 24 : 44))"
    )
    assert small == []
    # The three answers stand side by side on a phone.
    if width == 390:
        tops = (
            "[...g.querySelectorAll('label')].map(l => Math.round(l.getBoundingClientRect().top))"
        )
        assert fresh.value(
            f"[...document.querySelectorAll('.choice')].every(g => new Set({tops}).size === 1)"
        )


@pytest.mark.parametrize("opened", [False, True], ids=["closed", "open"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_on_the_form(
    fresh: Browser, page: Path, axe: str, dark: bool, opened: bool
) -> None:
    fresh.open(page, width=390, dark=dark)
    if opened:
        click(fresh, "#t0 .add")
        fill(fresh, "#t0-r-phosphate", "bad")
        click(fresh, "#t0 .same")
        click(fresh, "#write")
        unfold(fresh)
        fresh.value("document.querySelectorAll('[hidden]').forEach(x => x.hidden = false)")
    assert violations(fresh, axe) == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_edges_of_fields_can_be_seen(fresh: Browser, page: Path, dark: bool) -> None:
    # WCAG 2.2, 1.4.11, which axe-core leaves out
    fresh.open(page, dark=dark)
    unfold(fresh)
    pairs = fresh.value(
        "[...document.querySelectorAll('input:not([type=radio]), select, textarea, .choice label')]"
        ".filter(x => x.getClientRects().length).map(x => [getComputedStyle(x).borderTopColor,"
        " getComputedStyle(x.closest('.card, body')).backgroundColor].join(' | '))"
    )
    assert pairs
    for pair in set(pairs):
        edge, ground = ("#" + "".join(f"{int(c):02x}" for c in re.findall(r"\d+", x)[:3])
                        for x in pair.split("|"))  # fmt: skip
        assert contrast(edge, ground) >= 3, pair


# -- without script, and on paper ------------------------------------------------------------


def test_without_script_it_says_so(open_browser: Callable[..., Browser], page: Path) -> None:
    with open_browser(java_script_enabled=False) as browser:
        browser.open(page)
        assert "cannot save" in browser.value("document.querySelector('noscript').textContent")
        assert visible(browser, "noscript p")
        for hidden in (".bar", "#no-drafts"):
            assert not visible(browser, hidden)
        browser.value("document.querySelector('#t0').open = true")
        assert visible(browser, "#t0-s-diatoms-l")


# -- stored markup ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def evil(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evil")
    log = evil_log(folder / "log")
    make_form(log, folder / "form.html")
    make_form(log, folder / "each", "--each")
    assert main(["weekly", str(log), "--out", str(folder / "report")]) == 3
    return folder


def test_markup_from_a_log_is_text_in_every_page(browser: Browser, evil: Path) -> None:
    pages = sorted(evil.rglob("*.html"))
    assert len(pages) == 5
    for path in pages:
        browser.open(path)
        assert browser.value("window.pwned") is None, path
        assert browser.value("document.querySelectorAll('img, b b, u, main i').length") == 0
        shown = browser.value("document.body.innerText")
        assert "<img src=x onerror=window.pwned=2>" in shown or "100 % <i>reef" in shown.replace(
            "\u00a0", " "
        )
        # And the policy would not let a script run that had slipped in.
        browser.value(
            "(() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
            " document.body.append(s); const i = document.createElement('div');"
            " i.innerHTML = '<img src=x onerror=\"window.ran = 2\">'; document.body.append(i); })()"
        )
        ran = browser.value("new Promise(done => setTimeout(() => done(window.ran), 50))")
        assert ran is None, path


def test_a_tank_with_markup_for_a_name_is_logged_by_the_form(
    browser: Browser, evil: Path, tmp_path: Path
) -> None:
    browser.open(evil / "form.html")
    browser.value("localStorage.clear()")
    browser.open(evil / "form.html")
    names = browser.value("[...document.querySelectorAll('.card')].map(t => t.dataset.tank)")
    assert names == [EVIL, "100 % <i>reef</i>"]
    answer(browser, "t0", "own_sign", "y")
    answer(browser, "t1", "diatoms", "n")
    fill(browser, "#t1-note", EVIL)
    path = saved_file(browser, tmp_path)
    assert [r["tank"] for r in rows(path)] == names
    assert main(["add", str(path), str(evil / "log")]) == 0
    book = read_logbook(evil / "log")
    assert [(c.tank, c.signs, c.note) for c in book.checkins[-2:]] == [
        (EVIL, {"own_sign": True}, ""), (names[1], {"diatoms": False}, EVIL),
    ]  # fmt: skip


# -- on paper ---------------------------------------------------------------------------------


def test_the_paper_sheet_is_one_page(browser: Browser, axe: str, tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    with (log / "tanks.csv").open("a", encoding="utf-8") as tanks:
        tanks.write("".join(f"A tank by the window {i},ann,2026-01-01,dry,60\n" for i in range(6)))
    page = make_form(log, tmp_path / "paper.html", "--paper", "--keeper", "ann")
    browser.open(page)
    assert browser.value("document.querySelectorAll('thead th').length") == 9
    assert violations(browser, axe) == []
    assert (
        len(re.findall(rb"/Type\s*/Page\b(?!s)", browser.tab.pdf(prefer_css_page_size=True))) == 1
    )
