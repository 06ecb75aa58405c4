"""The field guide: safe drawings, whole entries, charts that say what the population says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from report.page_tree import Node, by_id, check_page, parse, plain

from maturity_model.assessment.expected import seen_by_phase, slip_by_phase
from maturity_model.catalogue import load_catalogue
from maturity_model.catalogue.guide import load_guide
from maturity_model.cli import main
from maturity_model.population import load_population
from maturity_model.population.types import Population
from maturity_model.report.guide import DRAWINGS, drawing, drawing_style
from maturity_model.report.guide_page import guide_page
from maturity_model.report.views.guide import guide_entry
from maturity_model.report.wording import percent

NAMES = tuple(load_guide())
SVG = "{http://www.w3.org/2000/svg}"
#: Everything that a drawing may hold; none of it can fetch, run or link.
TAGS = {"svg", "title", "desc", "g", "path"}
ATTRIBUTES = {
    "class", "d", "transform", "opacity", "viewBox", "fill", "fill-rule", "fill-opacity",
    "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin", "stroke-dasharray",
}  # fmt: skip
PAINT = re.compile(r"none|currentColor|var\(--d-([a-z]+),#[0-9a-f]{6}\)")


def sketch(name: str) -> ElementTree.Element:
    return ElementTree.fromstring((DRAWINGS / f"{name}.svg").read_text("utf-8"))


def test_there_is_a_drawing_of_everything_and_of_nothing_else() -> None:
    assert {p.name for p in DRAWINGS.iterdir()} == {f"{name}.svg" for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_a_drawing_is_safe_and_in_one_style(name: str) -> None:
    root = sketch(name)
    assert root.get("viewBox") == "0 0 240 160"
    assert root.get("stroke") == "currentColor"
    light, dark = drawing_style().split("@media screen", 1)
    for node in root.iter():
        assert node.tag.removeprefix(SVG) in TAGS
        assert set(node.attrib) <= ATTRIBUTES
        assert re.fullmatch(r"[-0-9.,a-zA-Z# ()]*", "".join(node.attrib.values()))
        for key in ("fill", "stroke"):
            paint = PAINT.fullmatch(node.get(key, "none"))
            assert paint, node.get(key)
            if paint[1]:
                assert f"--d-{paint[1]}:" in light
                assert f"--d-{paint[1]}:" in dark
    assert (DRAWINGS / f"{name}.svg").stat().st_size < 25_000


@pytest.mark.parametrize("name", NAMES)
def test_a_drawing_is_described_and_has_its_scale(name: str) -> None:
    root = sketch(name)
    title, words = root.findtext(f"{SVG}title", ""), root.findtext(f"{SVG}desc", "")
    assert title
    assert len(words) > 60
    assert words.endswith(".")
    bars = [node for node in root if node.get("class") == "bar"]
    assert len(bars) == bool(load_guide()[name].bar)


def test_a_drawing_is_taken_by_the_name_of_an_entry_alone() -> None:
    for name in ("../drawings/copepods", "mystery", ""):
        with pytest.raises(KeyError):
            drawing(name)
    large, small = (parse(str(drawing("copepods", small=s))) for s in (False, True))
    assert large.find("svg")[0].attributes["role"] == "img"
    assert large.find("title")[0].text == "Copepod"
    # Beside its name in words, the drawing says nothing.
    assert small.find("svg")[0].attributes["aria-hidden"] == "true"
    assert not small.find("title")
    assert not small.find("desc")


@pytest.fixture(scope="module")
def population() -> Population:
    return load_population()


@pytest.fixture(scope="module")
def page(population: Population) -> Node:
    source = guide_page(population, "maturity-model guide <b>")
    assert "http:" not in source
    assert "https:" not in source
    assert "<script" not in source
    return parse(source)


def test_every_entry_is_on_the_page(page: Node) -> None:
    check_page(page)
    assert [n.attributes["id"] for n in page.find("article")] == list(NAMES)
    links = [n.attributes["href"] for n in page.find("nav")[0].find("a")]
    assert links == [f"#{name}" for name in NAMES]
    # A large and a small drawing of each.
    assert len([s for s in page.find("svg") if "drawing" in s.attributes["class"]]) == 2 * len(
        NAMES
    )
    assert "maturity-model guide <b>" in plain(by_id(page, "provenance"))


def test_an_entry_tells_where_to_look_and_what_it_is_not(page: Node) -> None:
    said = plain(by_id(page, "copepods"))
    sign = load_catalogue().signs["copepods"]
    for words in (sign.where, sign.how, "Bar: 0.5 mm", "Dust", "A copepod hops, dust drifts."):
        assert words in said
    assert "Bergmans 1981" in said
    assert "Adey and Vassar 1975" in plain(by_id(page, "sources"))


def levels(page: Node, name: str) -> list[str]:
    (chart,) = [n for n in by_id(page, name).walk() if n.attributes.get("class") == "ifs"]
    return [plain(n.find("b")[0]) for n in chart.find("li")]


def test_charts_say_what_the_population_says(page: Node, population: Population) -> None:
    seen = seen_by_phase(population)[1]
    for g, name in enumerate(population.signs):
        assert levels(page, name) == [percent(p) for p in seen[g].tolist()]
    for name in ("crash", "deep_clean"):
        risk = slip_by_phase(population, name, 8)[1]
        assert levels(page, name) == [percent(p) for p in risk[1:].tolist()]
    assert "upsets nothing" in plain(by_id(page, "water_change"))
    for name in population.phases:
        (weeks,) = [n for n in by_id(page, name).find("svg") if n.attributes["class"] == "weeks"]
        assert "in week 52" in weeks.attributes["aria-label"]


def test_another_population_has_other_charts(population: Population, page: Node) -> None:
    shifted = replace(population, sign_logit=np.zeros_like(population.sign_logit), kind="fitted")
    other = parse(guide_page(shifted, "cmd"))
    assert levels(other, "copepods") == ["50 %"] * 4
    assert levels(page, "copepods") != ["50 %"] * 4
    assert "a pool of logs" in plain(other.find("footer")[0])
    assert "Do not lean on it" in plain(other.find("footer")[0])


def test_one_entry_is_there_for_other_pages() -> None:
    entry = guide_entry("spirorbid_worms")
    assert (entry.kind, entry.label, entry.chart) == ("sign", "Spiral tube worms", None)
    catalogue = load_catalogue()
    assert guide_entry("bloom").meaning == catalogue.phases["bloom"].meaning
    assert guide_entry("crash").meaning == f"{catalogue.events['crash'].description}."
    assert entry.meaning == ""
    with pytest.raises(KeyError):
        guide_entry("a_sign_of_the_club")


def test_the_command_writes_one_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "new" / "guide.html"
    assert main(["guide", "--out", str(out)]) == 0
    assert capsys.readouterr().out.strip() == str(out)
    assert "Field guide" in out.read_text("utf-8")
    assert [p.name for p in out.parent.iterdir()] == ["guide.html"]


def test_the_command_says_why_it_cannot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = tmp_path / "wrong.nc"
    wrong.write_bytes(b"no population")
    out = tmp_path / "guide.html"
    assert main(["guide", "--out", str(out), "--population", str(wrong)]) == 4
    assert main(["guide", "--out", str(wrong / "guide.html")]) == 2
    assert not out.exists()
    assert len(capsys.readouterr().err.splitlines()) == 2
