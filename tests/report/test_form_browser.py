"""The form in Chromium: filled in, saved, added, and seen in the weekly report."""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from report.browser import Browser, find_browser
from report.form_example import (
    EVIL,
    answer,
    arrived,
    click,
    days_ago,
    downloads_to,
    evil_log,
    fill,
    make_form,
    plain_log,
    saved_file,
    show,
)

from maturity_model.cli.main import main
from maturity_model.logbook import read_logbook

pytestmark = pytest.mark.browser


def program() -> str:
    found = find_browser()
    if found is None:
        pytest.skip("no Chromium here")
    return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser(program()) as opened:
        yield opened


@pytest.fixture(scope="module")
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


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def visible(browser: Browser, what: str) -> bool:
    found = browser.value(f"document.querySelector({what!r}).getClientRects().length > 0")
    return bool(found)


# -- from the form to the report ----------------------------------------------------------


def test_fill_save_add_and_see_the_change(browser: Browser, tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    form = make_form(log, tmp_path / "form.html", "--keeper", "ann")
    downloads_to(browser, tmp_path / "got")
    show(browser, form, width=390)
    browser.value("localStorage.clear()")
    show(browser, form, width=390)
    assert browser.value("[...document.querySelectorAll('.tank h2')].map(h => h.textContent)") == [
        "Reef", "Nook",
    ]  # fmt: skip
    answer(browser, "t0", "hair_algae", "y")
    answer(browser, "t0", "diatoms", "n")
    fill(browser, "#t0-r-ammonia", "0.25")
    fill(browser, "#t0-r-phosphate", "0,05")
    fill(browser, "#t0-note", 'two "pods", one\nline')
    click(browser, "#t1 .add")
    fill(browser, "#t1-e1-event", "water_change")
    fill(browser, "#t1-e1-amount", "15")
    fill(browser, "#t1-e1-date", days_ago(2))
    path = saved_file(browser, tmp_path / "got")
    today = dt.date.today().isoformat()
    assert path.name == f"checkins-ann-{today}.csv"
    assert table(path) == [
        {"tank": "Reef", "date": today, "observer": "ann", "look": "careful", "diatoms": "n",
         "hair_algae": "y", "ammonia": "0.25", "phosphate": "0.05", "event": "", "amount": "",
         "note": 'two "pods", one line'},
        {"tank": "Nook", "date": days_ago(2), "observer": "", "look": "", "diatoms": "",
         "hair_algae": "", "ammonia": "", "phosphate": "", "event": "water_change",
         "amount": "15", "note": ""},
    ]  # fmt: skip
    # What could be copied instead is the same text.
    assert browser.value("document.querySelector('#text').value") == path.read_text("utf-8")

    def weekly(name: str) -> str:
        assert main(["weekly", str(log), "--out", str(tmp_path / name)]) == 0
        show(browser, tmp_path / name / "Reef.html")
        return str(browser.value("document.querySelector('#change').innerText"))

    before = weekly("before")
    assert main(["add", str(path), str(log)]) == 0
    after = weekly("after")
    assert "two “pods”" not in before
    assert 'two "pods", one line' in after
    assert "Seen last time, not this time: diatoms" in after
    assert "Seen for the first time: hair algae" in after
    assert read_logbook(log).events[-1].amount == 15.0
    text = (log / "checkins.csv").read_bytes()
    assert main(["add", str(path), str(log)]) == 0
    assert (log / "checkins.csv").read_bytes() == text
    # The next form has these answers beside the questions.
    show(browser, make_form(log, tmp_path / "next.html", "--keeper", "ann"))
    said = browser.value("document.querySelector('#t0-s-hair_algae-l').textContent")
    now = dt.date.today()
    assert said == f"Last: seen, {now.day} {now:%B} {now.year}"


def test_nothing_is_checked_at_first_and_nothing_is_saved(fresh: Browser, tmp_path: Path) -> None:
    groups = "[...document.querySelectorAll('[data-sign]')]"
    assert fresh.value(f"{groups}.length") == 24
    checked = (
        "g => g.querySelectorAll('input:checked').length + ':' +"
        " g.querySelector('input:checked').value"
    )
    assert set(fresh.value(f"{groups}.map({checked})")) == {"1:"}
    order = "[...g.querySelectorAll('label')].map(l => l.textContent.trim()).join('|')"
    assert set(fresh.value(f"{groups}.map(g => {order})")) == {"Not checked|Seen|Looked, not seen"}
    click(fresh, "#write")
    assert "nothing to save" in fresh.value("document.querySelector('#status').textContent")
    assert list((tmp_path / "got").iterdir()) == []
    # A day and a look alone are no check-in either.
    fill(fresh, "#t0-look", "torch")
    fill(fresh, "#t0-date", days_ago(1))
    click(fresh, "#write")
    assert list((tmp_path / "got").iterdir()) == []


def test_what_tells_most_comes_first(fresh: Browser, page: Path) -> None:
    named = fresh.value("document.querySelector('#t0 .most').textContent")
    first = fresh.value("document.querySelector('#t0 .sign legend').textContent")
    assert first in named
    orders = {
        t: fresh.value(f"[...document.querySelectorAll('#{t} .sign')].map(s => s.dataset.sign)")
        for t in ("t0", "t1")
    }
    # The tanks were checked for different things, so the order differs.
    assert sorted(orders["t0"]) == sorted(orders["t1"])
    assert orders["t0"] != orders["t1"]


def test_a_reading_has_the_steps_of_its_chart(fresh: Browser, tmp_path: Path) -> None:
    steps = fresh.value("[...document.querySelector('#t0-r-ammonia').options].map(o => o.value)")
    assert steps == ["", "0", "0.25", "0.5", "1", ">1", "other"]
    assert not visible(fresh, "#t0-r-ammonia-own")
    fill(fresh, "#t0-r-ammonia", "other")
    assert visible(fresh, "#t0-r-ammonia-own")
    assert fresh.value("document.activeElement.id") == "t0-r-ammonia-own"
    fill(fresh, "#t0-r-ammonia-own", "< 0,25")
    fill(fresh, "#t0-r-salinity", "1.026")
    (row,) = table(saved_file(fresh, tmp_path / "got"))
    assert (row["ammonia"], row["salinity"]) == ("<0.25", "1.026")


# -- faults -------------------------------------------------------------------------------


def test_faults_are_named_reachable_and_mended(fresh: Browser, tmp_path: Path) -> None:
    tomorrow = (dt.date.today() + dt.timedelta(days=1)).isoformat()
    fill(fresh, "#t0-r-phosphate", "a lot")
    fill(fresh, "#t0-r-salinity", "1,026")
    fill(fresh, "#t0-date", tomorrow)
    fill(fresh, "#t1-r-temperature", "77")
    click(fresh, "#t1 .add")
    fill(fresh, "#t1-e1-event", "water_change")
    fill(fresh, "#t1-e1-date", days_ago(41))
    click(fresh, "#write")
    said = fresh.value("[...document.querySelectorAll('#faults li')].map(x => x.textContent)")
    assert [s.split(":")[0] for s in said] == ["Reef", "Reef", "Reef", "Nook", "Nook", "Nook"]
    words = ("not come yet", "write a number", "thousand", "outside 0 to 45", "before the tank",
             "it is needed")  # fmt: skip
    for word in words:
        assert sum(word in s for s in said) == 1, word
    assert fresh.value("document.activeElement.id") == "faults"
    bad = "[...document.querySelectorAll('[aria-invalid=true]')]"
    assert len(fresh.value(f"{bad}.map(x => x.id)")) == 6
    assert fresh.value(
        f"{bad}.every(x => document.getElementById(x.getAttribute('aria-describedby'))"
        ".classList.contains('fault'))"
    )
    click(fresh, "#faults li a")
    assert fresh.value("document.activeElement.id") == "t0-date"
    assert list((tmp_path / "got").iterdir()) == []
    for field, text in {
        "#t0-r-phosphate": "0.1", "#t0-r-salinity": "1.026", "#t0-date": days_ago(0),
        "#t1-r-temperature": "25", "#t1-e1-date": days_ago(1), "#t1-e1-amount": "20",
    }.items():  # fmt: skip
        fill(fresh, field, text)
    assert len(table(saved_file(fresh, tmp_path / "got"))) == 3
    assert fresh.value(f"{bad}.length + document.querySelectorAll('.fault').length") == 0
    assert (
        fresh.value("document.querySelector('#t0-r-phosphate').getAttribute('aria-describedby')")
        == "t0-r-phosphate-l"
    )


# -- drafts -------------------------------------------------------------------------------


def test_a_draft_is_kept_and_deleted(fresh: Browser, page: Path, tmp_path: Path) -> None:
    answer(fresh, "t0", "copepods", "n")
    fill(fresh, "#t0-r-ammonia", "0.5")
    fill(fresh, "#t0-r-phosphate", "0.1")
    fill(fresh, "#t0-date", days_ago(3))
    fill(fresh, "#t0-look", "torch")
    fill(fresh, "#observer", "ann's sister")
    click(fresh, "#t0 .add")
    fill(fresh, "#t0-e1-event", "crash")
    show(fresh, page)
    assert visible(fresh, "#draft")
    click(fresh, "#write")
    first = arrived(tmp_path / "got", set())
    look, event = table(first)
    assert (look["copepods"], look["ammonia"], look["phosphate"]) == ("n", "0.5", "0.1")
    assert (look["date"], look["look"], look["observer"]) == (days_ago(3), "torch", "ann's sister")
    assert event["event"] == "crash"
    # What was saved stays, and says that it was saved.
    show(fresh, page)
    assert "saved already" in fresh.value("document.querySelector('#draft').textContent")
    click(fresh, "#clear")
    assert fresh.value("document.activeElement.id") == "no"
    click(fresh, "#yes")
    show(fresh, page)
    assert not visible(fresh, "#draft")
    click(fresh, "#write")
    assert "nothing to save" in fresh.value("document.querySelector('#status').textContent")
    kept = fresh.value("Object.keys(localStorage).map(k => k + localStorage[k]).join()")
    assert "copepods" not in kept


def test_where_storage_is_forbidden_it_still_saves(page: Path, tmp_path: Path) -> None:
    with Browser(program()) as browser:
        browser.call(
            "Page.addScriptToEvaluateOnNewDocument",
            source="Object.defineProperty(window, 'localStorage', "
            "{get() { throw new DOMException('no', 'SecurityError'); }})",
        )
        downloads_to(browser, tmp_path / "got")
        show(browser, page)
        assert visible(browser, "#no-drafts")
        answer(browser, "t1", "diatoms", "y")
        (row,) = table(saved_file(browser, tmp_path / "got"))
        assert (row["tank"], row["diatoms"]) == ("Nook", "y")


# -- dates --------------------------------------------------------------------------------

#: An instant, and the calendar day there. Offsets: IANA time zone database.
PLACES = [
    ("Pacific/Kiritimati", "2026-03-10T09:59:30Z", "2026-03-10"),  # 23:59:30, UTC+14
    ("Pacific/Kiritimati", "2026-03-10T10:00:30Z", "2026-03-11"),
    ("America/Los_Angeles", "2026-03-10T06:59:30Z", "2026-03-09"),  # 23:59:30, UTC-7
    ("America/Los_Angeles", "2026-03-10T07:00:30Z", "2026-03-10"),
]


@pytest.mark.parametrize(("zone", "instant", "day"), PLACES)
def test_the_day_is_that_of_the_keepers_clock(
    tmp_path: Path, zone: str, instant: str, day: str
) -> None:
    log = tmp_path / "log"
    log.mkdir()
    (log / "tanks.csv").write_text("tank,started\nReef,2026-01-01\n")
    (log / "checkins.csv").write_text("tank,date\n")
    form = make_form(log, tmp_path / "form.html")
    clock = (
        f"(() => {{ const at = Date.parse('{instant}'); const Real = Date;"
        " window.Date = class extends Real {"
        " constructor(...x) { x.length ? super(...x) : super(at); }"
        " static now() { return at; } }; })()"
    )
    with Browser(program(), TZ=zone) as browser:
        browser.call("Page.addScriptToEvaluateOnNewDocument", source=clock)
        downloads_to(browser, tmp_path / "got")
        show(browser, form)
        assert browser.value("Intl.DateTimeFormat().resolvedOptions().timeZone") == zone
        field = "document.querySelector('#t0-date')"
        assert browser.value(f"[{field}.value, {field}.max]") == [day, day]
        answer(browser, "t0", "diatoms", "y")
        click(browser, "#t0 .add")
        fill(browser, "#t0-e1-event", "crash")
        path = saved_file(browser, tmp_path / "got")
    assert path.name == f"checkins-{day}.csv"
    assert [row["date"] for row in table(path)] == [day, day]
    assert main(["add", str(path), str(log)]) == 0
    assert read_logbook(log).checkins[0].date.isoformat() == day


# -- access -------------------------------------------------------------------------------


def focus(browser: Browser) -> str:
    return str(browser.value("document.activeElement.id || document.activeElement.name || ''"))


def test_the_keyboard_alone_suffices(fresh: Browser, tmp_path: Path) -> None:
    seen = []
    for _ in range(400):
        fresh.press("Tab")
        # What has the focus shows it: itself, or the label around it.
        assert fresh.value(
            "(() => { const x = document.activeElement; const box = x.matches('.choice input')"
            " ? x.parentElement : x; const s = getComputedStyle(box);"
            " return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; })()"
        ), focus(fresh)
        seen.append(focus(fresh))
        if seen[-1] == "t0-s-diatoms":
            fresh.press("ArrowRight")
        if seen[-1] == "t0-r-phosphate":
            fresh.type("0.1")
        begun = fresh.value("document.querySelectorAll('.event').length")
        if not begun and fresh.value("document.activeElement.matches('#t0 .add')"):
            fresh.press("Enter")
            assert focus(fresh) == "t0-e1-event"
            fresh.type("cra")
        if seen[-1] == "write":
            break
    # A group of radio buttons is one stop.
    assert seen.count("t0-s-diatoms") == 1
    before = set((tmp_path / "got").iterdir())
    fresh.press("Enter")
    look, event = table(arrived(tmp_path / "got", before))
    assert (look["diatoms"], look["phosphate"], event["event"]) == ("y", "0.1", "crash")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 390, 1200])
