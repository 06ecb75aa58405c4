"""Reading the catalogue's tables, and a club's own signs."""

from __future__ import annotations

import csv
import functools
import re
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, TypeVar

from maturity_model.catalogue.types import (
    NEEDS,
    Analyte,
    Catalogue,
    Chart,
    Covariate,
    DecisionRule,
    EventKind,
    Marked,
    Phase,
    Quantity,
    Range,
    Sign,
    Source,
)

T = TypeVar("T")
DATA = Path(__file__).parent / "data"
_MARKED = re.compile(r"^\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(?:\[(\w+)\])?\s*$")
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
#: Most own signs that a club may have.
MAX_OWN_SIGNS = 40
#: Longest text of an own sign.
MAX_OWN_TEXT = 500
#: Columns of the check-ins that are no sign or reading; no sign can be called by these names.
CHECKIN_COLUMNS = ("tank", "date", "observer", "look", "judged_phase", "note")
_OWN_TEXTS = ("sign", "label", "group", "taxon", "aphia_id", "where", "how", "needs")
#: Bounds of an own sign's numbers, beside the chances by phase.
_OWN_NUMBERS = {
    "minutes": (0.1, 240.0),
    "small": (0.0, 1.0),
    "persistence": (0.0, 6.0),
    "certainty": (0.01, 5.0),
}


class CatalogueError(ValueError):
    """A catalogue file cannot be used; the message names file, line and column."""

    def __init__(self, file: str, line: int, column: str, value: str, what: str, mend: str):
        self.file, self.line, self.column = file, line, column
        self.value, self.what, self.mend = value, what, mend
        super().__init__(f"{file}, line {line}, column {column}: {value!r} {what}; {mend}")


class Row:
    """One row of a table, with its place for messages."""

    def __init__(self, file: str, line: int, cells: dict[str, str], mark: str | None = None):
        self.file, self.line, self.cells, self.mark = file, line, cells, mark

    def fail(self, column: str, what: str, mend: str) -> CatalogueError:
        """Return the error of a cell, to be raised."""
        return CatalogueError(self.file, self.line, column, self.cells.get(column, ""), what, mend)

    def text(self, column: str) -> str:
        """Return a cell, stripped; blank for a missing column."""
        return self.cells.get(column, "").strip()

    def number(self, column: str) -> float:
        """Return a number, with or without a mark."""
        return self.marked(column, need_mark=False).value

    def optional(self, column: str) -> float | None:
        """Return a number, None for a blank."""
        return self.number(column) if self.text(column) else None

    def marked(self, column: str, *, need_mark: bool = True) -> Marked:
        """Return a number and the mark of its source, by default that of the row."""
        match = _MARKED.match(self.cells.get(column, ""))
        if not match:
            raise self.fail(column, "is not a number", "write for example 0.35")
        mark = match[2] or self.mark
        if need_mark and not mark:
            raise self.fail(column, "has no source mark", "write for example 0.35 [P]")
        return Marked(float(match[1]), mark or "")

    def entry(self, kind: type[T], **given: Any) -> T:
        """Make an entry of the catalogue.

        The field ``name`` is the first column. Every other that is not given is the column of
        the same name, read as the field's type says.
        """
        readers = {
            "str": self.text, "float": self.number, "float | None": self.optional,
            "Marked": self.marked,
        }  # fmt: skip
        for field in fields(kind):  # type: ignore[arg-type]
            if field.name not in given:
                column = next(iter(self.cells)) if field.name == "name" else field.name
                given[field.name] = readers[str(field.type)](column)
        return kind(**given)


def rows_of(path: Path) -> Iterator[Row]:
    """Rows of a table of the catalogue, none with more cells than there are columns."""
    with path.open(encoding="utf-8-sig", newline="") as handle:
        reader = csv.DictReader(handle, restval="")
        for cells in reader:
            beyond = cells.pop(None, None)
            if beyond:
                column = f"number {len(cells) + 1}"
                what, mend = "has no column name", "write a text with a comma in quotation marks"
                raise CatalogueError(path.name, reader.line_num, column, beyond[0], what, mend)
            yield Row(path.name, reader.line_num, cells)


