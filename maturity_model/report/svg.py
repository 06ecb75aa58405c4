"""The one writer of pictures: shapes as data in, SVG out.

Paths are stretched over the whole picture, strokes keep their width, and marks keep their shape:
so a picture fits any screen. Colours and widths are the style sheet's. No picture holds text.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from maturity_model.report.plain_text import clean

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Path:
    """A line or an area, in the picture's own units; ``look`` is its class."""

    look: str
    d: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A small shape about a point: ``x`` in percent of the width, ``y`` in pixels."""

    look: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture without text, ``width`` by ``height`` units of its paths.

    ``look`` is its class, which gives it its size; ``label`` says what it shows in a sentence, and
    is empty where that only repeats the text beside it.
    """

    look: str
    label: str
    width: float
    height: float
    paths: tuple[Path, ...] = ()
    marks: tuple[Mark, ...] = ()


#: Shape of each mark, about the origin.
_SHAPES = {
    "fed": "M0-4L4 3H-4Z",
    "sand": "M0 4L4-3H-4Z",
    "crash": "M-4.5-4.5L4.5 4.5M-4.5 4.5L4.5-4.5",
    "add": "M3.4 0A3.4 3.4 0 1 1-3.4 0A3.4 3.4 0 1 1 3.4 0Z",
    "dot": "M4 0A4 4 0 1 1-4 0A4 4 0 1 1 4 0Z",
}


def number(value: float) -> str:
    """A coordinate, short."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def line(*points: Point) -> str:
    """Path data of a line through points."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)


def area(points: Iterable[Point]) -> str:
    """Path data of a closed area."""
    return line(*points) + "Z"


def box(x: float, y: float, width: float, height: float) -> str:
    """Path data of a rectangle."""
    return area([(x, y), (x + width, y), (x + width, y + height), (x, y + height)])


def draw(figure: Figure) -> Markup:
    """Write a picture."""
    said = Markup('role="img" aria-label="{}"').format(clean(figure.label))
    opening = Markup('<svg class="{}" {}').format(
        figure.look, said if figure.label else Markup('aria-hidden="true"')
    )
    stretched = Markup('viewBox="0 0 {} {}" preserveAspectRatio="none"').format(
        number(figure.width), number(figure.height)
    )
    paths = Markup("").join(
        Markup('<path class="{}" d="{}"/>').format(p.look, p.d) for p in figure.paths
    )
    if not figure.marks:
        return Markup("{} {}>{}</svg>").format(opening, stretched, paths)
    if paths:
        paths = Markup('<svg width="100%" height="100%" {}>{}</svg>').format(stretched, paths)
    marks = Markup("").join(
        Markup('<svg x="{}%" y="{}"><path class="{}" d="{}"/></svg>').format(
            number(m.x), number(m.y), m.look, _SHAPES[m.look]
        )
        for m in figure.marks
    )
    return Markup("{}>{}{}</svg>").format(opening, paths, marks)
