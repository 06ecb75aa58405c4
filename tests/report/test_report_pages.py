"""A report's pages as a whole: their order, their marks, and text from a log that stays text."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from report.example import AS_OF, example_assessment, example_tank, problem
from report.page_tree import (
    EVIL,
    SECTIONS,
    Node,
    all_pages,
    by_id,
    check_page,
    check_text,
    page_of,
    parse,
)

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.types import Assessment, Reach, TankAssessment
from maturity_model.logbook.types import Account, CheckIn, Entry, Event, Reading
from maturity_model.report import file_names, text_summary
from maturity_model.report.index_page import index_page
from maturity_model.report.tank_page import tank_page


@pytest.fixture(scope="module")
def pages() -> list[Node]:
    return all_pages(example_assessment())


def test_sections_stand_in_the_binding_order(pages: list[Node]) -> None:
    for page in pages[:-1]:
        (main,) = page.find("main")
        assert tuple(s.attributes["id"] for s in main.find("section")) == SECTIONS


def test_pages_are_whole(pages: list[Node]) -> None:
    for page in pages:
        check_page(page)


def test_every_picture_has_a_title_and_a_table(pages: list[Node]) -> None:
    for page in pages[:-1]:
        pictures = [n for n in page.find("svg") if n.attributes.get("role") == "img"]
        assert len(pictures) >= 3
        for svg in pictures:
            assert {c.tag for c in svg.children if isinstance(c, Node)} >= {"title", "desc"}
        for figure in page.find("figure"):
            assert figure.parent is not None
            nodes = [c for c in figure.parent.children if isinstance(c, Node)]
            following = nodes[nodes.index(figure) + 1]
            assert following.tag == "details"
            (table,) = following.find("table")
            assert {n.attributes["scope"] for n in table.find("th")} == {"col", "row"}
            assert len(table.find("tr")) > 1
    # On the page of all tanks the sentence beside a bar says the same; its title says it whole.
    bars = [n for n in pages[-1].find("svg") if n.attributes.get("role") == "img"]
    assert len(bars) == 5
    assert all("Cycling" in bar.find("title")[0].text for bar in bars)


def test_pages_run_and_fetch_nothing(pages: list[Node]) -> None:
    for page in pages:
        for node in page.walk():
            assert node.tag not in {"script", "iframe", "object", "embed", "form", "img", "link"}
            assert not any(name.startswith("on") for name in node.attributes)
            assert node.attributes.get("href", "./").startswith(("./", "#"))
        policy = next(
            n.attributes["content"]
            for n in page.find("meta")
            if n.attributes.get("http-equiv") == "Content-Security-Policy"
        )
        assert policy.startswith("default-src 'none'; style-src 'sha256-")
        assert page.find("html")[0].attributes["lang"] == "en"


def hostile() -> Assessment:
    tank = example_tank(EVIL, weeks=6, course="new", notes=(EVIL,), cautions=(
        Caution("urgent", EVIL, EVIL, EVIL), Caution("care", EVIL, EVIL, EVIL),
    ), problems=(
        problem(None, file=EVIL, column=EVIL, value=EVIL, what=EVIL, mend=EVIL),
        problem(EVIL, file=EVIL, column=EVIL, value=EVIL, what=EVIL, mend=EVIL),
    ))  # fmt: skip
    reading = Reading(EVIL, 0.0, 0.2, 0.1, EVIL, EVIL)
    checkin = CheckIn(
        EVIL, AS_OF, observer=EVIL, look=EVIL, judged_phase=EVIL, note=EVIL,
        signs={"evil": True, "hair_algae": True}, readings={"ammonia": reading, EVIL: reading},
        file=EVIL, line=3,
    )  # fmt: skip
    tank = replace(
        tank,
        tank=replace(tank.tank, keeper=EVIL, club=EVIL, rock=EVIL),
        checkins=(*tank.checkins[:-1], checkin),
        events=(*tank.events, Event(EVIL, AS_OF, EVIL, 2.0, EVIL, EVIL, 4),
                Event(EVIL, AS_OF, "crash", None, EVIL, EVIL, 5)),
        reach=replace(tank.reach, unchecked_signs=("evil",)),
    )  # fmt: skip
    base = example_assessment((tank,))
    sign = replace(
        base.catalogue.signs["diatoms"], name="evil", label=EVIL, group=EVIL, where=EVIL, how=EVIL
    )
    return replace(
        base,
        catalogue=replace(base.catalogue, signs={**base.catalogue.signs, "evil": sign}),
        refused_tanks=(EVIL, EVIL + "2"),
        account=Account(
            (Entry(EVIL, "refused", EVIL), Entry(EVIL, "set aside", EVIL)),
            tuple(replace(r, file=EVIL) for r in base.account.rows),
            base.account.refused_rows,
        ),
        provenance=replace(
            base.provenance,
            version=EVIL,
            population_name=EVIL,
            population_kind=EVIL,
            population_sha256=EVIL,
            logbook_sha256=EVIL,
        ),
    )


def test_text_from_a_log_stays_text() -> None:
    assessment = hostile()
    names = file_names([EVIL])
    sources = [
        tank_page(assessment.tanks[0], assessment, EVIL),
        index_page(assessment, names, EVIL),
    ]
    for source, least in zip(sources, (30, 20), strict=True):
        check_text(parse(source), source, least)
    summary = text_summary(assessment)
    assert "\u202e" not in summary
    assert "\x07" not in summary


def test_long_text_is_cut() -> None:
    tank = example_tank(weeks=4, course="new", notes=("n" * 10_000,))
    checkins = tuple(replace(c, note="w" * 10_000) for c in tank.checkins)
    page = page_of(replace(tank, checkins=checkins))
    assert "n" * 601 not in page.text
    assert "w" * 201 not in page.text
    assert "…" in page.text


def test_urgent_cautions_stand_at_the_top_and_in_their_section() -> None:
    care = Caution("care", "Mind the sand", "Small parts.", "common practice, no source")
    alarm = Caution("urgent", "Ammonia is high", "Change water.", "WAC 173-201A-240")
    page = page_of(example_tank(cautions=(care, alarm)))
    (header,) = page.find("header")
    assert "Urgent: Ammonia is high" in header.text
    assert "Mind the sand" not in header.text
    titles = [h.text for h in by_id(page, "cautions").find("h3")]
    assert titles == ["Urgent: Ammonia is high", "Mind the sand"]
    assert "Authority: WAC 173-201A-240" in by_id(page, "cautions").text


def test_general_cautions_are_always_there(pages: list[Node]) -> None:
    for page in pages:
        text = page.find("footer")[0].text
        for said in (
            "welfare", "vet come before", "Never release", "US FWS", "residual-current",
            "BS 7671", "palytoxin", "CDC MMWR 64(31), 2015", "Mycobacterium marinum",
            "hydrogen sulphide", "CITES",
        ):  # fmt: skip
            assert said in text


def test_the_index_lists_tanks_refusals_rows_and_every_problem() -> None:
    tanks = (
        example_tank("Second", problems=tuple(problem("Second", line=n) for n in range(100))),
        example_tank("First", seed=7),
    )
    assessment = example_assessment(tanks)
    page = all_pages(assessment)[-1]
    assert [h.text for h in by_id(page, "tanks").find("h3")] == ["Second", "First"]
    assert by_id(page, "tanks").find("a")[0].attributes["href"] == "./Second.html"
    assert "No start" in by_id(page, "refused").text
    assert "write the day the tank was filled" in by_id(page, "refused").text
    *listed, aside = by_id(page, "problems").find("li")
    assert len(listed) == 101
    assert aside.text.strip() == "photo.jpg"
    cells = [[c.text for c in r.find("td")] for r in by_id(page, "rows").find("tr")[1:]]
    assert cells == [["6", "5", "1", "0"], ["212", "211", "1", "0"]]


def _nothing_logged() -> TankAssessment:
    tank = example_tank()
    reach = Reach(54, 0, None, None, 0.0, 0, tuple(example_assessment().catalogue.signs))
    return replace(tank, checkins=(), events=(), reach=reach)


def _certain() -> TankAssessment:
    tank = example_tank(weeks=5, course="new")
    one = np.zeros_like(tank.filtered)
    one[:, 0] = 1.0
    return replace(
        tank,
        filtered=one, smoothed=one, smoothed_low=one, smoothed_high=one, forecast_only=one,
        now_low=one[-1], now_high=one[-1],
        regression=np.zeros((5, 2)), regression_low=np.zeros(2), regression_high=np.zeros(2),
    )  # fmt: skip


@pytest.mark.parametrize(
    "tank",
    [
        example_tank(weeks=1, course="new"),
        example_tank(weeks=2, course="new"),
        _nothing_logged(),
        _certain(),
        example_tank(weeks=1200, rough=True),
    ],
    ids=["first week", "second week", "nothing logged", "certain", "very long"],
)
def test_unusual_logs_make_whole_pages(tank: TankAssessment) -> None:
    assessment = example_assessment((tank,))
    source = tank_page(tank, assessment, "cmd")
    page = parse(source)
    assert tuple(s.attributes["id"] for s in page.find("main")[0].find("section")) == SECTIONS
    assert len(source) < 210_000
    # '<1 %' must be escaped: a stripper of tags would lose the number.
    assert not re.search(r"<(?![a-z/!])", source)
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan", "", page.text.lower())
    assert not re.search(r"(?<![\d.,–])(0|100)\u00a0%", by_id(page, "now").text)
    all_pages(assessment)
    text_summary(assessment)


def test_the_summary_is_short_and_worded() -> None:
    assessment = example_assessment()
    lines = text_summary(assessment).splitlines()
    assert lines[0].startswith("Given the log up to 5 June 2026 and the practice population")
    assert lines[1] == (
        "Window reef: Very likely mature: 96 %, about 96 of 100 tanks with a log like this one."
    )
    assert lines[2].startswith("  Slipping back within 4 weeks is very unlikely: ")
    assert "  URGENT: Un-ionised ammonia above the criterion" in lines
    assert "No start: not assessed; the log's problems say why." in lines