def table_of(path: Path, kind: type[T]) -> dict[str, T]:
    """Entries of a table of which every field is a column, by the first column."""
    return {next(iter(row.cells.values())).strip(): row.entry(kind) for row in rows_of(path)}


def _per_phase(row: Row, phases: tuple[str, ...], prefix: str = "") -> tuple[Marked, ...]:
    return tuple(row.marked(prefix + name) for name in phases)


def _sign(row: Row, phases: tuple[str, ...], *, own: bool) -> Sign:
    detection = _per_phase(row, phases)
    for phase, p in zip(phases, detection, strict=True):
        if not 0.001 <= p.value <= 0.999:
            raise row.fail(
                phase,
                "is not a chance between 0.001 and 0.999",
                "nothing is certain: write for example 0.02 instead of 0",
            )
    return row.entry(
        Sign,
        name=row.text("sign"),
        label=row.text("label") or row.text("sign").replace("_", " ").capitalize(),
        group=row.text("group") or "own",
        minutes=row.optional("minutes") or 2.0,
        small=row.number("small") if row.text("small") else 0.5,
        persistence=row.marked("persistence") if row.text("persistence") else Marked(1.6, "E"),
        certainty=row.marked("certainty") if row.text("certainty") else Marked(0.8, "E"),
        detection=detection,
        own=own,
    )


def _charts(folder: Path) -> dict[str, dict[str, Chart]]:
    out: dict[str, dict[str, Chart]] = {}
    for row in rows_of(folder / "charts.csv"):
        steps = tuple(float(s) for s in row.text("steps").split(";") if s.strip())
        chart = row.entry(Chart, steps=steps, resolution=row.optional("resolution") or 0.0)
        out.setdefault(row.text("analyte"), {})[chart.method] = chart
    return out


def _analyte(row: Row, phases: tuple[str, ...], charts: dict[str, Chart]) -> Analyte:
    informative = row.text("informative") == "yes"
    return row.entry(
        Analyte,
        informative=informative,
        offset=row.number("offset") if informative else 0.0,
        typical=_per_phase(row, phases) if informative else (),
        spread=_per_phase(row, phases, "spread_") if informative else (),
        carry=row.marked("carry") if informative else None,
        certainty=row.marked("certainty") if informative else None,
        range=load_ranges()[row.text("analyte")],
        charts=charts,
    )


@functools.cache
def load_catalogue() -> Catalogue:
    """Read the catalogue that ships with the package."""
    return read_catalogue(DATA)


def read_catalogue(folder: Path) -> Catalogue:
    """Read the tables of a folder, of the names and columns of those that ship with the package.

    Raises
    ------
    CatalogueError
        When a table holds what it may not.
    """
    phases = table_of(folder / "phases.csv", Phase)
    names, charts = tuple(phases), _charts(folder)
    stages = ("cycling_1", "cycling_2", "cycling_3", "bloom_1", "bloom_2")
    return Catalogue(
        phases=phases,
        signs={r.text("sign"): _sign(r, names, own=False) for r in rows_of(folder / "signs.csv")},
        analytes={
            r.text("analyte"): _analyte(r, names, charts.get(r.text("analyte"), {}))
            for r in rows_of(folder / "analytes.csv")
        },
        events=table_of(folder / "events.csv", EventKind),
        husbandry={
            r.text("covariate"): r.entry(Covariate, effect=_per_phase(r, names))
            for r in rows_of(folder / "husbandry.csv")
        },
        observing={
            (r.text("quantity"), r.text("item")): r.entry(Quantity)
            for r in rows_of(folder / "observing.csv")
        },
        starts={
            r.text("rock"): tuple(map(r.marked, stages)) for r in rows_of(folder / "rocks.csv")
        },
        sources=table_of(folder / "sources.csv", Source),
    )


