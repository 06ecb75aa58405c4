"""A week for five tanks on a phone, by taps: two devices, a photo, a log that was a workbook."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import xlsxwriter
from command_logs import rows, write_log
from PIL import Image
from report.browser import Browser
from report.form_example import days_ago, make_form, saved_file, to_save

from maturity_model.cli.main import main
from maturity_model.logbook import read_logbook

pytestmark = pytest.mark.browser

TANKS = ("Reef", "Nook", "Cove", "Spit", "Ledge")


@pytest.fixture
def devices(open_browser: Callable[..., Browser]) -> Iterator[tuple[Browser, Browser]]:
    """Two phones, each with a store that the other does not see."""
    with ExitStack() as stack:
        yield tuple(stack.enter_context(open_browser(has_touch=True)) for _ in range(2))


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log that began as a workbook."""
    book = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(book) as workbook:
        sheets = {
            "tanks": [["tank", "keeper", "started"], *([t, "ann", days_ago(60)] for t in TANKS)],
            "checkins": [["tank", "date", "diatoms"], ["Reef", days_ago(9), "y"]],
            "events": [["tank", "date", "event"]],
        }
        for name, lines in sheets.items():
            sheet = workbook.add_worksheet(name)
            for line, cells in enumerate(lines):
                sheet.write_row(line, 0, cells)
    assert main(["tables", str(book), str(tmp_path / "log")]) == 0
    return tmp_path / "log"


def tap(browser: Browser, what: str) -> None:
    browser.tab.locator(what).first.tap()


def week(browser: Browser, form: Path, cards: range, photo: Path | None = None) -> None:
    """Answer the five looks of each card that tell most, with a finger."""
    browser.open(form, width=390)
    tap(browser, f"#t{cards[0]} > summary")
    for n in cards:
        asked = browser.value(
            f"[...document.querySelectorAll('#t{n} [data-asked]')]"
            ".map(x => x.dataset.sign ?? x.dataset.analyte)"
        )
        assert len(asked) == 5
        for i, name in enumerate(asked):
            sign = f'#t{n} [data-asked][data-sign="{name}"] .choice label'
            if browser.tab.locator(sign).count():
                browser.tab.locator(sign).nth(i % 2).tap()
            elif browser.tab.locator(f"select#t{n}-r-{name}").count():
                browser.tab.locator(f"#t{n}-r-{name}").select_option(index=1)
            else:
                browser.tab.locator(f"#t{n}-r-{name}").fill("0")
        assert browser.value(f"document.querySelector('#t{n}-state').textContent") == "Done"
        if photo and n == cards[0]:
            browser.tab.set_input_files(f"#t{n}-p1", photo)
        # It opens the next one that is not begun.
        tap(browser, f"#t{n} .next")


def test_a_week_for_five_tanks(devices: tuple[Browser, Browser], log: Path, tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    Image.new("RGB", (3000, 2000), "teal").save(photo)
    form = make_form(log, tmp_path / "form.html", "--keeper", "ann")
    one, other = devices
    week(one, form, range(3), photo)
    week(other, form, range(3, 5))
    files = [saved_file(one, tmp_path / "one"), saved_file(other, tmp_path / "other")]
    assert [f.suffix for f in files] == [".zip", ".csv"]
    # In either order the log is the same.
    ends = []
    for order in (files, files[::-1]):
        copy = tmp_path / f"copy{len(ends)}"
        shutil.copytree(log, copy)
        for file in order:
            assert main(["add", str(file), str(copy)]) == 0
        assert (copy / "photos" / "Reef" / f"{days_ago(0)}-1.jpg").is_file()
        assert main(["weekly", str(copy), "--out", str(copy / "report")]) == 0
        looks = read_logbook(copy).checkins
        ends.append(
            sorted((c.tank, c.date, sorted(c.signs.items()), len(c.readings)) for c in looks)
        )
    assert ends[0] == ends[1]
    assert sum(len(c.signs) + len(c.readings) for c in looks) == 25 + 1
    # Next week's form is empty on both.
    again = make_form(copy, tmp_path / "again.html", "--keeper", "ann")
    for browser in devices:
        browser.open(again, width=390)
        assert to_save(browser) == "Nothing to save yet"
        assert browser.value("document.querySelectorAll('input:checked').length") == 0


def test_two_people_of_one_tank_and_day_are_both_kept(
    devices: tuple[Browser, Browser], tmp_path: Path
) -> None:
    log = write_log(
        tmp_path / "log",
        tanks=f"tank,started\nReef,{days_ago(60)}\n",
        checkins="tank,date,diatoms\n",
        events="tank,date,event\n",
    )
    form = make_form(log, tmp_path / "form.html")
    for browser, who in zip(devices, ("ann", "bob"), strict=True):
        week(browser, form, range(1))
        browser.tab.fill("#observer", who)
        file = saved_file(browser, tmp_path / who)
        assert main(["add", str(file), str(log)]) == 0
    assert [row["observer"] for row in rows(log / "checkins.csv")] == ["ann", "bob"]
