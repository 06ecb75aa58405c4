"""A page as a tree, by a parser that fails at a tag out of place."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from typing import Any

from report.example import example_assessment

from maturity_model.assessment.types import Assessment, TankAssessment
from maturity_model.report import file_names
from maturity_model.report.machine import tank_record, to_json
from maturity_model.report.pages import index_page, tank_page
from maturity_model.report.wording import phase_labels

#: Markup and control characters, for wherever a log's text may stand.
EVIL = "</title></style><script>alert('x')</script>\"'&<img src=x onerror=alert(1)>\u202e\x07"
#: Ids of what is open on a tank's page, and of what is folded, in their order: always, and
#: before that what questions add, and what-ifs alone.
OPEN = ("now", "signs", "readings")
ALWAYS = ("problems", "cautions", "researchers")
ASKED = ("why", "if", "mature", "did", "look")
PLANS_ONLY = ("if", "mature")
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


def plain(node: Node) -> str:
    return node.text.replace("\u00a0", " ")


def record_of(tank: TankAssessment) -> dict[str, Any]:
    """The JSON record of a tank, as a program reads it."""
    assessment = example_assessment((tank,))
    record = tank_record(tank, assessment, "cmd", phase_labels(assessment))
    return dict(json.loads(to_json(record)))


def folds(page: Node) -> tuple[str, ...]:
    """Ids of the folded parts, in their order."""
    return tuple(d.attributes["id"] for d in page.find("details") if "id" in d.attributes)


def table_of(page: Node, caption: str) -> list[list[str]]:
    """Cells of the table whose caption begins so, row by row, its head first."""
    (table,) = [t for t in page.find("table") if plain(t.find("caption")[0]).startswith(caption)]
    return [[plain(c) for c in row.children if isinstance(c, Node)] for row in table.find("tr")]


def check_page(page: Node) -> None:
    """Headings skip no level, ids are unique, references resolve, tables are whole."""
    levels = [int(n.tag[1]) for n in page.walk() if re.fullmatch(r"h[1-6]", n.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    ids = [n.attributes["id"] for n in page.walk() if "id" in n.attributes]
    assert len(ids) == len(set(ids))
    for node in page.walk():
        assert set(node.attributes.get("aria-labelledby", "").split()) <= set(ids)
        target = node.attributes.get("href", "")
        assert not target.startswith("#") or target[1:] in ids
        assert "style" not in node.attributes  # the policy would drop it
    for table in page.find("table"):
        assert table.find("caption")[0].text
        rows = table.find("tr")
        width = {len(row.find("th")) + len(row.find("td")) for row in rows}
        assert width == {len(rows[0].find("th"))}