@functools.cache
def load_decisions() -> dict[str, DecisionRule]:
    """Read the decision rules that ship with the package, by name and in their order."""
    return table_of(DATA / "decisions.csv", DecisionRule)


@functools.cache
def load_permissions() -> dict[str, float]:
    """Read the limits of the evidence that a permission needs.

    By name, in the unit of the column ``unit`` of ``permissions.csv``; each carries a source
    mark there.
    """
    return _limits("permissions.csv")


@functools.cache
def load_course() -> dict[str, float]:
    """Read the probabilities from which a page says which way a tank goes.

    By name, as in ``course.csv``; each carries a source mark there.
    """
    return _limits("course.csv")


def _limits(file: str) -> dict[str, float]:
    return {r.text("name"): r.marked("value").value for r in rows_of(DATA / file)}


@functools.cache
def load_ranges() -> dict[str, Range]:
    """Read what is usual and what is possible.

    By analyte, and by column of the tanks table, in the unit that ``ranges.csv`` names.
    """
    bounds = ("low", "usual_low", "usual_high", "high")
    return {
        r.text("quantity"): Range(*(r.marked(b).value for b in bounds))
        for r in rows_of(DATA / "ranges.csv")
    }


def sign_columns(catalogue: Catalogue) -> tuple[str, ...]:
    """Columns that a file of own signs may have."""
    return (*_OWN_TEXTS, *_OWN_NUMBERS, *catalogue.phases)


def add_sign(catalogue: Catalogue, file: str, line: int, cells: dict[str, str]) -> Catalogue:
    """Add one of a club's own signs.

    Parameters
    ----------
    file : str
        As messages name it.
    cells : dict of str to str
        By column, see :func:`sign_columns`. ``sign`` and one for each phase are required: the
        chance of seeing it there at a careful look. Unmarked numbers are marked ``club``.

    Raises
    ------
    CatalogueError
        When the sign cannot be used.
    """
    row = Row(file, line, cells, mark="club")
    taken = {*catalogue.signs, *catalogue.analytes, *CHECKIN_COLUMNS}
    sign = _own_sign(row, tuple(catalogue.phases), taken, catalogue.sources)
    if sum(s.own for s in catalogue.signs.values()) >= MAX_OWN_SIGNS:
        raise row.fail("sign", f"is beyond {MAX_OWN_SIGNS} own signs", "remove some")
    return replace(catalogue, signs=catalogue.signs | {sign.name: sign})


def _own_sign(
    row: Row, phases: tuple[str, ...], taken: set[str], sources: dict[str, Source]
) -> Sign:
    name = row.text("sign")
    if not _NAME.fullmatch(name):
        raise row.fail(
            "sign",
            "is not a usable name",
            "use lower-case letters, digits and underscores, a letter first, at most 40",
        )
    if name in taken:
        raise row.fail("sign", "is in the catalogue already", "choose another name")
    for column in _OWN_TEXTS:
        if len(row.text(column)) > MAX_OWN_TEXT:
            raise row.fail(column, f"is longer than {MAX_OWN_TEXT} characters", "shorten it")
    if row.text("needs") not in ("", *NEEDS):
        raise row.fail("needs", "cannot be needed", f"write {', '.join(NEEDS)} or leave it blank")
    if row.text("aphia_id") and not re.fullmatch(r"[0-9]{1,9}", row.text("aphia_id")):
        raise row.fail("aphia_id", "is not an AphiaID", "write its digits only, or leave it out")
    for column, (low, high) in _OWN_NUMBERS.items():
        if row.text(column) and not low <= row.number(column) <= high:
            raise row.fail(column, f"is not between {low:g} and {high:g}", "correct it")
    sign = _sign(row, phases, own=True)
    for column in (*phases, *_OWN_NUMBERS):
        mark = row.marked(column).source if row.text(column) else "club"
        if mark not in sources:
            raise row.fail(column, f"carries the unknown mark [{mark}]", "leave the mark out")
    return sign
