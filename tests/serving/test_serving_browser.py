"""The form at home in Chromium: the code, a look saved into the log, and the report after it."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest
from report.browser import Browser
from serving.test_serving import Codes, some_log

from maturity_model.logbook import read_logbook
from maturity_model.population import load_population
from maturity_model.serving.server import Server
from maturity_model.serving.site import Site

pytestmark = pytest.mark.browser


def wait_for(browser: Browser, what: str) -> None:
    deadline = time.monotonic() + 20
    while not browser.value(f"!!({what})"):
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


def test_a_phone_enters_saves_and_sees_the_report(browser: Browser, tmp_path: Path) -> None:
    log, codes = some_log(tmp_path / "log"), Codes()
    site = Site(log, load_population(), codes.access())
    with Server("127.0.0.1", 0, site.answer, site.knows) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        home = f"http://127.0.0.1:{server.server_port}"
        browser.tab.goto(f"{home}/form")
        wait_for(browser, "document.querySelector('#code')")
        browser.value(f"document.querySelector('#code').value = '{codes[0]}'")
        browser.value("document.querySelector('form button').click()")
        wait_for(browser, "document.querySelector('a[href=\"/form\"]')")
        browser.value("document.querySelector('a[href=\"/form\"]').click()")
        wait_for(browser, "document.querySelector('#write')")
        # The log changes under the form: the page says what cannot be added, and keeps the answers.
        tanks = (log / "tanks.csv").read_text()
        (log / "tanks.csv").write_text(tanks.replace("Reef", "Roof"))
        browser.value("document.querySelector('#t0 [data-sign=diatoms] input').click()")
        browser.value("document.querySelector('#write').click()")
        wait_for(browser, "!document.querySelector('#faults').hidden")
        assert "Reef" in browser.value("document.querySelector('#faults').textContent")
        assert browser.value("document.querySelectorAll('input:checked').length") == 1
        (log / "tanks.csv").write_text(tanks)
        browser.value("document.querySelector('#write').click()")
        wait_for(browser, "!document.querySelector('#saved').hidden")
        assert "Added to the log" in browser.value(
            "document.querySelector('#saved-words').textContent"
        )
        assert read_logbook(log).checkins[0].signs == {"diatoms": True}
        browser.tab.goto(f"{home}/report/index.html")
        wait_for(browser, "document.querySelector('.tank')")
        # A device that the server no longer knows learns what to do, and keeps its answers.
        browser.tab.goto(f"{home}/form")
        browser.tab.context.clear_cookies()
        browser.value("document.querySelector('#t0 [data-sign=diatoms] input').click()")
        browser.value("document.querySelector('#write').click()")
        wait_for(browser, "!document.querySelector('#faults').hidden")
        assert "new code" in browser.value("document.querySelector('#faults').textContent")
        assert browser.value("document.querySelectorAll('input:checked').length") == 1
        server.shutdown()
        thread.join()
