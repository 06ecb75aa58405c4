"""What a page, a record and a summary say of the questions, and that they keep silent unasked."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from report.example import AMMONIA, AS_OF, example_assessment, example_tank
from report.page_tree import (
    ALWAYS,
    ASKED,
    PLANS_ONLY,
    Node,
    all_pages,
    by_id,
    check_page,
    folds,
    page_of,
    plain,
    table_of,
)
from report.question_example import (
    LAST,
    answering,
    asked_tank,
    example_questions,
    slipping,
    waiting,
)

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.course import Course
from maturity_model.assessment.evidence import Missing
from maturity_model.assessment.plan import Plan, Step
from maturity_model.assessment.types import TankAssessment
from maturity_model.catalogue import load_course
from maturity_model.logbook.types import Reading
from maturity_model.report import text_summary
from maturity_model.report.views.folds import best_looks, waiting_of

PLAN = Plan("overfeeding=3", (Step("overfeeding", 3.0),))


def card(tank: TankAssessment) -> str:
    """What stands on a tank's card, in the words of its one thing to do."""
    (cards,) = all_pages(example_assessment((tank,)))[-1].find("ol")
    (said,) = [p for p in cards.find("p") if p.attributes["class"] == "do"]
    return plain(said)


def todo(tank: TankAssessment) -> list[str]:
    """Lines of what to do on a tank's page."""
    return [plain(li) for li in by_id(page_of(tank), "do").find("li")]


def text(page: Node, name: str) -> str:
    return plain(by_id(page, name))


def with_rules(tank: TankAssessment, **changes: object) -> TankAssessment:
    """The tank with other verdicts (or, for True, a remedy) for these rules."""
    assert tank.questions is not None
    decisions = []
    for rule in tank.questions.decisions:
        change = changes.get(rule.action, rule.verdict)
        decisions.append(
            replace(rule, verdict="yes", remedy=True)
            if change is True
            else replace(rule, verdict=change)  # type: ignore[arg-type]
        )
    return answering(tank, decisions=tuple(decisions))


def test_unasked_pages_hold_none_of_it() -> None:
    page = page_of(example_tank())
    assert not set(folds(page)) & set(ASKED)
    assert not [n for n in page.walk() if n.attributes.get("id") == "do"]
    assert card(example_tank()) == ""


def test_asked_pages_hold_all_of_it_in_order() -> None:
    for tank in (asked_tank(), asked_tank(mature=False, plans=(PLAN,))):
        found = [f for f in folds(page_of(tank)) if f not in ("change", "life")]
        assert tuple(found) == (*ASKED, *ALWAYS)
        for page in all_pages(example_assessment((tank,))):
            check_page(page)


def test_plans_alone_bring_risk_and_time() -> None:
    questions = example_questions(plans=(PLAN,))
    only = type(questions)(questions.risks, questions.first_passages)
    page = page_of(replace(example_tank(), questions=only))
    found = [f for f in folds(page) if f not in ("change", "life")]
    assert tuple(found) == (*PLANS_ONLY, *ALWAYS)
    assert "Overfeeding (3 x) today" in text(page, "if")
    rows = table_of(page, "Time to mature")
    assert [r[0] for r in rows[1:]] == ["Nothing further", "Overfeeding (3 x) today"]