def test_nothing_overflows_and_fingers_fit(
    fresh: Browser, page: Path, width: int, dark: bool
) -> None:
    show(fresh, page, width=width, dark=dark)
    click(fresh, "#t0 .add")
    fill(fresh, "#t0-note", "W" * 300)
    fill(fresh, "#t0-r-phosphate", "W" * 20)
    click(fresh, "#write")
    fresh.value("document.querySelectorAll('details').forEach(d => d.open = true)")
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


def test_every_control_has_a_name_and_every_reference_an_end(fresh: Browser) -> None:
    click(fresh, "#t0 .add")
    fresh.value("document.querySelectorAll('details').forEach(d => d.open = true)")
    fresh.value("document.querySelectorAll('[hidden]').forEach(x => x.hidden = false)")
    roles = {"textbox", "combobox", "radio", "button", "link", "Date", "group", "radiogroup",
             "form", "region", "listbox", "alert"}  # fmt: skip
    nodes = fresh.call("Accessibility.getFullAXTree")["nodes"]
    named: dict[str, int] = {}
    for node in nodes:
        role = node.get("role", {}).get("value")
        if node.get("ignored") or role not in roles or role == "alert":
            continue
        name = node.get("name", {}).get("value", "").strip()
        inner = {p["name"] for p in node.get("properties", ())}
        if role == "group" and "focusable" not in inner and not name:
            # The parts of a date field, and a details element, are groups without a name.
            continue
        assert name, (role, node)
        named[role] = named.get(role, 0) + 1
    assert named["radio"] == 72
    assert named["group"] >= 24
    assert fresh.value(
        "[...document.querySelectorAll('fieldset')].every(f => f.querySelector('legend'))"
    )
    ids = fresh.value("[...document.querySelectorAll('[id]')].map(x => x.id)")
    assert len(ids) == len(set(ids))
    missing = fresh.value(
        "['for', 'aria-describedby', 'aria-labelledby', 'list'].flatMap(a =>"
        " [...document.querySelectorAll('[' + a + ']')].flatMap(x => x.getAttribute(a).split(' ')))"
        ".filter(id => !document.getElementById(id))"
    )
    assert missing == []
    levels = fresh.value("[...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1])")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert fresh.value("document.documentElement.lang") == "en"


