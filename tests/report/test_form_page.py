"""The form as text: its policy, its names, what it offers. The browser's part is elsewhere."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import re
from html import unescape
from pathlib import Path

import pytest
from report.form_example import EVIL, days_ago, evil_log, make_form, plain_log

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import read_logbook
from maturity_model.report.views.form_asks import scale_of
from maturity_model.report.wording import date_words


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plain_log(tmp_path_factory.mktemp("plain") / "log")


@pytest.fixture(scope="module")
def text(log: Path) -> str:
    return make_form(log, log.parent / "form.html", "--keeper", "ann").read_text("utf-8")


def test_the_policy_allows_its_own_style_and_script_alone(text: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for tag, rule in (("style", "style-src"), ("script", "script-src")):
        (body,) = re.findall(f"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        pin = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
        assert rules[rule] == f"'sha256-{pin}'"
    assert len(re.findall("<script", text)) == len(re.findall("<style", text)) == 1
    assert not re.search(r"\son[a-z]+=|\sstyle=|https?:|url\(|@import|\bfetch\(|XMLHttp", text)


def test_markup_of_a_log_is_escaped(tmp_path: Path) -> None:
    text = make_form(evil_log(tmp_path / "log"), tmp_path / "form.html").read_text("utf-8")
    assert EVIL not in text
    assert "<img" not in text
    assert "<b>il" not in text
    assert len(re.findall("<script", text)) == 1


def test_the_script_never_writes_markup_nor_greenwich_days(text: str) -> None:
    (script,) = re.findall("<script>(.*?)</script>", text, re.DOTALL)
    code = re.sub(r"//[^\n]*", "", script)
    for forbidden in ("innerHTML", "outerHTML", "insertAdjacentHTML", "eval(", "Function(",
                      "document.write", "toISOString", "getUTC", "valueAsDate"):  # fmt: skip
        assert forbidden not in code, forbidden


def test_last_answers_stand_beside_the_questions(log: Path, text: str) -> None:
    last = read_logbook(log).checkins[-1].date
    day = date_words(last, dt.date.today())

    def said(name: str) -> str:
        found = re.search(rf'id="{name}-l">Last: ([^<]*)<', text)
        assert found
        return found[1]

    assert said("t0-s-diatoms") == f"seen on {day}"
    assert said("t0-s-hair_algae") == f"not seen on {day}"
    assert said("t0-s-copepods") == "not looked for yet"
    assert said("t0-r-ammonia") == f"&lt;0.25 mg/L NH4 on {day}"
    assert said("t1-r-ammonia") == "not measured yet"
    assert f"Before: Water changed 20\u00a0%, {day}." in text


def test_what_a_crash_asks_for_comes_first(tmp_path: Path) -> None:
    folder = plain_log(tmp_path / "log")
    with (folder / "events.csv").open("a", encoding="utf-8") as events:
        events.write(f"Nook,{days_ago(1)},crash,,\n")
    text = make_form(folder, tmp_path / "form.html").read_text("utf-8")
    card = text[text.index('data-tank="Nook"') :]
    first = re.search(r'data-(?:analyte|sign)="(\w+)"', card)
    assert first
    assert first[1] == "ammonia"
    assert 'class="alarm"' in card[: card.index("</summary>")]


def test_a_scale_is_the_keepers_own_then_everybodys_then_assumed(log: Path) -> None:
    book, analytes = read_logbook(log), load_catalogue().analytes
    assert scale_of(book, "ann", analytes["ammonia"])[:3] == (
        "mg/L NH4", "colour_chart", (0, 0.25, 0.5, 1),
    )  # fmt: skip
    assert scale_of(book, "bob", analytes["ammonia"]).steps == (0, 0.25, 0.5, 1, 2, 4, 8)
    assert not scale_of(book, "bob", analytes["ammonia"]).named
    assert scale_of(book, "ann", analytes["phosphate"])[1:3] == ("photometer", ())
    gravity = scale_of(book, "ann", analytes["salinity"])
    assert (gravity.unit, gravity.named) == ("sg 25/25", True)


def test_the_ranges_of_the_catalogue_are_in_the_form(text: str) -> None:
    (embedded,) = re.findall(r'<form[^>]* data-ranges="([^"]*)"', text)
    ranges = json.loads(unescape(embedded))
    assert list(ranges) == list(load_catalogue().analytes)
    assert ranges["temperature"]["[degF]"] == {"said": "°F", "bounds": [32, 68, 86, 113]}
    assert ranges["salinity"]["sg 25/25"]["bounds"] == pytest.approx(
        [1.0015, 1.0226, 1.0288, 1.046], abs=0.002
    )


def test_an_event_that_cannot_be_is_not_offered(tmp_path: Path) -> None:
    folder = plain_log(tmp_path / "log")
    lines = (folder / "tanks.csv").read_text("utf-8").splitlines()
    bare = [f"{lines[0]},sand_depth_mm", f"{lines[1]},0", *(f"{x},60" for x in lines[2:])]
    (folder / "tanks.csv").write_text("\n".join(bare) + "\n", "utf-8")
    page = make_form(folder, tmp_path / "form.html").read_text("utf-8")
    assert page.count('data-cannot="sand_disturbed"') == 1
    assert page.count('data-cannot=""') == 2


def test_each_kind_of_event_has_a_sentence(text: str) -> None:
    described = re.findall(r'<option value="(\w+)" data-description="[A-Z][^"]{20,}\."', text)
    assert described == list(load_catalogue().events)


def test_the_paper_sheet_has_empty_boxes_and_marks_what_tells_most(
    log: Path, tmp_path: Path
) -> None:
    page = make_form(log, tmp_path / "paper.html", "--paper", "--keeper", "ann").read_text("utf-8")
    assert page.count('scope="col"><bdi>') == 2
    signs, analytes = load_catalogue().signs, load_catalogue().analytes
    assert page.count('class="box') == 2 * (len(signs) + len(analytes))
    assert len(re.findall(r'class="box[ a-z]* first"', page)) == 10
    assert not re.search(r"<input|<script|checked|0\.25", page)


def test_the_paper_sheet_marks_what_a_crash_asks_for(tmp_path: Path) -> None:
    folder = plain_log(tmp_path / "log")
    with (folder / "events.csv").open("a", encoding="utf-8") as events:
        events.write(f"Nook,{days_ago(1)},crash,,\n")
    page = make_form(folder, tmp_path / "paper.html", "--paper", "--keeper", "ann")
    (row,) = re.findall("<tr>(?:(?!</tr>).)*Total ammonia.*?</tr>", page.read_text("utf-8"))
    reef, nook = re.findall('class="(box[^"]*)"', row)
    assert "first" not in reef
    assert "first" in nook
