"""What each part of a tank's page says and draws."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from report.example import (
    AS_OF,
    CRASHED,
    STARTING,
    example_assessment,
    example_tank,
    lasting,
    problem,
)
from report.page_tree import Node, by_id, page_of, plain, table_of

from maturity_model.logbook.types import CheckIn, Event, Reading
from maturity_model.report.views.calendar import Calendar
from maturity_model.report.views.history import history
from maturity_model.report.views.tables import week_ranges


def row_of(page: Node, part: str, label: str) -> Node:
    """A sign's or an analyte's row."""
    rows = by_id(page, part).find("li")
    (row,) = [r for r in rows if plain(r.find("span")[0]).startswith(label)]
    return row


def paths_of(row: Node) -> dict[str, str]:
    return {p.attributes["class"]: p.attributes["d"] for p in row.find("path")}


def test_tempered_weights_are_admitted() -> None:
    tank = example_tank()
    own = tank.reweighting
    assert own.khat_full > own.limit
    limit = f"(Pareto k̂ {own.khat_full:.2f}, above the limit {own.limit:.2f})"
    for share, said in (
        (own.share, f"{limit}, so only {100 * own.share:.1f} % of"),
        (0.0, "not reweighted at all"),
        (1.0, "reweighted by all of this tank’s likelihood"),
    ):
        page = page_of(replace(tank, reweighting=replace(own, share=share)))
        assert said in plain(by_id(page, "researchers"))


def test_an_elicited_population_is_called_so_and_a_fitted_one_not() -> None:
    tank = example_tank()
    said = plain(by_id(page_of(tank), "researchers"))
    assert "No pooled fit of real tanks lies behind it" in said
    assert "practice population (elicited, no pooled fit yet)" in said
    assert "rules of thumb that the authors wrote down" in plain(page_of(tank).find("footer")[0])
    base = example_assessment((tank,)).provenance
    page = page_of(tank, provenance=replace(base, population_kind="fitted"))
    assert "No pooled fit" not in page.text
    assert "elicited" not in page.text
    assert "learned from a pool" in plain(page.find("footer")[0])


def test_problems_show_place_value_fault_and_mend() -> None:
    page = page_of(example_tank(problems=(problem("Tank"), problem(), problem(line=99))))
    (item,) = by_id(page, "problems").find("li")
    assert "2 of the log as a whole: see the page of all tanks" in plain(by_id(page, "problems"))
    assert item.text == (
        "cell not used checkins.csv, line 12, column nitrate: 3,5 has a decimal comma; "
        "write 3.5, or say decimal=comma in the logbook."
    )
    many = page_of(example_tank(problems=tuple(problem("Tank", line=n) for n in range(100))))
    assert len(by_id(many, "problems").find("li")) == 60
    assert "And 40 more" in by_id(many, "problems").text
    assert "Log problems (100)" in by_id(many, "problems").text


def test_new_entries_are_listed_and_nothing_new_has_no_part() -> None:
    tank = example_tank()
    name, before = tank.tank.name, AS_OF - dt.timedelta(days=9)
    old = CheckIn(name, before, signs={"amphipods": True})
    assert "New in the log" not in page_of(replace(tank, checkins=(old,), events=())).text
    signs = {"syconoid_sponges": True, "amphipods": False}
    fresh = CheckIn(name, AS_OF, signs=signs, note="odd & new")
    event = Event(name, AS_OF, "overfeeding", 3.0)
    text = by_id(page_of(replace(tank, checkins=(old, fresh), events=(event,))), "change").text
    assert "Seen for the first time: syconoid sponges." in text
    assert "Seen last time, not this time: amphipods." in text
    assert "odd & new" in text
    assert "Overfed, 20 Nov, 3 x." in text


def test_the_three_answers_of_a_sign_are_told_apart() -> None:
    tank = example_tank(like=STARTING)
    start = tank.tank.started
    days = (0, 8, 15, 16, 17)
    answers = (True, False, None, False, True)
    checkins = tuple(
        CheckIn(
            tank.tank.name,
            start + dt.timedelta(days=d),
            signs={} if a is None else {"diatoms": a},
        )
        for d, a in zip(days, answers, strict=True)
    )
    page = page_of(replace(tank, checkins=checkins))
    row = row_of(page, "signs", "Diatoms")
    paths = paths_of(row)
    # A tall stroke for each time seen, a dot for each time looked for, nothing where blank.
    assert paths["yes"].count("M") == 2
    assert paths["no"].count("h0") == 2
    assert plain(row).endswith("yes")
    assert (
        row.find("svg")[0]
        .attributes["aria-label"]
        .startswith("Diatoms: seen 2 of 4 times looked for; last seen")
    )
    never = row_of(page, "signs", "Hair algae")
    assert set(paths_of(never)) == {"base"}
    assert plain(never).endswith("?")
    (cells,) = [r for r in table_of(page, "Signs") if r[0] == "Diatoms"]
    assert cells == ["Diatoms", "0, 2", "1", "0"]


def test_an_old_answer_is_no_answer() -> None:
    tank = example_tank()
    old = CheckIn(tank.tank.name, AS_OF - dt.timedelta(days=28), signs={"diatoms": True})
    page = page_of(replace(tank, checkins=(old,)))
    assert plain(row_of(page, "signs", "Diatoms")).endswith("?")
    newer = replace(old, date=AS_OF - dt.timedelta(days=27))
    page = page_of(replace(tank, checkins=(newer,)))
    assert plain(row_of(page, "signs", "Diatoms")).endswith("yes")


def test_week_ranges() -> None:
    assert week_ranges([]) == ""
    assert week_ranges([3]) == "3"
    assert week_ranges([0, 1, 2, 5, 7, 8]) == "0–2, 5, 7–8"


def test_a_reading_is_drawn_as_its_interval() -> None:
    tank = example_tank(like=STARTING)
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
    page = page_of(replace(tank, checkins=checkins))
    row = row_of(page, "readings", "Total ammonia")
    bars = [
        (float(foot), float(top))
        for foot, top in re.findall(r"M[\d.]+ ([\d.]+)L[\d.]+ ([\d.]+)", paths_of(row)["rb"])
    ]
    assert len(bars) == 3
    assert all(foot > top for foot, top in bars)
    assert bars[1][1] == 0  # to the upper edge: nobody knows how high
    assert bars[0][1] > bars[1][0]  # below 0.25 lies under 8
    assert bars[2][0] - bars[2][1] == pytest.approx(0.5)  # too fine to draw, but there
    assert plain(row).endswith("0.13")
    assert table_of(page, "Total ammonia")[1:] == [
        [(start + dt.timedelta(days=14)).isoformat(), "0.13 mg/L NH4", "0.13", "photometer"],
        [(start + dt.timedelta(days=7)).isoformat(), ">8 mg/L NH4", "8 or more", "colour chart"],
        [start.isoformat(), "<0.25 mg/L NH4", "0–0.25", "colour chart"],
    ]


def test_ribbons_are_as_thick_as_the_phase_was_likely() -> None:
    tank = example_tank()
    calendar = Calendar(tank.tank.started, AS_OF)
    figure = history(tank, calendar, "strip", 12.0)
    ribbons = {p.look: p.d for p in figure.paths if re.fullmatch(r"p\d", p.look)}
    assert set(ribbons) == {"p0", "p1", "p2", "p3"}
    area = 0.0
    for look, d in ribbons.items():
        k = int(look[1])
        own = 0.0
        for part in d.rstrip("Z").split("Z"):
            points = np.array([[float(v) for v in p.split()] for p in part[1:].split("L")])
            x, y = points.T
            own += abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
            # It stays in its lane, the last phase on top.
            assert y.min() >= 12 * (3 - k)
            assert y.max() <= 12 * (4 - k)
        assert own == pytest.approx(0.92 * 12 * tank.smoothed[:, k].sum(), rel=0.05, abs=6)
        area += own
    assert area == pytest.approx(0.92 * 12 * calendar.width, rel=0.03)
    assert figure.label.startswith(
        "History of Lagoon-60: cycling from October 2025, then bloom from "
    )


def test_a_crash_is_an_upright_step() -> None:
    tank = example_tank(like=CRASHED)
    (crash,) = [e.date for e in tank.events if e.kind == "crash"]
    calendar = Calendar(tank.tank.started, AS_OF)
    smoothed = np.zeros_like(tank.smoothed)
    week = (crash - tank.tank.started).days // 7
    smoothed[:week, 3] = smoothed[week:, 0] = 1.0
    figure = history(replace(tank, smoothed=smoothed), calendar, "strip", 12.0)
    paths = {p.look: p.d for p in figure.paths}
    at = calendar.x(crash)
    for look in ("p0", "p3"):
        ends = [float(p.split()[0]) for p in re.split("[MLZ]", paths[look]) if p]
        edge = min(ends) if look == "p0" else max(ends)
        assert edge == pytest.approx(at, abs=0.02)
    assert paths["cut"].startswith(f"M{at:.2f}".rstrip("0"))
    assert "a crash on" in figure.label


def test_what_a_long_log_leaves_out_can_be_had() -> None:
    page = page_of(lasting(example_tank(), 1200))
    assert "the last 104 weeks, all in phase.csv" in plain(by_id(page, "researchers"))
    # The axis of the open part begins a year ago; the whole life is folded.
    box = by_id(page, "history").find("svg")
    wide = next(n for n in box if n.attributes["class"] == "big").attributes["viewbox"]
    assert float(wide.split()[2]) == pytest.approx(52.14, abs=0.01)
    (whole,) = by_id(page, "life").find("svg")
    assert float(whole.attributes["viewbox"].split()[2]) > 1190
    young = page_of(lasting(example_tank(), 40))
    assert "life" not in [d.attributes.get("id") for d in young.find("details")]


@pytest.mark.parametrize("days", [3, 20, 90, 200, 420, 1100, 4000])
def test_labels_of_a_calendar_have_room(days: int) -> None:
    calendar = Calendar(AS_OF - dt.timedelta(days=days), AS_OF)
    ticks = calendar.ticks()
    assert len(ticks) <= 4
    places = [t.place for t in ticks]
    assert places == sorted(places)
    assert all(b - a >= 15 for a, b in pairwise(places))
    assert all(0 <= p <= 72 for p in places)
    assert all(re.fullmatch(r"20\d\d|[A-Z][a-z]{2}", t.label) for t in ticks)