def test_the_one_thing_is_the_worst_with_its_own_reason() -> None:
    tank = asked_tank(mature=False)
    wrong = asked_tank(alarm="something is wrong", mature=False)
    assert card(replace(wrong, cautions=(AMMONIA,))) == (
        "Rescue first, un-ionised ammonia above the criterion"
    )
    assert card(wrong) == "Look at the animals, copepods and amphipods gone"
    measure = with_rules(asked_tank(alarm="check the kit"), measure_ammonia="yes")
    assert card(measure).startswith("Test ammonia, last read")
    assert card(asked_tank(alarm="check the kit")) == "Measure again, nitrate is far off"
    # A caution that asks for water comes before any test.
    care = Caution(
        "care", "Ammonia is high", "", "EPA", ("change_water",), "Ammonia high", date=LAST
    )
    asked = replace(
        with_rules(asked_tank(alarm="check the kit"), change_water=True), cautions=(care,)
    )
    assert card(asked) == "Change water, ammonia high on 3 Jun"
    both = with_rules(asked, measure_ammonia=True)
    assert card(both) == "Change water, ammonia high on 3 Jun"
    only = with_rules(asked_tank(), measure_ammonia=True)
    assert card(replace(only, cautions=(care,))) == "Test ammonia, high on 3 Jun"
    assert card(with_rules(tank, stop_adding="yes")) == "Add no animals, slipped lately"
    assert card(tank) == "Change water"
    nitrite = Caution("care", "Nitrite", "", "x", ("stop_adding",), "Nitrite high", date=LAST)
    no_water = with_rules(with_rules(tank, stop_adding=True), change_water="not now")
    assert card(replace(no_water, cautions=(nitrite,))) == "Add no animals, nitrite high on 3 Jun"
    dry = replace(tank, events=tuple(e for e in tank.events if e.kind != "water_change"))
    assert card(dry) == "Change water, none logged yet"
    second = with_rules(tank, change_water="not now", second_opinion="yes")
    assert card(second) == "Ask a second keeper to look"
    assert card(asked_tank()) == "Leave it be"
    assert card(with_rules(asked_tank(), do_nothing="not now")) == "The usual round"


def test_a_blurred_answer_asks_for_a_look_unless_something_weighs_more() -> None:
    def blurred(tank: TankAssessment) -> TankAssessment:
        now = tank.filtered[-1]
        course = Course(LAST, None, None, now, now, None, None, load_course()["stale"])
        reach = replace(tank.reach, last_look=LAST, weeks_since_look=0)
        return replace(tank, course=course, reach=reach)

    assert card(blurred(asked_tank())) == "Look again"
    assert card(blurred(asked_tank(mature=False))) == "Change water"
    clear = blurred(asked_tank())
    assert clear.course is not None
    less = replace(clear, course=replace(clear.course, blur=load_course()["stale"] - 1e-9))
    assert card(less) == "Leave it be"


def test_what_is_missing_for_leaving_it_be_is_what_to_do() -> None:
    def lacking(need: str, do: str) -> TankAssessment:
        missing = (Missing(need, "It was on 2026-05-17", do),)  # type: ignore[arg-type]
        decisions = tuple(
            replace(d, verdict="not now", overruled=True, missing=missing)
            if d.rule.permission
            else d
            for d in example_questions().decisions
        )
        return answering(asked_tank(), decisions=decisions)

    assert card(lacking("both readings", "Measure both.")) == "Test ammonia and nitrite"
    assert card(lacking("refused row", "Mend it.")) == "Mend the log, a row could not be read"
    assert card(lacking("look", "Look.")) == "Look again"
    assert card(lacking("alarm", "x")) == "Look again, and measure, a recent look does not fit"
    cold = lacking("caution", "Bring it back slowly, and measure again.")
    assert card(cold) == "Bring it back slowly, it was on 17 May"
    assert card(lacking("nitrite", "Wait.")).startswith("Test nitrite, ")
    fresh = lacking("nitrite", "Wait until it reads lowest, and measure again.")
    reading = Reading("2", 1.5, 3.5, 2.0, "mg/L NO2", "colour_chart")
    look = replace(fresh.checkins[-1], date=LAST, readings={"nitrite": reading})
    high = replace(fresh, checkins=(*fresh.checkins[:-1], look))
    assert card(high) == "Wait for nitrite to fall, read 2 on 3 Jun"
    # Whatever a permission lacks stands on the page, in the words of a keeper.
    waits = [line for line in todo(fresh) if line.startswith("Wait")]
    assert waits == ["WaitAdd no animals yet. It was on 17 May. Wait until it reads lowest, and "
                     "measure again."]  # fmt: skip


