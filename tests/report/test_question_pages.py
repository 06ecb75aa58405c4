"""What a page, a record and a summary say of the questions, and that they keep silent unasked."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from report.example import AMMONIA, example_assessment, example_tank
from report.page_tree import (
    EVIL,
    FIRST,
    PLANS_ONLY,
    SECOND,
    SECTIONS,
    Node,
    all_pages,
    by_id,
    check_page,
    check_text,
    page_of,
    parse,
    plain,
    record_of,
)
from report.question_example import (
    asked_tank,
    example_questions,
    nitrate,
    sign,
    spread,
    surprises,
    waiting,
)

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.intervals import Estimate
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.surprise import Surprise
from maturity_model.report import text_summary
from maturity_model.report.question_record import QUESTIONS
from maturity_model.report.question_sections import best_looks
from maturity_model.report.tank_page import tank_page
from maturity_model.report.waiting_figure import bin_width, waiting_figure

PLAN = Plan("overfeeding=3", (Step("overfeeding", 3.0),))


def ids(page: Node) -> tuple[str, ...]:
    return tuple(s.attributes["id"] for s in page.find("main")[0].find("section"))


def text(page: Node, name: str) -> str:
    return plain(by_id(page, name))


def test_unasked_pages_hold_none_of_it() -> None:
    page = page_of(example_tank())
    assert ids(page) == SECTIONS
    assert "What now" not in page.text


def test_asked_pages_hold_all_of_it_in_order() -> None:
    at = SECTIONS.index("change")
    whole = (*SECTIONS[:at], *FIRST, "change", *SECOND, *SECTIONS[at + 1 :])
    assert ids(page_of(asked_tank())) == whole
    assert ids(page_of(asked_tank(mature=False, plans=(PLAN,)))) == whole


def test_plans_alone_bring_risk_and_time() -> None:
    questions = example_questions(plans=(PLAN,))
    only = type(questions)(questions.risks, questions.first_passages)
    page = page_of(replace(example_tank(), questions=only))
    at = SECTIONS.index("change")
    assert ids(page) == (*SECTIONS[: at + 1], *PLANS_ONLY, *SECTIONS[at + 1 :])
    assert "Overfeeding (3 x) today" in text(page, "if")
    assert "What now" not in page.text
    assert "Under your what-ifs" in text(page, "mature")


@pytest.mark.parametrize("mature", [True, False])
@pytest.mark.parametrize("alarm", ["", "check the kit", "something is wrong"])
def test_pages_are_whole(alarm: str, mature: bool) -> None:
    tank = asked_tank(alarm=alarm, mature=mature, plans=(PLAN,))
    for page in all_pages(example_assessment((tank,))):
        check_page(page)


def test_an_alarm_stands_at_the_top_with_date_and_animals() -> None:
    page = page_of(asked_tank(alarm="something is wrong"))
    header = plain(page.find("header")[0])
    assert "Something may be wrong, look again." in header
    assert "Check-in of 3 June" in header
    # Pods come first.
    found = re.search(r"copepods, amphipods and bristle worms, seen again and again", header)
    assert found
    assert "Nitrate 80 mg/L NO3, far above" in header
    assert "about as likely as not: 42 %, about 42 of 100" in header
    assert ids(page)[2:4] == ("surprises", "do")
    kit = plain(page_of(asked_tank(alarm="check the kit")).find("header")[0])
    assert "Check the kit." in kit
    assert "nothing else agrees with it" in kit
    urgent = Caution("urgent", "Ammonia above the acute criterion", "", "EPA")
    at_risk = replace(asked_tank(alarm="check the kit"), cautions=(urgent,))
    said = plain(page_of(at_risk).find("header")[0])
    assert "Act first, then check the kit." in said
    assert "nothing else agrees with it" not in said
    calm = page_of(asked_tank())
    assert "look again" not in plain(calm.find("header")[0])
    assert "gives no alarm" in text(calm, "surprises")


def test_pods_come_first_whatever_their_probability() -> None:
    tank = asked_tank(alarm="something is wrong")
    assert tank.questions is not None
    items = tuple(
        Surprise(sign(n, False), p, True, False, None)
        for n, p in (("bristle_worms", 0.001), ("amphipods", 0.05))
    )
    said = replace(surprises("something is wrong"), items=items)
    page = page_of(replace(tank, questions=replace(tank.questions, surprises=said)))
    assert "amphipods and bristle worms" in plain(page.find("header")[0])


def test_rules_show_verdict_probability_threshold_and_reason() -> None:
    page = page_of(asked_tank(mature=False))
    rows = {r.find("th")[0].text: plain(r) for r in by_id(page, "do").find("tr") if r.find("td")}
    assert re.search(
        r"Yes.*Bloom now: 60 % \(36–84\); needed 33 % "
        r"\(missing it costs 2 × a needless one \[E\]\)",
        rows["Change water now"],
    )
    assert "Wait, look again" in rows["Ask a second keeper to look"]
    # An even loss, and one that leans to waiting.
    assert "either mistake costs the same" in rows["Ask a second keeper to look"]
    assert "a needless one costs 4 × missing it" in rows["Add the next animals"]
    section = text(page, "do")
    assert "Not now: add the next animals." in section
    assert "No special reason now to: measure ammonia." in section
    assert "not now: leave the sand alone" not in section.lower()
    assert "Never a dose, and no diagnosis of an animal" in section
    assert "animal-welfare law come before this table" in section
    assert "[E] Elicited" in section
    assert "What now: Change water now; leave the sand alone." in text(page, "now")


def test_what_overruled_a_rule_is_said_and_cautions_are_named() -> None:
    tank = replace(asked_tank(note="Ammonia is high"), cautions=(AMMONIA,))
    section = text(page_of(tank), "do")
    assert "Overruled: Ammonia is high." in section
    assert f"Cautions that apply: {AMMONIA.title}" in section


def test_why_gives_odds_and_pushes_each_way() -> None:
    section = by_id(page_of(asked_tank()), "why")
    said = plain(section)
    assert "1 to 2.3 by age, rock and events alone, 16 to 1 with all" in said
    towards, against = (plain(u) for u in section.find("ul"))
    assert "Coralline algae: odds × 6 (2.5 bits); seen 17 of 24 times, last look 3 June" in towards
    assert "Amphipods" not in towards  # too weak to tell
    assert "Nitrate: odds ÷ 1.5 (0.6 bits); 24 readings, last 80 mg/L NO3 on 3 June" in against
    assert "do not add up" in said


def test_risks_are_ordered_by_change() -> None:
    rows = by_id(page_of(asked_tank(plans=(PLAN,))), "if").find("tr")[1:]
    names = [r.find("th")[0].text for r in rows]
    assert names[:3] == ["Nothing further", "Overfeeding (3 x) today", "Crash today"]
    change = [int(c) for r in rows[1:] for c in re.findall(r"\d+", r.find("td")[2].text)]
    assert change == sorted(change, reverse=True)
    assert plain(rows[2].find("td")[0]) == "20 % (12–34)"


def test_events_without_weeks_since_are_left_out() -> None:
    said = text(page_of(asked_tank()), "did")
    assert "Crash, 3 February: a slip within 8 weeks about as likely as not" in said
    assert "due to it about 40 of 100" in said
    assert "5 June" not in said
    assert "Each other event (1) set it back in fewer than 1 of 100" in said
    assert "attribution, not proof" in said
    assert "do not add up" in said


def test_time_to_mature_is_twenty_dots_with_a_table() -> None:
    page = page_of(asked_tank(mature=False))
    section = by_id(page, "mature")
    dots = [n for n in section.find("circle") if n.attributes["class"] == "qdot"]
    assert len(dots) == 20
    (svg,) = [n for n in section.find("svg") if n.attributes.get("role") == "img"]
    assert {c.tag for c in svg.children if isinstance(c, Node)} >= {"title", "desc"}
    assert "Of twenty: 0 now, 17 within two years, 3 later." in svg.find("desc")[0].text
    assert "later than 2 years" in svg.text
    assert "Not within two years: about 16 of 100" in plain(section)
    (table,) = section.find("table")
    assert plain(table.find("tr")[-1]) == "104 weeks84 %"


@pytest.mark.parametrize("median", [1, 3, 13, 40, 100, None])
def test_every_dot_stands_in_the_picture(median: int | None) -> None:
    for already in (0.0, 0.3, 0.99):
        root = parse(waiting_figure(waiting(None, median, already)))
        dots = [n for n in root.find("circle") if n.attributes["class"] == "qdot"]
        assert len(dots) == 20
        height = float(root.find("svg")[0].attributes["height"])
        for dot in dots:
            assert 5 <= float(dot.attributes["cy"]) <= height
            assert 0 < float(dot.attributes["cx"].rstrip("%")) < 100
        assert len({(d.attributes["cx"], d.attributes["cy"]) for d in dots}) == 20
    assert bin_width([104]) == 8
    assert bin_width([13]) == 1


def test_lagging_is_a_comparison_and_no_dose() -> None:
    said = text(page_of(asked_tank(mature=False)), "lag")
    assert "About as likely as not: about 40 %, about 40 of 100" in said
    assert "Nine of ten comparable tanks leave bloom within 31 weeks" in said
    assert "0.8 times that of the median tank (range 0.5–1.4)" in said
    assert (
        "With water change (20 %) every week from now on: 40 %, rather than 20 % (+20 points, "
        "range +5 to +40)" in said
    )
    assert "Without further overfeeding: 20 %, rather than 14 %" in said
    assert said.count("rather than") == 2  # the third moves too little
    assert "not a dose" in said
    assert "There is no later phase than mature" in text(page_of(asked_tank()), "lag")


def test_looks_are_the_best_way_each_and_unchecked_first() -> None:
    questions = example_questions()
    best = best_looks(questions.next_checks)
    assert [x.name for x in best][:3] == ["syconoid_sponges", "coralline_algae", "diatoms"]
    assert len({x.name for x in best}) == len(best) == 7
    page = page_of(asked_tank())
    rows = by_id(page, "look").find("table")[0].find("tr")[1:]
    assert len(rows) == 6
    assert plain(rows[0]).startswith("Syconoid sponges, a careful look<0.01 bits1 minnever")
    assert "Not checked in the last four weeks" not in text(page, "sure")


def test_cards_and_summary() -> None:
    tanks = (
        asked_tank("Bad", alarm="something is wrong", mature=False),
        asked_tank("Good"),
        example_tank("Plain"),
    )
    assessment = example_assessment(tanks)
    cards = [plain(c) for c in by_id(all_pages(assessment)[-1], "tanks").find("ol")[0].find("li")]
    assert "Something may be wrong, look again (check-in of 3 June)." in cards[0]
    assert "Mature: half of such tanks within 40 weeks" in cards[0]
    assert "Lagging: about as likely as not, about 40 %, about 40 of 100" in cards[0]
    assert "Mature now: about 95 of 100" in cards[1]
    assert "look again" not in cards[1]
    assert "Lagging" not in cards[2]
    lines = text_summary(assessment).splitlines()
    start = [next(i for i, x in enumerate(lines) if x.startswith(n)) for n in ("Bad", "Good", "Pl")]
    assert lines[start[0] + 3].startswith(
        "  SOMETHING MAY BE WRONG, LOOK AGAIN. What now: Change water now"
    )
    assert lines[start[1] + 3].startswith("  What now: Leave the sand alone. You may add the next")
    assert start[1] == start[0] + 4
    assert start[2] == start[1] + 4


def test_text_from_log_and_plan_stays_text() -> None:
    evil = Plan(EVIL, (Step("overfeeding", 3.0),))
    tank = asked_tank(alarm="something is wrong", mature=False, plans=(evil,), note=EVIL)
    questions = tank.questions
    assert questions is not None
    assert questions.evidence is not None
    assert questions.surprises is not None
    nasty = nitrate(EVIL, EVIL)
    item = Surprise(nasty, 0.001, False, True, True)
    judged = replace(nasty, kind="judgement", name="judged_phase", reading=None, phase=EVIL)
    groups = tuple(
        replace(g, kind=o.kind, name=o.name, latest=o)
        for g, o in zip(questions.evidence.towards, (nasty, judged, sign(EVIL, True)), strict=True)
    )
    pushes = tuple(replace(p, what=nasty) for p in questions.evidence.singles)
    looks = tuple(replace(x, name=EVIL, how=EVIL) for x in questions.next_checks)
    effect = questions.event_effects[1]
    event = replace(effect.event, kind=EVIL, note=EVIL)
    questions = replace(
        questions,
        evidence=replace(questions.evidence, towards=groups, singles=pushes),
        surprises=replace(questions.surprises, items=(item, *questions.surprises.items)),
        next_checks=looks,
        event_effects=(replace(effect, event=event),),
    )
    tank = replace(tank, questions=questions)
    assessment = example_assessment((tank,))
    source = tank_page(tank, assessment, "cmd")
    check_text(parse(source), source, 8)
    assert "\x07" not in text_summary(assessment)


def test_json_is_null_where_nothing_was_asked() -> None:
    found = record_of(example_tank())
    assert all(found[k] is None for k in QUESTIONS)
    questions = example_questions(plans=(PLAN,))
    only = type(questions)(questions.risks, questions.first_passages)
    found = record_of(replace(example_tank(), questions=only))
    assert {k for k in QUESTIONS if found[k] is not None} == {"risk_if", "time_to_mature"}


def test_json_holds_every_number() -> None:
    tank = asked_tank(alarm="something is wrong", mature=False, plans=(PLAN,))
    found = record_of(tank)
    q = tank.questions
    assert q is not None

    def mixed(e: Estimate) -> dict[str, float]:
        return {"mean": e.mean, "low": e.low, "high": e.high}

    risks = found["risk_if"]
    assert [r["what_if"] for r in risks][:2] == [None, "overfeeding"]
    assert risks[-1] == {
        "what_if": "overfeeding=3",
        "label": "Overfeeding (3 x) today",
        "risk": {"4": mixed(q.risks[-1].risk[0]), "8": mixed(q.risks[-1].risk[1])},
        "change": {"4": mixed(q.risks[-1].change[0]), "8": mixed(q.risks[-1].change[1])},
    }
    assert found["event_effects"][1] == {
        "date": "2026-02-03",
        "event": "crash",
        "amount": None,
        "weeks_followed": 8,
        "slipped": mixed(spread(0.5)),
        "without": mixed(spread(0.1)),
        "due": mixed(spread(0.4)),
    }
    times = found["time_to_mature"]
    assert len(times) == 2
    assert times[0]["dots"] == list(q.first_passages[0].dots)
    assert set(times[0]["quantiles"]) == {"0.05", "0.5", "0.95"}
    stuck = found["stuck"]
    assert {"weeks_so_far", "weeks_needed_by_90_of_100", "lagging", "pace", "next_phase_8_weeks",
            "levers"} <= set(stuck)  # fmt: skip
    assert [x["change"]["mean"] for x in stuck["levers"]] == [0.2, 0.06, 0.01]
    assert found["surprises"]["alarm"] == "something is wrong"
    assert found["surprises"]["pods"] is True
    assert len(found["where_to_look"]) == len(q.next_checks)
    assert [d["verdict"] for d in found["decisions"]] == [d.verdict for d in q.decisions]
    assert found["why"]["bits"] == 4.0
