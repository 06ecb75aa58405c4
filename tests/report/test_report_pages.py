from __future__ import annotations

import datetime as dt
import itertools
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import numpy as np
import pytest
from report.example import AS_OF, PHASES, example_assessment, example_tank, problem

from maturity_model.assessment.cautions import Caution
from maturity_model.assessment.types import Assessment, Reach, TankAssessment
from maturity_model.logbook.types import CheckIn, Event, Reading
from maturity_model.report import file_names, text_summary
from maturity_model.report.index_page import index_page
from maturity_model.report.sign_figure import week_ranges
from maturity_model.report.tank_page import SECTIONS, change_line, tank_page
from maturity_model.report.wording import day

VOID = {"meta", "br", "link", "input", "img"}


@dataclass
class Node:
    tag: str
    attributes: dict[str, str]
    parent: Node | None = None
    children: list[Node | str] = field(default_factory=list)

    def walk(self) -> Iterator[Node]:
        yield self
        for child in self.children:
            if isinstance(child, Node):
                yield from child.walk()

    def find(self, tag: str) -> list[Node]:
        return [n for n in self.walk() if n.tag == tag]

    @property
    def text(self) -> str:
        return "".join(c if isinstance(c, str) else c.text for c in self.children)


class Tree(HTMLParser):
    """A parser that fails at a tag that is not closed in its place."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.root = self.here = Node("root", {})
        self.feed(html)
        self.close()
        assert self.here is self.root, f"<{self.here.tag}> is not closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [n for n, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> has an attribute twice"
        node = Node(tag, {n: v or "" for n, v in attrs}, self.here)
        self.here.children.append(node)
        if tag not in VOID:
            self.here = node

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.here.children.append(Node(tag, {n: v or "" for n, v in attrs}, self.here))

    def handle_endtag(self, tag: str) -> None:
        assert tag == self.here.tag, f"</{tag}> where </{self.here.tag}> is due"
        assert self.here.parent is not None
        self.here = self.here.parent

    def handle_data(self, data: str) -> None:
        self.here.children.append(data)


def parse(html: str) -> Node:
    return Tree(html).root


def page_of(tank: TankAssessment, **changes: object) -> Node:
    assessment = replace(example_assessment((tank,)), **changes)  # type: ignore[arg-type]
    return parse(tank_page(tank, assessment, "maturity-model weekly demo"))


def by_id(page: Node, name: str) -> Node:
    (node,) = [n for n in page.walk() if n.attributes.get("id") == name]
    return node


def all_pages(assessment: Assessment) -> list[Node]:
    names = file_names(t.tank.name for t in assessment.tanks)
    pages = [parse(tank_page(t, assessment, "cmd")) for t in assessment.tanks]
    return [*pages, parse(index_page(assessment, names, "cmd"))]


@pytest.fixture(scope="module")
def pages() -> list[Node]:
    return all_pages(example_assessment())


def test_sections_stand_in_the_binding_order(pages: list[Node]) -> None:
    for page in pages[:-1]:
        (main,) = page.find("main")
        assert tuple(s.attributes["id"] for s in main.find("section")) == SECTIONS
    assert SECTIONS == (
        "reach", "now", "change", "history", "signs",
        "readings", "problems", "cautions", "sure", "provenance",
    )  # fmt: skip


def test_headings_do_not_skip_a_level(pages: list[Node]) -> None:
    for page in pages:
        levels = [int(n.tag[1]) for n in page.walk() if re.fullmatch(r"h[1-6]", n.tag)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_ids_are_unique_and_references_resolve(pages: list[Node]) -> None:
    for page in pages:
        ids = [n.attributes["id"] for n in page.walk() if "id" in n.attributes]
        assert len(ids) == len(set(ids))
        for node in page.walk():
            for name in node.attributes.get("aria-labelledby", "").split():
                assert name in ids
            target = node.attributes.get("href", "")
            if target.startswith("#"):
                assert target[1:] in ids


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
            assert table.find("caption")[0].text
            assert {n.attributes["scope"] for n in table.find("th")} == {"col", "row"}
            width = len(table.find("tr")[0].find("th"))
            assert len(table.find("tr")) > 1
            for row in table.find("tr"):
                assert len(row.find("th")) + len(row.find("td")) == width
    # On the page of all tanks the sentence beside a bar says the same; its title says it whole.
    bars = [n for n in pages[-1].find("svg") if n.attributes.get("role") == "img"]
    assert len(bars) == 5
    assert all("Cycling" in bar.find("title")[0].text for bar in bars)


def test_pages_run_and_fetch_nothing(pages: list[Node]) -> None:
    for page in pages:
        for node in page.walk():
            assert node.tag not in {"script", "iframe", "object", "embed", "form", "img", "link"}
            assert not any(name.startswith("on") for name in node.attributes)
            assert "style" not in node.attributes  # the policy would drop it
            assert node.attributes.get("href", "./").startswith(("./", "#"))
        policy = next(
            n.attributes["content"]
            for n in page.find("meta")
            if n.attributes.get("http-equiv") == "Content-Security-Policy"
        )
        assert policy.startswith("default-src 'none'; style-src 'sha256-")
        assert page.find("html")[0].attributes["lang"] == "en"


EVIL = "</title></style><script>alert('x')</script>\"'&<img src=x onerror=alert(1)>\u202e\x07"


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
        rows=tuple(replace(r, file=EVIL) for r in base.rows),
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
        page = parse(source)
        tags = {n.tag for n in page.walk()}
        assert not tags & {"script", "img"}
        assert not any(a.startswith("on") for n in page.walk() for a in n.attributes)
        assert source.count("&lt;script&gt;alert(&#39;x&#39;)") >= least
        assert "\u202e" not in source
        assert "\x07" not in source
        assert "<script" not in source
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


def plain(node: Node) -> str:
    return node.text.replace("\u00a0", " ")


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
    assert len(by_id(page, "problems").find("li")) == 101
    cells = [[c.text for c in r.find("td")] for r in by_id(page, "rows").find("tr")[1:]]
    assert cells == [["6", "5", "1"], ["212", "211", "1"]]


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


def test_what_a_long_log_leaves_out_is_said() -> None:
    page = page_of(example_tank(weeks=1200))
    assert "The last 78 weeks" in by_id(page, "signs").text
    assert "last 78 weeks are drawn" in by_id(page, "readings").text
    assert "all of them are in phase.csv" in by_id(page, "history").text


def test_a_page_is_built_fast() -> None:
    assessment = example_assessment()
    tank_page(assessment.tanks[0], assessment, "cmd")
    times = []
    for _ in range(7):
        start = time.perf_counter()
        tank_page(assessment.tanks[0], assessment, "cmd")
        times.append(time.perf_counter() - start)
    assert min(times) < 0.015


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
