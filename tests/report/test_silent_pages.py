"""Pages of tanks that nobody looks at, that are at the start, or that have ended."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

from report.example import AS_OF, example_assessment, example_tank
from report.page_tree import Node, all_pages, by_id, page_of, plain, record_of
from report.question_example import asked_tank

from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.surprise import RecentSlip
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
    (card,) = by_id(all_pages(example_assessment((tank,)))[-1], "tanks").find("ol")[0].find("h3")
    assert card.parent is not None
    assert card.parent.parent is not None
    return card.parent.parent


def summary_of(tank: TankAssessment) -> list[str]:
    return text_summary(example_assessment((tank,))).splitlines()[1:]


def folded(node: Node) -> str:
    return " ".join(plain(d) for d in node.find("details"))


def test_the_first_line_says_how_long_nobody_looked() -> None:
    tank = silent(example_tank("Reef"), 12)
    said = "Last looked 12 weeks ago."
    header = page_of(tank).find("header")[0]
    assert plain(header.find("p")[0]) == said
    assert said in plain(card_of(tank))
    assert summary_of(tank)[0].startswith(f"Reef: {said} ")
    assert str(record_of(tank)["statement"]).startswith(said)
    looked = example_tank("Reef")
    assert "Last looked" not in plain(page_of(looked).find("header")[0])


def test_a_log_without_a_look_has_no_headline() -> None:
    tank = silent(asked_tank("Reef"), None)
    page, card = page_of(tank), card_of(tank)
    head = plain(by_id(page, "now").find("strong")[0])
    assert head in folded(page)
    assert head in folded(card)
    outside = plain(page)
    for details in page.find("details"):
        outside = outside.replace(plain(details), "")
    assert head not in outside
    assert head not in plain(card).replace(folded(card), "")
    assert "What now" not in folded(card)
    assert "Mature" not in plain(card).replace(folded(card), "")
    assert "Where to look next" not in folded(page)
    assert "Lagging?" in folded(page)
    lines = summary_of(tank)
    assert lines[0] == "Reef: Nobody has looked yet."
    assert not any(head in line or "Slipping" in line for line in lines)
    assert record_of(tank)["statement"] == "Nobody has looked yet."


def test_at_the_start_no_risk_of_slipping_back_is_stated() -> None:
    tank = example_tank("Reef", weeks=6, course="new")
    assert tank.at_start
    for text in (plain(by_id(page_of(tank), "now")), plain(card_of(tank))):
        assert AT_START in text
        assert "Slipping back" not in text
    assert f"  {AT_START}." in summary_of(tank)
    slip = record_of(tank)["regression"]
    assert isinstance(slip, dict)
    assert (slip["now"], slip["now_low"], slip["now_high"]) == (None, None, None)
    assert slip["reason"] == AT_START
    later = record_of(example_tank("Reef"))["regression"]
    assert isinstance(later, dict)
    assert later["now"] == later["probability"][-1]
    assert later["reason"] is None


def test_after_a_probable_slip_no_small_risk_of_slipping_back_is_stated() -> None:
    tank = asked_tank("Reef", alarm="something is wrong")
    assert tank.questions is not None
    assert tank.questions.surprises is not None
    said = replace(tank.questions.surprises, recent=RecentSlip(0.87, 0.1))
    slipped = replace(tank, questions=replace(tank.questions, surprises=said))
    why = "It has probably slipped in the three weeks before 3 June"
    for shown in (plain(by_id(page_of(slipped), "now")), plain(card_of(slipped))):
        assert why in shown
        assert "Slipping back" not in shown
    assert why in plain(by_id(page_of(slipped), "if"))
    assert any(why in line for line in summary_of(slipped))
    # 42 % is no reason yet.
    assert "Slipping back" in plain(by_id(page_of(tank), "now"))


def test_a_what_if_that_cannot_be_says_why() -> None:
    tank = asked_tank("Reef")
    assert tank.questions is not None
    sand = Plan("sand_disturbed", (Step("sand_disturbed", None),))
    tank = replace(tank, questions=replace(tank.questions, impossible=(sand,)))
    why = "Sand disturbed today: not reckoned, because this tank has no sand."
    assert why in plain(by_id(page_of(tank), "if"))
    assert f"  {why}" in summary_of(tank)


def test_when_all_tanks_have_ended_it_says_so() -> None:
    gone = Tank("Old", dt.date(2025, 1, 1), ended=dt.date(2026, 3, 1))
    assessment = replace(example_assessment(()), ended=(gone,), refused_tanks=())
    assert "All tanks of this log have ended." in plain(by_id(all_pages(assessment)[-1], "tanks"))
    assert "All tanks of this log have ended." in text_summary(assessment)


def test_what_ifs_at_the_start() -> None:
    tank = asked_tank("Reef")
    assert tank.questions is not None
    tank = replace(tank, questions=replace(tank.questions, risks=()))
    assert plain(by_id(page_of(tank), "if")).endswith(f"{AT_START}.")
    assert record_of(tank)["risk_if"] is None


def test_tanks_that_have_ended_are_folded_away() -> None:
    gone = Tank("Old <reef>", dt.date(2025, 1, 1), ended=dt.date(2026, 3, 1))
    assessment = replace(example_assessment((example_tank("Reef"),)), ended=(gone,))
    index = all_pages(assessment)[-1]
    assert "Old <reef>, 1 March 2026" in folded(by_id(index, "ended"))
    assert "Old" not in plain(by_id(index, "tanks"))
    assert "Old <reef>: ended on 2026-03-01." in text_summary(assessment)


def test_form_and_report_count_the_same_weeks(tmp_path: Path) -> None:
    today = dt.date.today()
    started, looked = today - dt.timedelta(weeks=30), today - dt.timedelta(weeks=12)
    log = tmp_path / "log"
    log.mkdir()
    (log / "tanks.csv").write_text(
        f"tank,started,ended,sand_depth_mm\nReef,{started},,0\nGone,{started},{looked},\n"
    )
    (log / "checkins.csv").write_text(f"tank,date,diatoms\nReef,{looked},y\n")
    assert main(["weekly", str(log), "--out", str(tmp_path / "out"), "--brief"]) == 0
    assert main(["form", str(log), "--out", str(tmp_path / "form.html")]) == 0
    report, form = ((tmp_path / name).read_text("utf-8") for name in ("out/Reef.html", "form.html"))
    for page in (report, form):
        assert "Last looked 12 weeks ago." in page
        assert "week 30" in page.lower()
    assert not (tmp_path / "out" / "Gone.html").exists()
    assert "Gone" not in form
    assert 'data-sign="diatoms"' in form
    assert "sand_worm_tubes" not in form.split("<form")[1].split(">", 1)[1]