CONTRASTS = """
(() => {
  const rgb = (c) => c.match(/[\\d.]+/g).map(Number);
  const lum = (c) => { const [r, g, b] = rgb(c).slice(0, 3).map(v => { v /= 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = (x) => { for (; x; x = x.parentElement) {
    const c = getComputedStyle(x).backgroundColor; const p = rgb(c);
    if (p.length === 3 || p[3] === 1) return c; } return 'rgb(255, 255, 255)'; };
  const low = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let count = 0;
  while (walk.nextNode()) {
    const x = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !x.getClientRects().length) continue;
    if (x.matches('.away, .skip, option')) continue;
    const pair = [lum(getComputedStyle(x).color), lum(ground(x))];
    const [a, b] = pair.sort((p, q) => q - p);
    count += 1;
    if ((a + 0.05) / (b + 0.05) < 4.5) low.push(walk.currentNode.data.slice(0, 40));
  }
  for (const x of document.querySelectorAll('input, select, textarea, button')) {
    if (!x.getClientRects().length || x.type === 'radio') continue;
    const s = getComputedStyle(x);
    const edge = s.borderTopColor;
    const behind = ground(x.parentElement);
    const [a, b] = [lum(edge), lum(behind)].sort((p, q) => q - p);
    if ((a + 0.05) / (b + 0.05) < 3) low.push('edge of ' + (x.id || x.className));
    if (!x.placeholder) continue;
    const ink = [lum(getComputedStyle(x, '::placeholder').color), lum(ground(x))];
    const [c, d] = ink.sort((p, q) => q - p);
    if ((c + 0.05) / (d + 0.05) < 4.5) low.push('placeholder of ' + x.id);
  }
  return { low, count };
})()
"""


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_contrast_is_enough(fresh: Browser, page: Path, dark: bool) -> None:
    # WCAG 2.2, 1.4.3 and 1.4.11
    show(fresh, page, dark=dark)
    click(fresh, "#t0 .add")
    fill(fresh, "#t0-r-phosphate", "bad")
    click(fresh, "#write")
    fresh.value("document.querySelectorAll('details').forEach(d => d.open = true)")
    fresh.value("document.querySelectorAll('[hidden]').forEach(x => x.hidden = false)")
    found = fresh.value(CONTRASTS)
    assert found["count"] > 150
    assert found["low"] == []


