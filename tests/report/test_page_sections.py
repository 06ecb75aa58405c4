"""What each section of a tank's page says and draws."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pytest
from report.example import AS_OF, PHASES, example_assessment, example_tank, problem
from report.page_tree import by_id, page_of, plain

from maturity_model.assessment.types import TankAssessment
from maturity_model.logbook.types import CheckIn, Event, Reading
from maturity_model.report.sign_figure import week_ranges
from maturity_model.report.tank_page import change_line
from maturity_model.report.wording import day


def test_an_unreliable_reweighting_is_admitted() -> None:
    text = plain(by_id(page_of(example_tank(share=0.6)), "sure"))
    assert (
        "The plain weights were unreliable (Pareto k̂ 0.94, above the limit 0.70), so only 60 % "
        "of this tank’s likelihood was used" in text
    )
    tank = example_tank()
    none = replace(tank, reweighting=replace(tank.reweighting, share=0.0, khat_full=1.2))
    assert "not reweighted at all" in plain(by_id(page_of(none), "sure"))
    assert "reweighted by all of this tank’s likelihood" in plain(by_id(page_of(tank), "sure"))


def test_an_elicited_population_is_called_so_and_a_fitted_one_not() -> None:
    tank = example_tank()
    said = plain(by_id(page_of(tank), "sure"))
    assert "No pooled fit of real tanks lies behind it" in said
    assert "practice population (elicited, no pooled fit yet)" in plain(by_id(page_of(tank), "now"))
    base = example_assessment((tank,)).provenance
    page = page_of(tank, provenance=replace(base, population_kind="fitted"))
    assert "No pooled fit" not in page.text
    assert "elicited" not in page.text


def test_problems_show_place_value_fault_and_mend() -> None:
    page = page_of(example_tank(problems=(problem("Tank"), problem(), problem(line=99))))
    (item,) = by_id(page, "problems").find("li")
    assert "2 problems of the log as a whole: see the page of all tanks" in plain(
        by_id(page, "problems")
    )
    assert item.text == (
        "cell not usedcheckins.csv, line 12, column nitrate: 3,5 has a decimal comma; "
        "write 3.5, or say decimal=comma in the logbook."
    )
    many = page_of(example_tank(problems=tuple(problem("Tank", line=n) for n in range(100))))
    assert len(by_id(many, "problems").find("li")) == 60
    assert "And 40 more" in by_id(many, "problems").text


def shifted(before: list[float], now: list[float]) -> TankAssessment:
    tank = example_tank()
    filtered = tank.filtered.copy()
    filtered[-2], filtered[-1] = before, now
    return replace(tank, filtered=filtered)


LABELS = tuple(p.capitalize() for p in PHASES)


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [
        (
            [0, 0.1, 0.3, 0.6], [0, 0.05, 0.25, 0.7],
            "Mature up 10 points, from 60 % to 70 %; weight moved forward, from bloom to mature.",
        ),
        (
            [0, 0.1, 0.2, 0.7], [0.3, 0.1, 0.0, 0.6],
            "Mature down 10 points, from 70 % to 60 %; weight moved back, from colonising to "
            "cycling.",
        ),
        ([0, 0.1, 0.2, 0.7], [0, 0.1, 0.2, 0.7], "Mature unchanged at 70 %."),
        (
            [0, 0.1, 0.5, 0.4], [0, 0.1, 0.4, 0.5],
            "Mature up 10 points, from 40 % to 50 %; weight moved forward, from colonising to "
            "mature. On {then} colonising came first.",
        ),
    ],
)  # fmt: skip
def test_the_change_since_last_week(before: list[float], now: list[float], said: str) -> None:
    tank = shifted(before, now)
    then = day(tank.dates[-2], seen_from=tank.dates[-1])
    assert change_line(tank, LABELS) == said.format(then=then)


def test_new_entries_are_told_and_so_is_their_absence() -> None:
    tank = example_tank()
    old = tuple(c for c in tank.checkins if c.date <= tank.dates[-2])
    quiet = replace(
        tank, checkins=old, events=tuple(e for e in tank.events if e.date <= tank.dates[-2])
    )
    assert "Nothing new was logged" in by_id(page_of(quiet), "change").text
    never = {"syconoid_sponges": True, "amphipods": False}
    last = replace(old[-1], signs={"amphipods": True})
    fresh = CheckIn(tank.tank.name, AS_OF, signs=never, note="odd & new")
    event = Event(tank.tank.name, AS_OF, "overfeeding", 3.0)
    loud = replace(tank, checkins=(*old[:-1], last, fresh), events=(event,))
    text = by_id(page_of(loud), "change").text
    assert "Seen for the first time: syconoid sponges." in text
    assert "Seen last time, not this time: amphipods." in text
    assert "odd & new" in text
    assert "Overfeeding 5 June 2026, 3 x." in text
    assert "Nothing new" not in text


def test_the_three_answers_of_a_sign_are_told_apart() -> None:
    tank = example_tank(weeks=4, course="new")
    start = tank.tank.started
    checkins = (
        CheckIn(tank.tank.name, start, signs={"diatoms": True}),
        CheckIn(tank.tank.name, start + dt.timedelta(days=8), signs={"diatoms": False}),
        CheckIn(tank.tank.name, start + dt.timedelta(days=15), signs={}),
        CheckIn(tank.tank.name, start + dt.timedelta(days=16), signs={"diatoms": False}),
        CheckIn(tank.tank.name, start + dt.timedelta(days=17), signs={"diatoms": True}),
    )
    section = by_id(page_of(replace(tank, checkins=checkins)), "signs")
    (row,) = [r for r in section.find("tr") if r.find("th")[0].text == "Diatoms"]
    assert [c.text for c in row.find("td")] == ["0, 2", "1", "0"]
    marks = {
        n.attributes["class"]: n.attributes["d"].count("M")
        for n in section.find("path")
        if n.parent is not None and "viewbox" in n.parent.attributes
    }
    assert marks == {"dot not": 1, "dot hole": 1, "dot un": 3 * 11, "dot seen": 2}


def test_week_ranges() -> None:
    assert week_ranges([]) == ""
    assert week_ranges([3]) == "3"
    assert week_ranges([0, 1, 2, 5, 7, 8]) == "0–2, 5, 7–8"


def test_a_reading_is_drawn_as_its_interval() -> None:
    tank = example_tank(weeks=10, course="new")
    start = tank.tank.started
    readings = (
        Reading("<0.25", 0.0, 0.25, 0.125, "mg/L NH4", "colour_chart"),
        Reading(">8", 8.0, float("inf"), 8.0, "mg/L NH4", "colour_chart"),
        Reading("0.13", 0.13, 0.13, 0.13, "mg/L NH4", "photometer"),
    )
    checkins = tuple(
        CheckIn(tank.tank.name, start + dt.timedelta(days=7 * n), readings={"ammonia": r})
        for n, r in enumerate(readings)
    )
    section = by_id(page_of(replace(tank, checkins=checkins)), "readings")
    (span,) = [n for n in section.find("path") if n.attributes["class"] == "span"]
    bars = [
        (float(foot), float(top))
        for foot, top in re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", span.attributes["d"])
    ]
    assert len(bars) == 3
    assert all(foot > top for foot, top in bars)
    assert bars[1][1] == 0  # to the upper edge, with an arrow
    assert bars[0][1] > bars[1][0]  # below 0.25 lies under 8
    assert bars[2][0] - bars[2][1] == pytest.approx(3)  # too fine to draw, but there
    assert len([n for n in section.find("path") if n.attributes["class"] == "arrow"]) == 1
    rows = [[c.text for c in r.find("td")] for r in section.find("tr")[1:]]
    assert rows == [
        ["0.13 mg/L NH4", "0.13", "photometer"],
        [">8 mg/L NH4", "8 or more", "colour chart"],
        ["<0.25 mg/L NH4", "0–0.25", "colour chart"],
    ]


def test_areas_fill_the_whole_height() -> None:
    tank = example_tank()
    paths = [
        n
        for n in by_id(page_of(tank), "history").find("path")
        if n.parent is not None and n.parent.attributes.get("class") == "area"
    ]
    assert len(paths) == 4
    weeks = len(tank.weeks)
    area = 0.0
    for path in paths:
        points = np.array(
            [[float(v) for v in p.split()] for p in path.attributes["d"][1:-1].split("L")]
        )
        x, y = points.T
        own = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
        k = int(path.attributes["class"][1])
        p = tank.smoothed[:, k]
        # trapezoids between week middles, level at both ends
        expected = 190 * (p.sum() - (p[0] + p[-1]) / 2 + (p[0] + p[-1]) / 2)
        assert own == pytest.approx(expected, rel=0.002, abs=2)
        area += own
    assert area == pytest.approx(190 * weeks, rel=1e-3)


def test_what_a_long_log_leaves_out_is_said() -> None:
    page = page_of(example_tank(weeks=1200))
    assert "The last 78 weeks" in by_id(page, "signs").text
    assert "last 78 weeks are drawn" in by_id(page, "readings").text
    assert "all of them are in phase.csv" in by_id(page, "history").text
