"""Pages of tanks that nobody looks at, that are at the start, or that have ended."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

from command_logs import write_log
from report.example import (
    AS_OF,
    BLOOM,
    STARTING,
    alarmed,
    answering,
    asked_tank,
    example_assessment,
    example_tank,
)
from report.page_tree import Node, all_pages, by_id, page_of, plain, record_of

from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.types import TankAssessment
from maturity_model.cli.main import main
from maturity_model.logbook import Tank
from maturity_model.report import text_summary

AT_START = "It is already at the start: nothing lies below cycling"


def silent(tank: TankAssessment, weeks: int | None) -> TankAssessment:
    last = None if weeks is None else AS_OF - dt.timedelta(weeks=weeks)
    reach = replace(tank.reach, silent=True, last_look=last, weeks_since_look=weeks)
    return replace(tank, reach=reach)


def card_of(tank: TankAssessment) -> Node:
    (cards,) = all_pages(example_assessment((tank,)))[-1].find("ol")
    (card,) = cards.find("li")
    return card


def summary_of(tank: TankAssessment, *, verbose: bool = False) -> list[str]:
    return text_summary(example_assessment((tank,)), verbose=verbose).splitlines()


def folded(node: Node) -> str:
    return " ".join(plain(d) for d in node.find("details"))


def unfolded(page: Node) -> str:
    said = plain(page)
    for details in page.find("details"):
        said = said.replace(plain(details), "")
    return said


def test_how_long_nobody_looked_stands_out() -> None:
    tank = silent(example_tank("Reef"), 12)
    for node in (card_of(tank), by_id(page_of(tank), "now")):
        assert "12 weeks ago" in plain(node).lower()
    (look,) = [p for p in card_of(tank).find("p") if "look" in p.attributes["class"]]
    assert look.attributes["class"] == "look stale"
    assert "Look, and measure" in plain(card_of(tank))
    assert "stale" in plain(by_id(page_of(tank), "now"))
    assert summary_of(tank)[0].endswith("Look, and measure")
    assert "  Last look: 12 weeks ago, stale" in summary_of(tank, verbose=True)
    assert str(record_of(tank)["statement"]).startswith("Last looked 12 weeks ago.")


def test_a_silent_tank_is_advised_nothing_but_to_look() -> None:
    page = page_of(silent(asked_tank("Reef"), 12))
    (line,) = by_id(page, "do").find("li")[:1]
    assert plain(line).startswith("DoLook, and measure.")
    assert not any(word in plain(by_id(page, "do")) for word in ("May", "Add the next"))


def test_of_a_silent_tank_neither_a_way_nor_a_calm_is_claimed() -> None:
    tank = asked_tank("Reef")
    assert tank.course is not None
    tank = replace(tank, course=replace(tank.course, later=0.4, earlier=0.0))
    assert "forward" in plain(card_of(tank))
    quiet = silent(tank, 12)
    for said in (plain(card_of(quiet)), plain(by_id(page_of(quiet), "now"))):
        assert "forward" not in said.lower()
        assert "No sign" not in said
    assert "  Slipping? Not known: 3 % risk, 8 weeks" in summary_of(quiet, verbose=True)


def test_a_tank_that_has_just_slipped_comes_before_others_as_urgent() -> None:
    at_risk = silent(asked_tank("At risk", BLOOM), 12)
    slipped = alarmed(asked_tank("Slipped"), "something is wrong", 0.9)
    lines = text_summary(example_assessment((at_risk, slipped))).splitlines()
    assert [line.split("  ")[0] for line in lines[:2]] == ["Slipped", "At risk"]


def test_a_log_without_a_look_has_no_answer() -> None:
    tank = silent(asked_tank("Reef"), None)
    page, card = page_of(tank), card_of(tank)
    for said in (plain(by_id(page, "now")), plain(card)):
        assert "No answer yet" in said
        assert "Log a first look" in said
        assert "%" not in said
        assert "forward" not in said.lower()
        assert "steady" not in said.lower()
    # The strip is empty; where to look, and what age alone says, are folded.
    assert {p.attributes["class"] for p in card.find("path") if p.attributes.get("class")} == {"g"}
    assert "Where to look next" in folded(page)
    assert "By age" in folded(page)
    assert not re.search(r"[0-9] %", unfolded(page))
    lines = summary_of(tank, verbose=True)
    assert lines[0].split() == "Reef No answer yet Log a first look".split()
    assert not any("%" in line or "Slipping" in line for line in lines[:-1])
    assert record_of(tank)["statement"] == "Nobody has looked yet."


def test_at_the_start_no_risk_of_slipping_back_is_stated() -> None:
    tank = example_tank("Reef", STARTING)
    assert tank.at_start
    assert "lowest phase" in plain(card_of(tank))
    assert "Lowest phase" in plain(by_id(page_of(tank), "now"))
    for node in (card_of(tank), by_id(page_of(tank), "now")):
        assert "risk" not in plain(node)
    assert "  Slipping? Lowest phase" in summary_of(tank, verbose=True)
    assert f"{AT_START}." in plain(by_id(page_of(tank), "researchers"))
    slip = record_of(tank)["regression"]
    assert isinstance(slip, dict)
    assert (slip["now"], slip["now_low"], slip["now_high"]) == (None, None, None)
    assert slip["reason"] == AT_START
    later = record_of(example_tank("Reef"))["regression"]
    assert isinstance(later, dict)
    assert later["now"] == later["probability"][-1]
    assert later["reason"] is None
    asked = asked_tank("Reef", STARTING)
    assert "It is in the lowest phase" in plain(by_id(page_of(asked), "if"))
    assert record_of(asked)["risk_if"] is None


def test_after_a_probable_slip_no_small_risk_of_slipping_back_is_stated() -> None:
    tank = alarmed(asked_tank("Reef"), "something is wrong", 0.42)
    slipped = alarmed(tank, "something is wrong", 0.87)
    for shown in (plain(by_id(page_of(slipped), "now")), plain(card_of(slipped))):
        assert "just slipped" in shown.lower()
        assert "risk" not in shown
    assert "As it stands" not in plain(by_id(page_of(slipped), "if"))
    assert "  Slipping? Just slipped" in summary_of(slipped, verbose=True)
    why = "It has probably slipped in the three weeks before 15 Nov"
    assert why in plain(by_id(page_of(slipped), "researchers"))
    # 42 % is no reason yet.
    assert "risk, 8 weeks" in plain(by_id(page_of(tank), "now"))
    assert "As it stands" in plain(by_id(page_of(tank), "if"))


def test_a_what_if_that_cannot_be_says_why() -> None:
    sand = Plan("sand_disturbed", (Step("sand_disturbed", None),))
    tank = answering(asked_tank("Reef"), impossible=(sand,))
    why = "Sand disturbed today: not reckoned, because this tank has no sand."
    assert why in plain(by_id(page_of(tank), "if"))
    assert f"  {why}" in summary_of(tank)


def test_tanks_that_have_ended_are_folded_away() -> None:
    gone = Tank("Old <reef>", dt.date(2025, 1, 1), ended=dt.date(2026, 3, 1))
    assessment = replace(example_assessment((example_tank("Reef"),)), ended=(gone,))
    index = all_pages(assessment)[-1]
    assert "Old <reef>, 1 March 2026" in folded(by_id(index, "ended"))
    assert "Old" not in unfolded(index)
    assert "Old <reef>: ended on 2026-03-01." in text_summary(assessment)
    nothing = replace(assessment, tanks=(), refused_tanks=())
    for said in (plain(all_pages(nothing)[-1].find("main")[0]), text_summary(nothing)):
        assert "All tanks of this log have ended." in said


def test_form_and_report_count_the_same_weeks(tmp_path: Path) -> None:
    today = dt.date.today()
    started, looked = today - dt.timedelta(weeks=30), today - dt.timedelta(weeks=12)
    log = write_log(
        tmp_path / "log",
        f"tank,started,ended,sand_depth_mm\nReef,{started},,0\nGone,{started},{looked},\n",
        f"tank,date,diatoms\nReef,{looked},y\n",
    )
    assert main(["weekly", str(log), "--out", str(tmp_path / "out"), "--brief"]) == 0
    assert main(["form", str(log), "--out", str(tmp_path / "form.html")]) == 0
    report, form = ((tmp_path / name).read_text("utf-8") for name in ("out/Reef.html", "form.html"))
    for page in (report, form):
        assert "12 weeks ago" in page
    assert "week 30" in report.lower()
    assert not (tmp_path / "out" / "Gone.html").exists()
    assert "Gone" not in form
    assert 'data-sign="diatoms"' in form
    assert "sand_worm_tubes" not in form.split("<form")[1].split(">", 1)[1]