# -- without script, and on paper ------------------------------------------------------------


def test_without_script_it_says_so_and_is_a_checklist(browser: Browser, page: Path) -> None:
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        show(browser, page)
        assert "cannot save" in browser.value("document.querySelector('noscript').textContent")
        assert visible(browser, "noscript p")
        for hidden in ("#save", ".add", "#no-drafts"):
            assert not visible(browser, hidden)
        assert visible(browser, "#t0-s-diatoms-l")
        assert browser.pdf().startswith(b"%PDF")
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)


def test_on_paper_it_is_a_checklist(fresh: Browser, page: Path) -> None:
    show(fresh, page, width=700, dark=True, media="print")
    for hidden in ("nav", "#save", ".add", "#t0 details", '#t0 .choice label:has([value=""])'):
        assert not visible(fresh, hidden), hidden
    for shown in ("#t0 .paper", '#t0 .choice label:has([value="n"])', "#t0-r-ammonia", "footer"):
        assert visible(fresh, shown), shown
    ink = fresh.value("getComputedStyle(document.body).color")
    assert sum(map(int, re.findall(r"\d+", ink)[:3])) < 200
    # One tank a page: two tanks, and nothing that spills over.
    pages = re.findall(rb"/Type\s*/Page\b(?!s)", fresh.pdf())
    assert len(pages) == 2


