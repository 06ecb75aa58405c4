"""Templates and pictures: what a view lacks is an error, and no text becomes markup."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from jinja2 import UndefinedError
from report.page_tree import EVIL, parse

from maturity_model.report import pages, svg
from maturity_model.report.pages import render
from maturity_model.report.plain_text import MAX_TEXT, clean, cut
from maturity_model.report.views.calendar import Tick
from maturity_model.report.views.withdrawn import WithdrawnView

TEMPLATES = Path(pages.__file__).parent / "templates"


@dataclass(frozen=True)
class Half:
    """A view without most of what a page needs."""

    title: str = "Half"
    foot: str = ""


@pytest.mark.parametrize("name", ["guide.html", "index.html", "tank.html", "withdrawn.html"])
def test_what_a_view_lacks_is_an_error(name: str) -> None:
    with pytest.raises(UndefinedError):
        render(name, Half())


def test_nothing_in_a_template_turns_text_into_markup() -> None:
    sources = {p.name: p.read_text("utf-8") for p in TEMPLATES.glob("*.html")}
    assert len(sources) >= 6
    for name, source in sources.items():
        # The icons are the template's own.
        assert source.count("|safe") == (1 if name == "parts.html" else 0)
        assert "autoescape" not in source
        # The page's policy would drop a style or a script in an attribute.
        assert not re.search(r"\sstyle=|\son\w+=", source)
        assert source.count("<script") == (1 if name == "base.html" else 0)
        assert not re.search(r"https?:", source)


def test_a_page_pins_its_own_sheet_with_the_places_on_its_axis() -> None:
    view = WithdrawnView("because", "cmd")
    plain, dated = (render("withdrawn.html", view, t) for t in ((), (Tick("2026", 12.345),)))
    assert ".t0{left:" not in plain
    assert ".t0{left:12.35%}" in dated or ".t0{left:12.34%}" in dated
    pins = [re.findall(r"'(sha256-[^']+)'", page) for page in (plain, dated)]
    assert len(pins[0]) == len(pins[1]) == 1
    assert pins[0] != pins[1]


def test_text_is_made_fit_to_show() -> None:
    assert clean("76 %\u202e\x07\t!") == "76\u00a0%\ufffd\ufffd !"
    assert clean("x" * 5000) == "x" * (MAX_TEXT - 1) + "…"
    assert cut("abcdef", 6) == "abcdef"
    assert cut("abcdefg", 6) == "abcde…"


def test_a_picture_escapes_its_label_and_rounds_its_numbers() -> None:
    figure = svg.Figure(
        "strip", f'{EVIL} 50 %" x="', 3, 12.5, (svg.Path("p0", svg.box(0, 0, 1 / 3, 2)),)
    )
    source = str(svg.draw(figure))
    (node,) = parse(source).find("svg")
    assert node.attributes["role"] == "img"
    assert node.attributes["aria-label"].startswith("</title></style><script>alert('x')")
    assert set(node.attributes) == {
        "class", "role", "aria-label", "viewbox", "preserveaspectratio",
    }  # fmt: skip
    assert node.attributes["viewbox"] == "0 0 3 12.5"
    (path,) = node.find("path")
    assert path.attributes["d"] == "M0 0L0.33 0L0.33 2L0 2Z"


def test_marks_keep_their_shape_and_a_picture_without_words_is_hidden() -> None:
    marks = (svg.Mark("crash", 12.5, 6), svg.Mark("fed", 100 / 3, 6))
    root = parse(str(svg.draw(svg.Figure("ev", "", 1, 1, marks=marks))))
    outer, *inner = root.find("svg")
    assert outer.attributes["aria-hidden"] == "true"
    assert [n.attributes["x"] for n in inner] == ["12.5%", "33.33%"]
    # Marks are not stretched: only what has a viewBox is.
    assert all("viewbox" not in n.attributes for n in (outer, *inner))
    both = svg.Figure("ev", "Two", 5, 1, (svg.Path("base", svg.line((0, 0), (5, 1))),), marks)
    _, stretched, *rest = parse(str(svg.draw(both))).find("svg")
    assert stretched.attributes["viewbox"] == "0 0 5 1"
    assert len(rest) == 2