def test_lines_are_three_at_most_and_permit_only_on_a_verdict() -> None:
    calm = todo(asked_tank())
    assert calm[0].startswith("MayAdd animals. One at a time")
    assert calm[1].startswith("LeaveThe sand. Stirring sets tanks back. Otherwise the usual round.")
    bloom = todo(asked_tank(mature=False))
    for line, tag in zip(bloom, ("Do", "Wait", "Leave"), strict=True):
        assert line.startswith(tag)
    assert "It is too early for them." in bloom[1]
    slipped = with_rules(asked_tank(mature=False), stop_adding="yes")
    assert any(line.startswith("StopAdd no animals.") for line in todo(slipped))
    assert not any(line.startswith("May") for line in todo(slipped))
    urgent = todo(replace(asked_tank(), cautions=(AMMONIA,)))
    assert urgent[0].startswith("DoWhat the red line says.")
    assert not any(line.startswith("May") for line in urgent)
    for tank in (asked_tank(), asked_tank(mature=False), slipped):
        assert 1 <= len(todo(tank)) <= 3


def test_the_worst_day_does_not_say_unlikely() -> None:
    tank = asked_tank(alarm="something is wrong", mature=False)

    def now(chance: float) -> str:
        return text(page_of(slipping(tank, chance)), "now")

    worst = now(0.5)
    assert "Just slipped" in worst
    assert "risk" not in worst
    assert "Back to bloom" in worst
    perhaps = now(0.2)
    assert "Slipping?Perhaps" in perhaps
    assert "risk, 8 weeks" in perhaps
    assert "Slipping?No sign" in now(0.19)


@pytest.mark.parametrize(
    ("later", "earlier", "way"),
    [(0.2, 0.1, "forward"), (0.19, 0.19, "steady"), (0.2, 0.3, "back"), (0.0, 0.2, "back")],
)
def test_the_arrow_is_the_chance_of_having_moved(later: float, earlier: float, way: str) -> None:
    tank = asked_tank()
    now, before = tank.filtered[-1], AS_OF - dt.timedelta(days=9)
    course = Course(AS_OF, before, now, now, now, later, earlier, 0.0)
    page = page_of(replace(tank, course=course))
    assert f"Going{way.capitalize()}since 27 May" in text(page, "now")
    none = page_of(replace(tank, course=replace(course, before=None, later=None, earlier=None)))
    assert "Going" not in text(none, "now")


def test_rules_keep_verdict_probability_threshold_and_reason() -> None:
    tank = asked_tank(mature=False)
    rows = {r[0]: r for r in table_of(page_of(tank), "What to do or leave alone")[1:]}
    assert rows["Change water now"][1:5] == [
        "yes", "Phase is bloom: 60.0 (36.0–84.0)", "33.3", "1 to 2 [E]",
    ]  # fmt: skip
    assert rows["Ask a second keeper to look"][1] == "wait"
    assert rows["Add the next animals"][3:5] == ["80", "4 to 1 [E]"]
    overruled = page_of(asked_tank(note="Ammonia is high"))
    rows = {r[0]: r for r in table_of(overruled, "What to do or leave alone")[1:]}
    assert rows["Measure ammonia"][5] == "Overruled: Ammonia is high"
    caution = with_rules(asked_tank(note="Ammonia is high"), measure_ammonia=True)
    rows = {r[0]: r for r in table_of(page_of(caution), "What to do or leave alone")[1:]}
    assert rows["Measure ammonia"][5] == "Overruled by a caution: Ammonia is high"


def test_why_points_each_way_and_researchers_have_the_bits() -> None:
    page = page_of(asked_tank())
    towards, against = (plain(u) for u in by_id(page, "why").find("ul"))
    assert "●●● Coralline algae, seen in 17 of 24 looks" in towards
    assert "●●○ Copepods" in towards
    assert "Amphipods" not in towards  # too weak to tell
    assert "●○○ Nitrate, 24 readings" in against
    assert "do not add up" in text(page, "why")
    bits = table_of(page, "Weight of evidence for mature against colonising")
    assert [r[:2] for r in bits[1:]] == [
        ["Coralline algae", "2.50"], ["Copepods", "1.10"], ["Amphipods", "0.02"],
        ["Nitrate", "-0.60"],
    ]  # fmt: skip


