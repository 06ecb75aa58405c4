"""What a page and a summary say of the questions, and that they keep silent unasked."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from report.example import (
    AMMONIA,
    AS_OF,
    BLOOM,
    CRASHED,
    alarmed,
    answering,
    asked_tank,
    example_assessment,
    example_tank,
)
from report.page_tree import (
    ALWAYS,
    ASKED,
    PLANS_ONLY,
    Node,
    all_pages,
    by_id,
    folds,
    page_of,
    plain,
    table_of,
)

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.evidence import Missing
from maturity_model.assessment.intervals import Estimate
from maturity_model.assessment.questions import Questions
from maturity_model.assessment.types import TankAssessment
from maturity_model.catalogue import load_catalogue, load_course
from maturity_model.catalogue.guide import load_guide
from maturity_model.report import text_summary
from maturity_model.report.views.folds import best_looks, waiting_of

LAST = AS_OF - dt.timedelta(days=2)


def asked(tank: TankAssessment) -> Questions:
    assert tank.questions is not None
    return tank.questions


def percent(found: Estimate) -> str:
    return f"{100 * found.mean:.1f} ({100 * found.low:.1f}–{100 * found.high:.1f})"


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


def test_plans_alone_bring_risk_and_time() -> None:
    questions = asked(asked_tank())
    page = page_of(asked_tank(questions=Questions(questions.risks, questions.first_passages)))
    found = [f for f in folds(page) if f not in ("change", "life", "problems")]
    assert tuple(found) == (*PLANS_ONLY, *ALWAYS[1:])
    assert "Overfeeding (3 x) today" in text(page, "if")
    rows = table_of(page, "Time to mature")
    assert [r[0] for r in rows[1:]] == ["Nothing further", "Overfeeding (3 x) today"]


def test_the_one_thing_is_the_worst_with_its_own_reason() -> None:
    bloom, calm = asked_tank(like=BLOOM), asked_tank()
    wrong = alarmed(bloom, "something is wrong")
    kit = alarmed(calm, "check the kit")
    high = Caution(
        "care", "Ammonia is high", "", "EPA", ("change_water",), "Ammonia high", date=LAST
    )
    nitrite = Caution("care", "Nitrite", "", "x", ("stop_adding",), "Nitrite high", date=LAST)
    water = replace(with_rules(kit, change_water=True), cautions=(high,))
    measure = replace(with_rules(calm, measure_ammonia=True), cautions=(high,))
    no_water = with_rules(with_rules(bloom, stop_adding=True), change_water="not now")
    for tank, said in (
        (replace(wrong, cautions=(AMMONIA,)),
         "Rescue first, un-ionised ammonia above the criterion"),
        (wrong, "Look at the animals, copepods and amphipods gone"),
        (with_rules(kit, measure_ammonia="yes"), "Test ammonia, last read 15 Nov"),
        (kit, "Measure again, nitrate is far off"),
        # A caution that asks for water comes before any test.
        (water, "Change water, ammonia high on 18 Nov"),
        (with_rules(water, measure_ammonia=True), "Change water, ammonia high on 18 Nov"),
        (measure, "Test ammonia, high on 18 Nov"),
        (with_rules(bloom, stop_adding="yes"), "Add no animals, slipped lately"),
        (asked_tank(like="Breakwater-200"), "Change water"),
        (bloom, "Change water, none logged yet"),
        (replace(no_water, cautions=(nitrite,)), "Add no animals, nitrite high on 18 Nov"),
        (with_rules(bloom, change_water="not now", second_opinion="yes"),
         "Ask a second keeper to look"),
        (calm, "Leave it be"),
        (with_rules(calm, do_nothing="not now"), "The usual round"),
    ):  # fmt: skip
        assert card(tank) == said


def test_a_blurred_answer_asks_for_a_look_unless_something_weighs_more() -> None:
    def blurred(tank: TankAssessment, blur: float) -> TankAssessment:
        assert tank.course is not None
        reach = replace(tank.reach, last_look=LAST, weeks_since_look=0)
        return replace(tank, course=replace(tank.course, blur=blur), reach=reach)

    stale = load_course()["stale"]
    assert card(blurred(asked_tank(), stale)) == "Look again"
    assert card(blurred(asked_tank(like=BLOOM), stale)) == "Change water, none logged yet"
    assert card(blurred(asked_tank(), stale - 1e-9)) == "Leave it be"


def test_what_is_missing_for_leaving_it_be_is_what_to_do() -> None:
    def lacking(need: str, do: str) -> TankAssessment:
        missing = (Missing(need, "It was on 2026-05-17", do),)  # type: ignore[arg-type]
        decisions = tuple(
            replace(d, verdict="not now", overruled=True, missing=missing)
            if d.rule.permission
            else d
            for d in asked(asked_tank()).decisions
        )
        return answering(asked_tank(), decisions=decisions)

    cold = "Bring it back slowly, and measure again."
    for need, do, said in (
        ("both readings", "Measure both.", "Test ammonia and nitrite"),
        ("refused row", "Mend it.", "Mend the log, a row could not be read"),
        ("look", "Look.", "Look again"),
        ("alarm", "x", "Look again, and measure, a recent look does not fit"),
        ("caution", cold, "Bring it back slowly, it was on 17 May"),
        ("nitrite", "Wait.", "Wait for nitrite to fall, read 0 on 15 Nov"),
    ):
        assert card(lacking(need, do)) == said
    fresh = lacking("nitrite", "Wait until it reads lowest, and measure again.")
    assert card(replace(fresh, checkins=())) == "Test nitrite, never measured"
    # Whatever a permission lacks stands on the page, in the words of a keeper.
    waits = [line for line in todo(fresh) if line.startswith("Wait")]
    assert waits == ["WaitAdd no animals yet. It was on 17 May. Wait until it reads lowest, and "
                     "measure again."]  # fmt: skip


def test_lines_are_three_at_most_and_permit_only_on_a_verdict() -> None:
    calm, bloom = asked_tank(), asked_tank(like=BLOOM)
    slipped = with_rules(bloom, stop_adding="yes")
    urgent = replace(calm, cautions=(AMMONIA,))
    for tank, tags in (
        (calm, ("MayAdd animals.", "LeaveThe sand.")),
        (bloom, ("DoChange water.", "WaitAdd no animals yet.", "LeaveThe sand.")),
        (slipped, ("DoChange water.", "StopAdd no animals.", "LeaveThe sand.")),
        (urgent, ("DoWhat the red line says.", "StopAdd no animals.", "LeaveThe sand.")),
    ):
        for line, start in zip(todo(tank), tags, strict=True):
            assert line.startswith(start)


def test_a_likely_slip_is_said_and_a_possible_one_asked() -> None:
    def now(slipped: float) -> str:
        tank = alarmed(asked_tank(like=BLOOM), "something is wrong", slipped)
        return text(page_of(tank), "now")

    assert "Back to bloom" in now(0.5)
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
    assert tank.course is not None
    course = replace(tank.course, later=later, earlier=earlier)
    page = page_of(replace(tank, course=course))
    assert f"Going{way.capitalize()}since 10 Nov" in text(page, "now")
    none = page_of(replace(tank, course=replace(course, before=None, later=None, earlier=None)))
    assert "Going" not in text(none, "now")


def test_rules_keep_verdict_probability_threshold_and_reason() -> None:
    def rows(tank: TankAssessment) -> dict[str, list[str]]:
        return {r[0]: r for r in table_of(page_of(tank), "What to do or leave alone")[1:]}

    bloom = asked_tank(like=BLOOM)
    found = rows(bloom)
    (water,) = [d for d in asked(bloom).decisions if d.action == "change_water"]
    assert found["Change water now"][1:5] == [
        "yes", f"Phase is bloom: {percent(water.probability)}", "33.3", "1 to 2 [E]",
    ]  # fmt: skip
    assert found["Ask a second keeper to look"][1] == "wait"
    assert found["Add the next animals"][3:5] == ["80", "4 to 1 [E]"]
    decisions = tuple(
        replace(d, why="Ammonia is high", overruled=True) for d in asked(bloom).decisions
    )
    overruled = answering(bloom, decisions=decisions)
    assert rows(overruled)["Measure ammonia"][5] == "Overruled: Ammonia is high"
    caution = with_rules(overruled, measure_ammonia=True)
    assert rows(caution)["Measure ammonia"][5] == "Overruled by a caution: Ammonia is high"


def test_why_points_each_way_and_researchers_have_the_bits() -> None:
    tank = asked_tank()
    evidence = asked(tank).evidence
    assert evidence is not None
    for k, bits in enumerate((2.5, 1.1, 0.02)):
        groups = list(evidence.towards)
        groups[k] = replace(groups[k], bits=bits)
        evidence = replace(evidence, towards=tuple(groups))
    page = page_of(answering(tank, evidence=evidence))
    towards, against = (plain(u) for u in by_id(page, "why").find("ul"))
    own, coralline, weak = evidence.towards
    assert f"●●● Your own judgement, {own.count} times" in towards
    assert f"●●○ Coralline algae, seen in {coralline.seen} of {coralline.count} looks" in towards
    assert "Syconoid" not in towards  # too weak to tell
    assert weak.name == "syconoid_sponges"
    assert "●○○ Feather duster worms" in against
    assert "do not add up" in text(page, "why")
    bits = table_of(page, "Weight of evidence for mature against colonising")
    groups = [*evidence.towards, *evidence.against]
    assert [r[1] for r in bits[1:]] == [f"{g.bits:.2f}" for g in groups]


def test_risks_stand_as_it_is_then_from_low_to_high() -> None:
    tank = asked_tank()
    page = page_of(tank)
    items = by_id(page, "if").find("li")
    names = [plain(i.find("span")[0]) for i in items]
    assert names[0] == "As it stands"
    assert {"Crash", "Overfed", "Sand stirred", "Overfeeding (3 x) today"} <= set(names)
    percents = [int(plain(i.find("b")[0]).split()[0]) for i in items[1:]]
    assert percents == sorted(percents)
    rows = {r[0]: r for r in table_of(page, "Risk of slipping back")[1:]}
    (crash,) = [r for r in asked(tank).risks if r.plan and r.plan.text == "crash"]
    assert rows["Crash today"][1] == percent(crash.risk[0])
    assert rows["Crash today"][3].startswith(f"{100 * crash.change[0].mean:+.1f}")


def test_events_are_blamed_in_words_and_in_numbers() -> None:
    tank = asked_tank(like=CRASHED)
    page = page_of(tank)
    said = [plain(li) for li in by_id(page, "did").find("li")]
    assert said == [
        "Animals added, 26 Aug: no effect to be seen",
        "Crash, 17 May: set it back, almost certainly",
        "Animals added, 31 Dec 2025: no effect to be seen",
    ]
    (crash,) = [e for e in asked(tank).event_effects if e.event.kind == "crash"]
    (row,) = [r for r in table_of(page, "What events did") if r[1] == "crash"]
    assert row[:3] == ["2026-05-17", "crash", str(crash.followed)]
    assert row[5] == percent(crash.due)


def test_time_to_mature_is_twenty_dots_with_a_table() -> None:
    tank = asked_tank(like=BLOOM)
    found = asked(tank).first_passages[0]
    page = page_of(tank)
    dots = [p for p in by_id(page, "mature").find("path") if p.attributes["class"] == "dot"]
    assert len(dots) == 20
    label = by_id(page, "mature").find("svg")[0].attributes["aria-label"]
    later = sum(w is None for w in found.dots)
    assert f"0 now, {later} later than two years" in label
    said = text(page, "mature")
    assert "Half the tanks with a log like this one are mature within" in said
    assert "One in twenty takes" in said
    assert "It is probably mature already." in text(page_of(asked_tank()), "mature")
    head, row, *_ = table_of(page, "Time to mature")
    weeks = ["later" if w is None else str(w) for w in (found.low, found.median, found.high)]
    assert row[1:4] == weeks
    assert row[head.index("week 52")] == f"{100 * found.by_week[52]:.1f}"


@pytest.mark.parametrize("dots", [(0,) * 20, (1,) * 20, tuple(range(4, 104, 5)), (None,) * 20])
def test_every_dot_stands_in_the_picture(dots: tuple[int | None, ...]) -> None:
    questions = asked(asked_tank())
    first = replace(questions.first_passages[0], dots=dots)
    shown = waiting_of(replace(questions, first_passages=(first,)), ("Cycling", "Mature"))
    assert len(shown.dots.marks) == 20
    for mark in shown.dots.marks:
        assert 4 <= mark.y <= 86
        assert 0 < mark.x < 100


def test_time_in_a_phase_is_a_comparison_and_no_dose() -> None:
    tank = asked_tank(like="Breakwater-200")
    rows = dict(map(tuple, table_of(page_of(tank), "Time in bloom")[1:]))
    found = asked(tank).sojourn
    assert found is not None
    low, middle, high = found.so_far
    assert rows["Weeks in it so far"] == f"{middle} ({low}–{high})"
    assert rows["Weeks that nine in ten need"] == str(found.need[1])
    pace = found.pace
    assert (
        rows["Pace beside the median tank"] == f"{pace.speed:.2f} ({pace.low:.2f}–{pace.high:.2f})"
    )
    for said, text in (
        ("With water change (20 %) every week from now on, %", "water_change=20/1w"),
        ("Without further overfeeding (3 x) every 8 weeks from now on, %", "overfeeding=3/56d"),
    ):
        (contrast,) = [c for c in found.contrasts if c.plan.text == text]
        assert rows[said].endswith(f"{100 * contrast.change.mean:+.1f} points")


def test_looks_are_the_best_way_each_and_unchecked_first() -> None:
    tank = asked_tank()
    checks = asked(tank).next_checks
    never = min(checks, key=lambda x: x.per_minute).name
    last = {x.name: None if x.name == never else LAST for x in checks}
    checks = tuple(replace(x, unchecked=x.name == never, last=last[x.name]) for x in checks)
    first, *others = best_looks(checks)
    assert first.name == never
    assert {x.name for x in others} == set(last) - {never}
    assert len(others) == len(last) - 1
    for look in others:
        assert look.per_minute == max(x.per_minute for x in checks if x.name == look.name)
    gains = [x.per_minute for x in others]
    assert gains == sorted(gains, reverse=True)
    page = page_of(answering(tank, next_checks=checks))
    # The lists within say what each is mistaken for.
    items = [text for li in by_id(page, "look").find("li") if " min; " in (text := plain(li))]
    assert len(items) == 5
    assert f"{first.minutes:g} min; never yet." in items[0]
    assert len(table_of(page, "Where to look next")) == 1 + len(checks)


def test_each_sign_to_look_for_says_what_it_is_mistaken_for() -> None:
    guide = load_guide()
    looks = by_id(page_of(asked_tank()), "look")
    folded = [plain(fold) for fold in looks.find("details")[1:]]
    said = [text for text in folded if text.startswith("What it is mistaken for: ")]
    drawn = [li for li in looks.find("li") if li.find("svg")]
    assert len(said) == len(drawn) > 0
    signs = load_catalogue().signs
    for text in said:
        (name,) = [n for n, sign in signs.items() if f"mistaken for: {sign.label}" in text]
        for other in guide[name].mistaken_for:
            assert other.test.text in text


def test_the_summary_has_the_same_one_thing() -> None:
    tanks = (
        asked_tank("Good"),
        alarmed(asked_tank("Bad", BLOOM), "something is wrong"),
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
