"""The form in Chromium: drafts, days and clocks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from command_logs import rows, write_log
from report.browser import Browser
from report.form_example import (
    answer,
    click,
    days_ago,
    fill,
    make_form,
    saved_file,
    to_save,
    visible,
)

from maturity_model.cli.main import main
from maturity_model.logbook import read_logbook

pytestmark = pytest.mark.browser


# -- drafts -------------------------------------------------------------------------------


def test_a_draft_of_today_comes_back(fresh: Browser, page: Path, tmp_path: Path) -> None:
    answer(fresh, "t0", "copepods", "n")
    fill(fresh, "#t0-r-ammonia", "0.5")
    fill(fresh, "#t0-r-phosphate", "0.1")
    fill(fresh, "#t0-look", "torch")
    fill(fresh, "#observer", "ann's sister")
    click(fresh, "#t0 .add")
    fill(fresh, "#t0-e1-event", "crash")
    fresh.open(page)
    first = saved_file(fresh, tmp_path)
    look, event = rows(first)
    assert (look["copepods"], look["ammonia"], look["phosphate"]) == ("n", "0.5", "0.1")
    assert (look["look"], look["observer"]) == ("torch", "ann's sister")
    assert event["event"] == "crash"
    # Once saved it is gone, also for the next visit, but can be put back while the page is open.
    click(fresh, "#back")
    assert to_save(fresh) == "1 tank and 1 event to save"
    click(fresh, "#t0 .remove")
    saved_file(fresh, tmp_path)
    fresh.open(page)
    assert to_save(fresh) == "Nothing to save yet"
    assert "copepods" not in fresh.value("Object.values(localStorage).join()")


def test_an_old_draft_is_offered_and_never_carried_over(
    fresh: Browser, page: Path, tmp_path: Path
) -> None:
    fill(fresh, "#date", days_ago(7))
    answer(fresh, "t0", "diatoms", "y")
    fresh.open(page)
    offers = "document.querySelector('#offers').textContent"
    assert days_ago(7) in fresh.value(offers)
    assert (to_save(fresh), fresh.value("document.querySelector('#date').value")) == (
        "Nothing to save yet", days_ago(0),
    )  # fmt: skip
    # What is answered today does not touch it.
    answer(fresh, "t1", "diatoms", "n")
    today = saved_file(fresh, tmp_path)
    assert [(r["tank"], r["date"]) for r in rows(today)] == [("Nook", days_ago(0))]
    click(fresh, "#offers button")
    old = saved_file(fresh, tmp_path)
    assert old.name == f"checkins-ann-{days_ago(7)}.csv"
    assert [(r["tank"], r["date"]) for r in rows(old)] == [("Reef", days_ago(7))]
    fresh.open(page)
    assert fresh.value(offers) == ""


def test_where_storage_is_forbidden_it_still_saves(
    open_browser: Callable[..., Browser], page: Path, tmp_path: Path
) -> None:
    with open_browser() as browser:
        browser.tab.add_init_script(
            "Object.defineProperty(window, 'localStorage', "
            "{get() { throw new DOMException('no', 'SecurityError'); }})"
        )
        browser.open(page)
        assert visible(browser, "#no-drafts")
        answer(browser, "t1", "diatoms", "y")
        (row,) = rows(saved_file(browser, tmp_path))
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
    open_browser: Callable[..., Browser], tmp_path: Path, zone: str, instant: str, day: str
) -> None:
    log = write_log(tmp_path / "log", "tank,started\nReef,2026-01-01\n")
    form = make_form(log, tmp_path / "form.html")
    with open_browser(timezone_id=zone) as browser:
        browser.tab.clock.set_fixed_time(instant)
        browser.open(form)
        assert browser.value("Intl.DateTimeFormat().resolvedOptions().timeZone") == zone
        field = "document.querySelector('#date')"
        assert browser.value(f"[{field}.value, {field}.max]") == [day, day]
        answer(browser, "t0", "diatoms", "y")
        click(browser, "#t0 .add")
        fill(browser, "#t0-e1-event", "crash")
        path = saved_file(browser, tmp_path)
    assert path.name == f"checkins-{day}.csv"
    assert [row["date"] for row in rows(path)] == [day, day]
    assert main(["add", str(path), str(log)]) == 0
    assert read_logbook(log).checkins[0].date.isoformat() == day