# -- stored markup ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def evil(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evil")
    log = evil_log(folder / "log")
    make_form(log, folder / "form.html")
    make_form(log, folder / "each", "--each")
    assert main(["weekly", str(log), "--out", str(folder / "report")]) == 0
    return folder


def test_markup_from_a_log_is_text_in_every_page(browser: Browser, evil: Path) -> None:
    pages = sorted(evil.rglob("*.html"))
    assert len(pages) == 5
    for path in pages:
        show(browser, path)
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
        assert browser.value("new Promise(done => setTimeout(() => done(window.ran), 50))") in (
            None, {},
        ), path  # fmt: skip


def test_a_tank_with_markup_for_a_name_is_logged_by_the_form(
    browser: Browser, evil: Path, tmp_path: Path
) -> None:
    downloads_to(browser, tmp_path / "got")
    show(browser, evil / "form.html")
    browser.value("localStorage.clear()")
    show(browser, evil / "form.html")
    names = browser.value("[...document.querySelectorAll('.tank')].map(t => t.dataset.tank)")
    assert names == [EVIL, "100 % <i>reef</i>"]
    answer(browser, "t0", "own_sign", "y")
    answer(browser, "t1", "diatoms", "n")
    fill(browser, "#t1-note", EVIL)
    path = saved_file(browser, tmp_path / "got")
    assert [r["tank"] for r in table(path)] == names
    assert main(["add", str(path), str(evil / "log")]) == 0
    book = read_logbook(evil / "log")
    assert [(c.tank, c.signs, c.note) for c in book.checkins[-2:]] == [
        (EVIL, {"own_sign": True}, ""), (names[1], {"diatoms": False}, EVIL),
    ]  # fmt: skip
