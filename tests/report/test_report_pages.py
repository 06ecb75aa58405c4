"""A report's pages as a whole: their order, their marks, and text from a log that stays text."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from assessment.assessed import practice
from report.example import (
    AMMONIA,
    AS_OF,
    CRASHED,
    STARTING,
    answering,
    example_assessment,
    example_tank,
    lasting,
    problem,
)
from report.form_example import evil_log
from report.page_tree import (
    ALWAYS,
    ASKED,
    EVIL,
    OPEN,
    Node,
    all_pages,
    by_id,
    check_page,
    folds,
    page_of,
    parse,
    plain,
    table_of,
)

from maturity_model.assessment import assess
from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.types import Assessment, Reach, TankAssessment
from maturity_model.logbook import read_logbook
from maturity_model.logbook.types import CheckIn, Entry
from maturity_model.panel import build_panel
from maturity_model.report import file_names, text_summary
from maturity_model.report.pages import index_page, tank_page, withdrawn_page


@pytest.fixture(scope="module")
def pages() -> list[Node]:
    return all_pages(example_assessment())


def test_pages_are_whole_and_their_parts_in_order(pages: list[Node]) -> None:
    for page in pages:
        check_page(page)
    for page, tank in zip(pages, example_assessment().tanks, strict=False):
        (main,) = page.find("main")
        ids = [s.attributes.get("id") for s in main.find("section")]
        assert tuple(i for i in ids if i) == OPEN
        nothing_happened = tank.tank.name == STARTING
        expected = [f for f in (*ASKED, *ALWAYS) if f != "did" or not nothing_happened]
        assert [f for f in folds(page) if f not in ("change", "life")] == expected


def test_every_picture_says_what_it_shows_and_has_its_numbers(pages: list[Node]) -> None:
    for page in pages:
        pictures = [n for n in page.find("svg") if n.attributes.get("role") == "img"]
        assert len(pictures) >= 5
        for svg in pictures:
            assert len(svg.attributes["aria-label"].split()) >= 3
        # What says nothing is hidden from those who listen, and so is the inside of a picture.
        for svg in page.find("svg"):
            parents = []
            node: Node | None = svg
            while node is not None:
                parents.append(node)
                node = node.parent
            assert any({"aria-label", "aria-hidden"} & set(n.attributes) for n in parents)
    for page in pages[:-1]:
        tables = by_id(page, "researchers").find("table")
        assert len(tables) >= 4
        for table in tables:
            assert {n.attributes["scope"] for n in table.find("th")} == {"col", "row"}
            assert len(table.find("tr")) > 1


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
        assert page.find("html")[0].attributes["lang"] == "en-GB"


def hostile(folder: Path) -> Assessment:
    """A log with markup wherever it takes text, under a population file of the same kind."""
    logbook = read_logbook(evil_log(folder))
    found = assess(build_panel(logbook), practice())
    names = {f.name: EVIL for f in fields(found.provenance) if f.type == "str"}
    tank = found.tanks[0]
    risky = replace(
        answering(tank, impossible=(Plan(EVIL, (Step("sand_disturbed", None),)),)),
        tank=replace(tank.tank, name=EVIL, keeper=EVIL, club=EVIL, rock=EVIL),
        notes=(EVIL,),
        cautions=tuple(Caution(level, EVIL, EVIL, EVIL) for level in ("urgent", "care")),
        problems=tuple(
            problem(name, file=EVIL, column=EVIL, value=EVIL, what=EVIL, mend=EVIL)
            for name in (None, EVIL)
        ),
    )
    return replace(
        found,
        tanks=(risky,),
        refused_tanks=(EVIL, EVIL + "2"),
        account=replace(found.account, entries=(Entry(EVIL, "refused", EVIL),)),
        provenance=replace(found.provenance, **names),  # type: ignore[arg-type]
    )


def test_text_from_a_log_stays_text(tmp_path: Path) -> None:
    assessment = hostile(tmp_path / "log")
    names = file_names([EVIL])
    for source, least in (
        (tank_page(assessment.tanks[0], assessment, EVIL), 25),
        (index_page(assessment, names, EVIL), 14),
        (withdrawn_page(EVIL, EVIL), 2),
    ):
        page = parse(source)
        assert not {n.tag for n in page.walk()} & {"script", "img"}
        assert not any(a.startswith("on") for n in page.walk() for a in n.attributes)
        assert source.count("&lt;script&gt;alert(&#39;x&#39;)") >= least
        assert not {"\u202e", "\x07"} & set(source)
        assert "<script" not in source
    summary = text_summary(assessment)
    assert "\u202e" not in summary
    assert "\x07" not in summary


def test_long_text_is_cut() -> None:
    tank = example_tank(like=STARTING, notes=("n" * 10_000,))
    checkins = tuple(replace(c, note="w" * 10_000) for c in tank.checkins)
    page = page_of(replace(tank, checkins=checkins))
    assert "n" * 601 not in page.text
    assert "w" * 201 not in page.text
    assert "…" in page.text


def test_urgent_cautions_stand_at_the_top_and_in_their_part() -> None:
    care = Caution("care", "Mind the sand", "Small parts.", "common practice, no source")
    alarm = Caution("urgent", "Ammonia is high", "Change water.", "WAC 173-201A-240")
    crash = Caution(
        "urgent", "After a crash", "Long words.", "WAC", (), "Crash", "Test ammonia.", AS_OF
    )
    page = page_of(example_tank(cautions=(care, alarm, crash)))
    red = [plain(p) for p in page.find("p") if p.attributes.get("class") == "urgent"]
    assert red == ["Urgent. Ammonia is high.", "Urgent. Crash on 20 Nov. Test ammonia."]
    said = [plain(li) for li in by_id(page, "cautions").find("li")][:3]
    assert said[0].startswith("Urgent: Ammonia is high. Change water. (WAC 173-201A-240)")
    assert said[2].startswith("Mind the sand. Small parts.")
    # Those of less weight are counted on the fold, and not in red.
    assert "Safety (3)" in plain(by_id(page, "cautions"))


def test_general_cautions_are_always_there(pages: list[Node]) -> None:
    for page in pages:
        text = page.text
        for said in (
            "welfare", "vet come before", "Never release", "US FWS", "residual-current",
            "BS 7671", "palytoxin", "CDC MMWR 64(31), 2015", "Mycobacterium marinum",
            "hydrogen sulphide", "CITES",
        ):  # fmt: skip
            assert said in text
        assert "A vet and the law come first" in plain(page.find("footer")[0])


def test_the_index_lists_tanks_refusals_rows_and_every_problem() -> None:
    problems = tuple(problem("Second", line=n) for n in range(100))
    tanks = (example_tank("Second"), example_tank("First", cautions=(AMMONIA,)))
    assessment = replace(example_assessment(tanks), problems=problems, refused_tanks=("No start",))
    page = all_pages(assessment)[-1]
    # The urgent one comes first, whatever the order of the log.
    (rows,) = page.find("ol")
    assert [h.text for h in rows.find("h2")] == ["First", "Second"]
    assert rows.find("a")[0].attributes["href"] == "./First.html"
    assert "No start" in plain(by_id(page, "refused"))
    *listed, aside = by_id(page, "problems").find("li")
    assert len(listed) == len(assessment.problems)
    assert aside.text.strip().startswith("README.md")
    cells = [[c.text for c in r.find("td")] for r in by_id(page, "problems").find("tr")[1:]]
    assert cells == [
        [str(n) for n in (r.read, r.used, r.refused, r.set_aside)] for r in assessment.account.rows
    ]
    (link,) = [a for a in page.find("a") if a.attributes["href"] == "#problems"]
    assert plain(link).startswith("Not used of the log:")


def test_last_answers_stand_side_by_side() -> None:
    bare, sandy = example_tank("Bare"), example_tank("Sandy")
    looks = (
        CheckIn("Sandy", AS_OF - dt.timedelta(days=40), signs={"diatoms": True}),
        CheckIn("Sandy", AS_OF, signs={"hair_algae": False, "copepods": True}),
    )
    sandy = replace(sandy, checkins=looks)
    bare = replace(bare, tank=replace(bare.tank, sand_depth_mm=0.0), checkins=())
    page = all_pages(example_assessment((bare, sandy)))[-1]
    rows = {r[0]: r[1:] for r in table_of(page, "Last answers by sign and tank")}
    at = rows["Sign"].index("Sandy")
    assert rows["Copepods"][at] == "yes"
    assert rows["Hair algae"][at] == "no"
    # Too old to be the present answer, and never asked.
    assert rows["Diatoms"][at] == rows["Film algae"][at] == "?"
    assert rows["Gas bubbles in the sand"][1 - at] == "–"
    assert rows["Gas bubbles in the sand"][at] == "?"
    # Of one tank there is nothing to compare.
    alone = all_pages(example_assessment((bare,)))[-1]
    assert "Signs side by side" not in alone.text


def test_a_club_of_many_keepers_stands_under_their_names() -> None:
    keepers = ["Ann", "Ben", ""]
    tanks = tuple(
        replace(tank, tank=replace(tank.tank, name=f"Tank {n}", keeper=keepers[n % 3]))
        for n, tank in enumerate([example_tank()] * 13)
    )
    tanks = (*tanks[:4], replace(tanks[4], cautions=(AMMONIA,)), *tanks[5:])
    page = all_pages(example_assessment(tanks))[-1]
    names = [h for h in page.find("h2") if h.attributes.get("class") == "keeper"]
    # Whose tank is worst comes first.
    assert plain(names[0]) == "Ben"
    assert {plain(n) for n in names} == {"Ann", "Ben", "No keeper named"}
    lists = page.find("ol")
    assert [len(x.find("h3")) for x in lists] == [len(x.find("li")) for x in lists]
    assert sorted(len(x.find("li")) for x in lists) == [4, 4, 5]
    assert plain(lists[0].find("h3")[0]) == "Tank 4"
    check_page(page)
    # One keeper, or few tanks: one list, worst first.
    few = all_pages(example_assessment(tanks[:12]))[-1]
    same = tuple(replace(t, tank=replace(t.tank, keeper="Ann")) for t in tanks)
    for whole in (few, all_pages(example_assessment(same))[-1]):
        assert len(whole.find("ol")) == 1
        assert not whole.find("ol")[0].find("h3")


def _nothing_logged() -> TankAssessment:
    tank = example_tank()
    reach = Reach(54, 0, None, None, 0.0, 0, tuple(example_assessment().catalogue.signs))
    return replace(tank, checkins=(), events=(), reach=reach)


def _certain() -> TankAssessment:
    tank = example_tank(like=STARTING)
    one = np.zeros_like(tank.filtered)
    one[:, 0] = 1.0
    return replace(
        tank,
        filtered=one, smoothed=one, smoothed_low=one, smoothed_high=one, forecast_only=one,
        now_low=one[-1], now_high=one[-1], regression=np.zeros_like(tank.regression),
        regression_low=np.zeros(2), regression_high=np.zeros(2),
    )  # fmt: skip


@pytest.mark.parametrize(
    "make",
    [
        lambda: lasting(example_tank(), 1),
        lambda: lasting(example_tank(), 2),
        _nothing_logged,
        _certain,
        lambda: lasting(example_tank(like=CRASHED), 1200),
    ],
    ids=["first week", "second week", "nothing logged", "certain", "very long"],
)
def test_unusual_logs_make_whole_pages(make: Callable[[], TankAssessment]) -> None:
    tank = make()
    assessment = example_assessment((tank,))
    source = tank_page(tank, assessment, "cmd")
    page = parse(source)
    assert set(ALWAYS) <= set(folds(page))
    assert len(source) < 210_000
    # '<1 %' must be escaped: a stripper of tags would lose the number.
    assert not re.search(r"<(?![a-z/!])", source)
    assert "nan" not in re.sub(r"[a-z]*nan[a-z]+|[a-z]+nan", "", page.text.lower())
    assert not re.search(r"(?<![\d.,–])(0|100)\u00a0%", by_id(page, "now").text)
    all_pages(assessment)
    text_summary(assessment)


def test_the_summary_is_a_line_a_tank() -> None:
    urgent = example_tank("Nursery", STARTING, cautions=(AMMONIA,))
    tanks = (*example_assessment().tanks, urgent)
    assessment = replace(example_assessment(tanks), refused_tanks=("No start",))
    lines = text_summary(assessment).splitlines()
    # The urgent one first, then by the risk of slipping back.
    assert lines[0].startswith("Nursery ")
    assert lines[0].endswith("Rescue first, un-ionised ammonia above the criterion")
    names = {t.tank.name for t in tanks} - {"Nursery"}
    assert {line.split("  ")[0].strip() for line in lines[1:7]} == names
    assert any("Very likely mature 90 %" in line for line in lines)
    assert lines[7] == "No start: not assessed; the log's problems say why."
    more = text_summary(assessment, verbose=True).splitlines()
    assert "  URGENT: Un-ionised ammonia above the criterion." in more
    assert [line for line in more if not line.startswith("  ")] == lines
