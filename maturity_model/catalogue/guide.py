"""The field guide's texts: how a sign, phase or event looks, and what it is mistaken for.

One file an entry, ``data/guide/NAME.toml``. Every text ends in its source marks, as in
``"A copepod hops, dust drifts. [P]"``; the marks are explained in ``data/sources.csv``.
"""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from maturity_model.catalogue.load import DATA, CatalogueError, load_catalogue

_MARKED = re.compile(r"(.*\S)\s+\[(\w+(?:, ?\w+)*)\]")
#: Texts of an entry of each kind. Where and how to look for a sign stands in ``signs.csv``.
_TEXTS = ("seen", "when", "gone", "do_not")
_MORE = ("where", "how")


class MarkedText(NamedTuple):
    """A text with the marks of its sources, keys of :attr:`Catalogue.sources`."""

    text: str
    sources: tuple[str, ...]


class Lookalike(NamedTuple):
    """Something that is taken for it, and the test that tells the two apart."""

    what: str
    test: MarkedText


@dataclass(frozen=True, slots=True)
class GuideEntry:
    """One entry of the field guide.

    Attributes
    ----------
    name : str
        Of a sign, a phase or an event.
    bar : str
        Length of the drawing's scale bar; empty for a pictogram.
    seen, when, gone, do_not : MarkedText
        How it looks; when to look; what it means when it vanishes or, for an event, what comes
        after; what not to do.
    where, how : MarkedText
        Where and how to look; for a sign those of the catalogue. Of an event, how to log it.
    caution : MarkedText or None
        What may hurt.
    mistaken_for : tuple of Lookalike
    """

    name: str
    bar: str
    seen: MarkedText
    where: MarkedText
    how: MarkedText
    when: MarkedText
    gone: MarkedText
    do_not: MarkedText
    caution: MarkedText | None
    mistaken_for: tuple[Lookalike, ...]


@functools.cache
def load_guide() -> dict[str, GuideEntry]:
    """Read the guide's entries: those of the signs, then of the phases, then of the events."""
    catalogue = load_catalogue()
    names = (*catalogue.signs, *catalogue.phases, *catalogue.events)
    return {name: read_entry(DATA / "guide" / f"{name}.toml") for name in names}


def read_entry(path: Path) -> GuideEntry:
    """Read one entry.

    Raises
    ------
    CatalogueError
        When a text is missing, unknown or without a known mark.
    """
    return _Reader(path).entry()


class _Reader:
    """One file, with messages that name the line."""

    def __init__(self, path: Path):
        self.file = path.name
        self.raw = path.read_text("utf-8")
        self.catalogue = load_catalogue()

    def fail(self, key: str, value: str, what: str, mend: str) -> CatalogueError:
        line = self.raw.count("\n", 0, max(self.raw.find(value), 0)) + 1
        return CatalogueError(self.file, line, key, value, what, mend)

    def marked(self, cells: dict[str, Any], key: str) -> MarkedText:
        value = str(cells.pop(key, ""))
        match = _MARKED.fullmatch(value)
        if not match:
            raise self.fail(key, value, "is no text with a source mark", 'write "It hops. [P]"')
        sources = tuple(mark.strip() for mark in match[2].split(","))
        if unknown := set(sources) - set(self.catalogue.sources):
            raise self.fail(key, value, "carries an unknown mark", f"see {sorted(unknown)}")
        return MarkedText(match[1], sources)

    def entry(self) -> GuideEntry:
        try:
            cells = tomllib.loads(self.raw)
        except tomllib.TOMLDecodeError as error:
            raise self.fail("", "", f"is not TOML: {error}", "mend the file") from None
        name = self.file.removesuffix(".toml")
        sign = self.catalogue.signs.get(name)
        texts = {key: self.marked(cells, key) for key in _TEXTS}
        if sign is None:
            texts |= {key: self.marked(cells, key) for key in _MORE}
        else:
            texts |= {key: MarkedText(f"{getattr(sign, key)}.", ("P",)) for key in _MORE}
        caution = self.marked(cells, "caution") if "caution" in cells else None
        others = [
            Lookalike(str(other.pop("what", "")), self.marked(other, "test"))
            for other in cells.pop("mistaken_for", [])
        ]
        bar = str(cells.pop("bar", ""))
        if cells:
            raise self.fail(next(iter(cells)), next(iter(cells)), "is not known", "remove it")
        return GuideEntry(name, bar, caution=caution, mistaken_for=tuple(others), **texts)
