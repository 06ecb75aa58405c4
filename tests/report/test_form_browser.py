"""The form in Chromium: filled in, saved, added, and seen in the weekly report."""

from __future__ import annotations

import datetime as dt
import zipfile
from pathlib import Path

import pytest
from command_logs import rows
from PIL import Image
from report.browser import Browser
from report.form_example import (
    answer,
    click,
    days_ago,
    fill,
    make_form,
    plain_log,
    saved_file,
    to_save,
    unfold,
    visible,
)

from maturity_model.cli.main import main
from maturity_model.logbook import read_logbook
from maturity_model.report.wording import date_words

pytestmark = pytest.mark.browser


# -- from the form to the report ----------------------------------------------------------


def test_fill_save_add_and_see_the_change(browser: Browser, tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    form = make_form(log, tmp_path / "form.html", "--keeper", "ann")
    browser.open(form, width=390)
    browser.value("localStorage.clear()")
    browser.open(form, width=390)
    assert browser.value("[...document.querySelectorAll('.card h2')].map(h => h.textContent)") == [
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
    path = saved_file(browser, tmp_path)
    today = dt.date.today().isoformat()
    assert path.name == f"checkins-ann-{today}.csv"
    assert rows(path) == [
        {"tank": "Reef", "date": today, "observer": "ann", "look": "careful", "diatoms": "n",
         "hair_algae": "y", "ammonia": "0.25", "phosphate": "0.05", "event": "", "amount": "",
         "note": 'two "pods", one line'},
        {"tank": "Nook", "date": days_ago(2), "observer": "", "look": "", "diatoms": "",
         "hair_algae": "", "ammonia": "", "phosphate": "", "event": "water_change",
         "amount": "15", "note": ""},
    ]  # fmt: skip
    # What could be copied instead is the same text, and the form is empty for the next look.
    assert browser.value("document.querySelector('#text').value") == path.read_text("utf-8")
    assert to_save(browser) == "Nothing to save yet"
    assert browser.value("document.querySelectorAll('input:checked, .event').length") == 0
    assert not browser.value("document.querySelector('.card[open]')")

    def weekly(name: str) -> str:
        assert main(["weekly", str(log), "--out", str(tmp_path / name)]) == 0
        browser.open(tmp_path / name / "Reef.html")
        # Nothing new, no such part.
        return str(browser.value("document.querySelector('#change')?.textContent"))

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
    browser.open(make_form(log, tmp_path / "next.html", "--keeper", "ann"))
    said = browser.value("document.querySelector('#t0-s-hair_algae-l').textContent")
    now = dt.date.today()
    assert said == f"Last: seen on {date_words(now, now)}"


def test_names_that_mean_something_to_a_program(browser: Browser, tmp_path: Path) -> None:
    log, name = tmp_path / "log", "=cmd|x"
    assert main(["new", str(log), "--tank", name, "--started", days_ago(40)]) == 0
    (log / "signs.csv").write_text(
        "sign,label,cycling,bloom,colonising,mature\nconstructor,Builder,0.1,0.2,0.3,0.4\n"
    )
    browser.open(make_form(log, tmp_path / "form.html"))
    answer(browser, "t0", "diatoms", "y")
    click(browser, "#t0 .add")
    fill(browser, "#t0-e1-event", "water_change")
    fill(browser, "#t0-e1-amount", "15")
    path = saved_file(browser, tmp_path)
    look, event = rows(path)
    assert "constructor" not in look
    assert (look["tank"], event["tank"]) == ("'" + name, "'" + name)
    click(browser, "#back")
    answer(browser, "t0", "constructor", "n")
    path = saved_file(browser, tmp_path)
    assert [row["constructor"] for row in rows(path)] == ["n", ""]
    assert main(["add", str(path), str(log)]) == 0
    book = read_logbook(log)
    assert (*book.tanks, book.checkins[0].tank, book.events[0].tank) == (name,) * 3
    assert book.checkins[0].signs == {"diatoms": True, "constructor": False}


def test_nothing_is_checked_at_first_and_nothing_is_saved(fresh: Browser) -> None:
    saved: list[object] = []
    fresh.tab.once("download", lambda file: saved.append(file))
    assert fresh.value("document.querySelectorAll('[data-sign]').length") == 24
    assert fresh.value("document.querySelectorAll('input:checked').length") == 0
    click(fresh, "#write")
    assert "nothing to save" in to_save(fresh)
    # A day and a way of looking alone are no look either.
    fill(fresh, "#t0-look", "torch")
    fill(fresh, "#date", days_ago(1))
    click(fresh, "#write")
    fresh.tab.wait_for_timeout(100)
    assert saved == []


def test_the_form_is_short_before_anything_is_opened(browser: Browser, tmp_path: Path) -> None:
    log = plain_log(tmp_path / "log")
    with (log / "tanks.csv").open("a", encoding="utf-8") as tanks:
        tanks.write(f"Cove,ann,{days_ago(50)},dry,60\nSpit,ann,{days_ago(20)},live,20\n")
    browser.open(make_form(log, tmp_path / "form.html"), width=390)
    assert browser.value("document.querySelectorAll('.card').length") == 5
    # Four screens and 60 tab stops were the limits.
    assert browser.value("document.documentElement.scrollHeight") <= 844
    stops = 0
    while browser.value("document.activeElement.id") != "write":
        browser.tab.keyboard.press("Tab")
        stops += 1
        assert stops < 60
    assert stops <= 12
    bar = browser.value("document.querySelector('.bar').getBoundingClientRect().bottom")
    assert bar == 844


def test_a_card_shows_how_far_it_is(fresh: Browser) -> None:
    asked = fresh.value("document.querySelectorAll('#t0 [data-asked]').length")
    state = "document.querySelector('#t0-state').textContent"
    assert (asked, fresh.value(state)) == (5, "Not begun")
    signs = fresh.value("[...document.querySelectorAll('#t0 [data-asked][data-sign]')]"
                        ".map(x => x.dataset.sign)")  # fmt: skip
    answer(fresh, "t0", signs[0], "?")
    assert fresh.value(state) == "1 of 5"
    fresh.value("document.querySelectorAll('#t0 [data-asked] input[value=n]')"
                ".forEach(x => x.click())")  # fmt: skip
    for name in fresh.value("[...document.querySelectorAll('#t0 .reading[data-asked]')]"
                            ".map(x => x.dataset.analyte)"):  # fmt: skip
        fill(fresh, f"#t0-r-{name}", "0")
    assert fresh.value(state) == "Done"
    click(fresh, f'#t0 [data-sign="{signs[0]}"] .undo')
    assert fresh.value(state) == "4 of 5"
    click(fresh, "#t0 .next")
    assert fresh.value("document.activeElement.closest('.card').id") == "t1"
    assert fresh.value("document.querySelector('#t1').open && !document.querySelector('#t0').open")


def test_not_sure_is_not_checked_and_stays_in_the_note(fresh: Browser, tmp_path: Path) -> None:
    answer(fresh, "t0", "diatoms", "y")
    answer(fresh, "t0", "copepods", "?")
    fill(fresh, "#t0-note", "murky")
    (row,) = rows(saved_file(fresh, tmp_path))
    assert row["diatoms"] == "y"
    assert "copepods" not in row
    assert row["note"] == "murky; not sure: Copepods"


def test_same_again_is_an_answer_only_of_who_looked(fresh: Browser, tmp_path: Path) -> None:
    same = '#t0 [data-sign="{}"] .same'
    assert not fresh.value(f"document.querySelector('{same.format('copepods')}')")
    unfold(fresh)
    click(fresh, same.format("diatoms"))
    assert fresh.value("document.activeElement.textContent") == "Yes, I looked"
    assert fresh.value("document.querySelectorAll('input:checked').length") == 0
    click(fresh, "#t0 .said button")
    # It asks once.
    click(fresh, same.format("hair_algae"))
    (row,) = rows(saved_file(fresh, tmp_path))
    assert (row["diatoms"], row["hair_algae"]) == ("y", "n")


def test_one_tank_is_saved_alone(fresh: Browser, tmp_path: Path) -> None:
    answer(fresh, "t0", "diatoms", "y")
    answer(fresh, "t1", "diatoms", "n")
    path = saved_file(fresh, tmp_path, "#t1 .alone")
    assert path.name == f"checkins-ann-Nook-{days_ago(0)}.csv"
    assert [row["tank"] for row in rows(path)] == ["Nook"]
    assert to_save(fresh) == "1 tank to save"
    rest = saved_file(fresh, tmp_path)
    assert [row["tank"] for row in rows(rest)] == ["Reef"]


def test_what_tells_most_comes_first(fresh: Browser, page: Path) -> None:
    first = "document.querySelector('#t1 [data-asked] legend').textContent"
    assert "would settle" in fresh.value(first)
    orders = {
        t: fresh.value(f"[...document.querySelectorAll('#{t} .sign')].map(s => s.dataset.sign)")
        for t in ("t0", "t1")
    }
    # The tanks were checked for different things, so the order differs.
    assert sorted(orders["t0"]) == sorted(orders["t1"])
    assert orders["t0"] != orders["t1"]


def test_a_reading_has_the_steps_of_its_chart(fresh: Browser, tmp_path: Path) -> None:
    unfold(fresh)
    steps = fresh.value("[...document.querySelector('#t0-r-ammonia').options].map(o => o.value)")
    assert steps == ["", "0", "0.25", "0.5", "1", ">1", "other"]
    assert not visible(fresh, "#t0-r-ammonia-own")
    fill(fresh, "#t0-r-ammonia", "other")
    assert visible(fresh, "#t0-r-ammonia-own")
    assert fresh.value("document.activeElement.id") == "t0-r-ammonia-own"
    fill(fresh, "#t0-r-ammonia-own", "< 0,25")
    fill(fresh, "#t0-r-salinity", "1.026")
    (row,) = rows(saved_file(fresh, tmp_path))
    assert (row["ammonia"], row["salinity"]) == ("<0.25", "1.026")


def test_an_odd_reading_is_said_at_its_field(fresh: Browser, tmp_path: Path) -> None:
    def odd(field: str, text: str) -> str:
        fill(fresh, field, text)
        return str(fresh.value(f"document.querySelector('{field}').closest('.reading')"
                               ".querySelector('.odd').textContent"))  # fmt: skip

    fill(fresh, "#t0-r-temperature", "25")
    assert odd("#t0-r-temperature", "78") == (
        "Temperature: 78 cannot be right; usual is 20 to 30 °C. 78 looks like °F."
    )
    assert "Check the unit" in odd("#t0-r-temperature", "18")
    assert odd("#t0-r-temperature", "25") == ""
    assert "usual is 1.023 to 1.029 sg 25/25. Check" in odd("#t1-r-salinity", "1.25")
    assert "35 looks like PSU." in odd("#t1-r-salinity", "35")
    assert odd("#t1-r-salinity", "1.026") == ""
    # What is only unusual is saved as it was written.
    fill(fresh, "#t1-r-salinity", "")
    odd("#t0-r-temperature", "18")
    (row,) = rows(saved_file(fresh, tmp_path))
    assert row["temperature"] == "18"


# -- faults -------------------------------------------------------------------------------


def test_faults_are_named_reachable_and_mended(fresh: Browser, tmp_path: Path) -> None:
    saved: list[object] = []
    fresh.tab.once("download", lambda file: saved.append(file))
    tomorrow = (dt.date.today() + dt.timedelta(days=1)).isoformat()
    fill(fresh, "#t0-r-phosphate", "a lot")
    fill(fresh, "#t0-r-salinity", "1,026")
    fill(fresh, "#date", tomorrow)
    fill(fresh, "#t1-r-temperature", "77")
    click(fresh, "#t1 .add")
    fill(fresh, "#t1-e1-event", "water_change")
    fill(fresh, "#t1-e1-date", days_ago(41))
    click(fresh, "#write")
    said = fresh.value("[...document.querySelectorAll('#faults li')].map(x => x.textContent)")
    assert [s.split(":")[0] for s in said] == ["Reef"] * 3 + ["Nook"] * 4
    assert sum("not come yet" in s for s in said) == 2
    words = ("write a number", "thousand", "77 looks like °F", "before the tank",
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
    assert fresh.value("document.activeElement.id") == "date"
    assert saved == []
    for field, text in {
        "#t0-r-phosphate": "0.1", "#t0-r-salinity": "1.026", "#date": days_ago(0),
        "#t1-r-temperature": "25", "#t1-e1-date": days_ago(1), "#t1-e1-amount": "20",
    }.items():  # fmt: skip
        fill(fresh, field, text)
    assert len(rows(saved_file(fresh, tmp_path))) == 3
    assert fresh.value(f"{bad}.length + document.querySelectorAll('.fault').length") == 0
    assert (
        fresh.value("document.querySelector('#t0-r-phosphate').getAttribute('aria-describedby')")
        == "t0-r-phosphate-l"
    )


def test_a_photo_goes_with_the_rows_in_one_file(fresh: Browser, page: Path, tmp_path: Path) -> None:
    shot = tmp_path / "shot.png"
    Image.new("RGB", (4000, 2000), "green").save(shot)
    for view in (1, 3):
        fresh.tab.set_input_files(f"#t0-p{view}", shot)
    answer(fresh, "t0", "diatoms", "y")
    path = saved_file(fresh, tmp_path)
    assert path.suffix == ".zip"
    with zipfile.ZipFile(path) as files:
        assert files.testzip() is None
        assert files.namelist() == ["checkins.csv", "photos.csv", "1.jpg", "2.jpg"]
        with Image.open(files.open("1.jpg")) as image:
            assert (image.format, image.size) == ("JPEG", (1600, 800))
    log = plain_log(tmp_path / "log")
    assert main(["add", str(path), str(log)]) == 0
    kept = sorted(p.name for p in (log / "photos" / "Reef").iterdir())
    assert kept == [f"{days_ago(0)}-1.jpg", f"{days_ago(0)}-3.jpg"]
    assert read_logbook(log).checkins[-1].signs == {"diatoms": True}


def test_a_photo_alone_can_be_saved(fresh: Browser, page: Path, tmp_path: Path) -> None:
    shot = tmp_path / "shot.png"
    Image.new("RGB", (40, 20), "green").save(shot)
    unfold(fresh)
    fresh.tab.set_input_files("#t0-p2", shot)
    assert to_save(fresh) == "1 photo to save"
    assert fresh.value("document.querySelector('#t0-state').textContent").startswith("0 of")
    # `add` would refuse it after the form has forgotten it.
    fill(fresh, "#date", days_ago(-1))
    click(fresh, "#write")
    fresh.tab.wait_for_selector("#faults:not([hidden])")
    assert "has not come yet" in fresh.tab.inner_text("#faults")
    fill(fresh, "#date", days_ago(1))
    path = saved_file(fresh, tmp_path)
    assert to_save(fresh) == "Nothing to save yet"
    log = plain_log(tmp_path / "log")
    looks = len(read_logbook(log).checkins)
    assert main(["add", str(path), str(log)]) == 0
    assert [p.name for p in (log / "photos" / "Reef").iterdir()] == [f"{days_ago(1)}-2.jpg"]
    assert len(read_logbook(log).checkins) == looks