def test_risks_stand_as_it_is_then_from_low_to_high() -> None:
    page = page_of(asked_tank(plans=(PLAN,)))
    items = by_id(page, "if").find("li")
    assert [plain(i.find("span")[0]) for i in (items[0], items[-1])] == [
        "As it stands", "Overfeeding (3 x) today",
    ]  # fmt: skip
    assert {"Crash", "Overfed", "Sand stirred"} <= {plain(i.find("span")[0]) for i in items}
    percents = [int(plain(i.find("b")[0]).split()[0]) for i in items[1:]]
    assert percents == sorted(percents)
    rows = {r[0]: r for r in table_of(page, "Risk of slipping back")[1:]}
    assert rows["Crash today"][1] == "20.0 (12.0–34.0)"
    assert rows["Crash today"][3] == "+18.0"


def test_events_are_blamed_in_words_and_in_numbers() -> None:
    page = page_of(asked_tank())
    said = [plain(li) for li in by_id(page, "did").find("li")]
    assert said == [
        "Crash, 3 Feb: set it back, with an even chance",
        "Animals added, 3 Sep 2025: no effect to be seen",
    ]
    rows = table_of(page, "What events did")
    assert rows[2][:3] == ["2026-02-03", "crash", "8"]
    assert rows[2][5].startswith("40.0 (")


def test_time_to_mature_is_twenty_dots_with_a_table() -> None:
    page = page_of(asked_tank(mature=False))
    dots = [p for p in by_id(page, "mature").find("path") if p.attributes["class"] == "dot"]
    assert len(dots) == 20
    label = by_id(page, "mature").find("svg")[0].attributes["aria-label"]
    assert "0 now, 3 later than two years" in label
    said = text(page, "mature")
    assert "Half the tanks with a log like this one are mature within 9 months." in said
    assert "One in twenty takes longer than two years." in said
    assert "It may be held up." in said
    assert "It is probably mature already." in text(page_of(asked_tank()), "mature")
    row = table_of(page, "Time to mature")[1]
    assert row[3] == "later"
    assert row[-2] == "83.5"


@pytest.mark.parametrize("median", [1, 40, None])
def test_every_dot_stands_in_the_picture(median: int | None) -> None:
    for already in (0.0, 0.99):
        questions = replace(example_questions(), first_passages=(waiting(None, median, already),))
        shown = waiting_of(questions, ("Cycling", "Mature"))
        assert len(shown.dots.marks) == 20
        for mark in shown.dots.marks:
            assert 4 <= mark.y <= 86
            assert 0 < mark.x < 100


def test_time_in_a_phase_is_a_comparison_and_no_dose() -> None:
    found = table_of(page_of(asked_tank(mature=False)), "Time in bloom")[1:]
    # Two levers share a label here; the first one is the most helpful.
    rows = dict(map(tuple, reversed(found)))
    assert rows["Weeks in it so far"] == "20 (9–40)"
    assert rows["Weeks that nine in ten need"] == "31"
    assert rows["Pace beside the median tank"] == "0.83 (0.50–1.40)"
    assert rows["With water change (20 %) every week from now on, %"].endswith("+20.0 points")
    assert rows["Without further overfeeding (3 x) every 10 days from now on, %"].endswith(
        "+6.0 points"
    )


def test_looks_are_the_best_way_each_and_unchecked_first() -> None:
    questions = example_questions()
    best = best_looks(questions.next_checks)
    assert [x.name for x in best][:3] == ["syconoid_sponges", "coralline_algae", "diatoms"]
    assert len({x.name for x in best}) == len(best) == 7
    page = page_of(asked_tank())
    items = [plain(li) for li in by_id(page, "look").find("li")]
    assert len(items) == 5
    assert items[0].startswith("Syconoid sponges, with a careful look, 1 min; never yet.")
    assert len(table_of(page, "Where to look next")) == 1 + len(questions.next_checks)


def test_the_summary_has_the_same_one_thing() -> None:
    tanks = (
        asked_tank("Good"),
        asked_tank("Bad", alarm="something is wrong", mature=False),
        example_tank("Plain"),
    )
    lines = text_summary(example_assessment(tanks)).splitlines()
    assert lines[0].startswith("Bad ")
    assert lines[0].endswith("Look at the animals, copepods and amphipods gone")
    good = next(line for line in lines if line.startswith("Good"))
    assert good.endswith("Leave it be")
    news = text_summary(example_assessment(tanks), only_news=True)
    assert news.split() == lines[0].split()
    assert news.endswith("\n")
    assert text_summary(example_assessment(tanks[:1]), only_news=True) == ""
