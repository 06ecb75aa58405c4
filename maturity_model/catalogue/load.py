"""Reading the catalogue's tables, and a club's own signs."""

from __future__ import annotations

import csv
import functools
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from maturity_model.catalogue.types import (
    Analyte,
    Catalogue,
    Chart,
    Covariate,
    DecisionRule,
    EventKind,
    Loss,
    Marked,
    Phase,
    Quantity,
    Sign,
    Source,
)

_DATA = Path(__file__).parent / "data"
_MARKED = re.compile(r"^\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(?:\[(\w+)\])?\s*$")
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
#: A club's file may hold this many signs of its own.
MAX_OWN_SIGNS = 40
#: Longest text of an own sign.
MAX_OWN_TEXT = 500
#: Columns of the check-ins that no sign can be called by.
RESERVED = ("tank", "date", "observer", "look", "judged_phase", "note")
_OWN_TEXTS = ("sign", "label", "group", "taxon", "aphia_id", "where", "how")
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


class _Row:
    """One row of a table, with its place for messages."""

    def __init__(self, file: str, line: int, cells: dict[str, str], mark: str | None = None):
        self.file, self.line, self.cells, self.mark = file, line, cells, mark

    def fail(self, column: str, what: str, mend: str) -> CatalogueError:
        return CatalogueError(self.file, self.line, column, self.cells.get(column, ""), what, mend)

    def text(self, column: str) -> str:
        return self.cells.get(column, "").strip()

    def number(self, column: str) -> float:
        return self.marked(column, need_mark=False).value

    def optional(self, column: str) -> float | None:
        return self.number(column) if self.text(column) else None

    def marked(self, column: str, *, need_mark: bool = True) -> Marked:
        found = _MARKED.match(self.cells.get(column, ""))
        if not found:
            raise self.fail(column, "is not a number", "write for example 0.35")
        mark = found[2] or self.mark
        if need_mark and not mark:
            raise self.fail(column, "has no source mark", "write for example 0.35 [P]")
        return Marked(float(found[1]), mark or "")


def _rows(path: Path, mark: str | None = None) -> Iterator[_Row]:
    with path.open(encoding="utf-8-sig", newline="") as handle:
        reader = csv.DictReader(handle)
        for cells in reader:
            yield _Row(
                path.name, reader.line_num, {k: v or "" for k, v in cells.items() if k}, mark
            )


def _per_phase(row: _Row, phases: tuple[str, ...], prefix: str = "") -> tuple[Marked, ...]:
    return tuple(row.marked(prefix + name) for name in phases)


def _sign(row: _Row, phases: tuple[str, ...], *, own: bool) -> Sign:
    detection = _per_phase(row, phases)
    for phase, p in zip(phases, detection, strict=True):
        if not 0.001 <= p.value <= 0.999:
            raise row.fail(
                phase,
                "is not a chance between 0.001 and 0.999",
                "nothing is certain: write for example 0.02 instead of 0",
            )
    return Sign(
        name=row.text("sign"),
        label=row.text("label") or row.text("sign").replace("_", " ").capitalize(),
        group=row.text("group") or "own",
        taxon=row.text("taxon"),
        aphia_id=row.text("aphia_id"),
        where=row.text("where"),
        how=row.text("how"),
        minutes=row.optional("minutes") or 2.0,
        small=row.number("small") if row.text("small") else 0.5,
        persistence=row.marked("persistence") if row.text("persistence") else Marked(1.6, "E"),
        certainty=row.marked("certainty") if row.text("certainty") else Marked(0.8, "E"),
        detection=detection,
        own=own,
    )


def _charts(folder: Path) -> dict[str, dict[str, Chart]]:
    out: dict[str, dict[str, Chart]] = {}
    for row in _rows(folder / "charts.csv"):
        steps = tuple(float(s) for s in row.text("steps").split(";") if s.strip())
        resolution = row.optional("resolution") or 0.0
        chart = Chart(
            row.text("method"), steps, resolution, row.marked("minutes"), row.text("source")
        )
        out.setdefault(row.text("analyte"), {})[chart.method] = chart
    return out


def _analyte(row: _Row, phases: tuple[str, ...], charts: dict[str, Chart]) -> Analyte:
    informative = row.text("informative") == "yes"
    return Analyte(
        name=row.text("analyte"),
        label=row.text("label"),
        quantity=row.text("quantity"),
        unit=row.text("unit"),
        display_unit=row.text("display_unit"),
        informative=informative,
        offset=row.number("offset") if informative else 0.0,
        low=row.number("low"),
        high=row.number("high"),
        typical=_per_phase(row, phases) if informative else (),
        spread=_per_phase(row, phases, "spread_") if informative else (),
        carry=row.marked("carry") if informative else None,
        certainty=row.marked("certainty") if informative else None,
        charts=charts,
    )


@functools.cache
def load_catalogue() -> Catalogue:
    """Read the catalogue that ships with the package.

    Returns
    -------
    Catalogue
    """
    return read_catalogue(_DATA)


def read_catalogue(folder: Path) -> Catalogue:
    """Read a catalogue's tables.

    Parameters
    ----------
    folder : Path
        Holds files of the names and columns of those that ship with the package.

    Returns
    -------
    Catalogue

    Raises
    ------
    CatalogueError
        When a table holds what it may not.
    """
    phases = {
        r.text("phase"): Phase(
            r.text("phase"),
            r.text("label"),
            r.text("meaning"),
            *(
                r.marked(c)
                for c in ("stage_weeks", "certainty", "setback_per_year", "collapse_per_year")
            ),
        )
        for r in _rows(folder / "phases.csv")
    }
    names = tuple(phases)
    charts = _charts(folder)
    return Catalogue(
        phases=phases,
        signs={r.text("sign"): _sign(r, names, own=False) for r in _rows(folder / "signs.csv")},
        analytes={
            r.text("analyte"): _analyte(r, names, charts.get(r.text("analyte"), {}))
            for r in _rows(folder / "analytes.csv")
        },
        events={
            r.text("event"): EventKind(
                r.text("event"),
                r.text("label"),
                r.text("amount_means"),
                r.text("unit"),
                r.optional("default_amount"),
                r.optional("neutral_amount"),
                r.optional("reference_amount"),
                r.optional("max_amount"),
                *map(r.marked, ("memory_weeks", "advance", "setback", "collapse", "certainty")),
            )
            for r in _rows(folder / "events.csv")
        },
        husbandry={
            r.text("covariate"): Covariate(
                r.text("covariate"),
                r.text("label"),
                r.text("meaning"),
                _per_phase(r, names),
                r.marked("certainty"),
            )
            for r in _rows(folder / "husbandry.csv")
        },
        observing={
            (r.text("quantity"), r.text("item")): Quantity(
                r.marked("value"), r.marked("spread"), r.text("meaning")
            )
            for r in _rows(folder / "observing.csv")
        },
        starts={
            r.text("rock"): tuple(
                r.marked(c) for c in ("cycling_1", "cycling_2", "cycling_3", "bloom_1", "bloom_2")
            )
            for r in _rows(folder / "rocks.csv")
        },
        sources={
            r.text("mark"): Source(r.text("mark"), r.text("citation"), r.text("standing"))
            for r in _rows(folder / "sources.csv")
        },
    )


@functools.cache
def load_decisions() -> dict[str, DecisionRule]:
    """Read the decision rules that ship with the package, in their order.

    Returns
    -------
    dict of str to DecisionRule
    """
    return {
        r.text("decision"): DecisionRule(
            name=r.text("decision"),
            label=r.text("label"),
            quantity=r.text("quantity"),
            item=r.text("item"),
            applies=r.text("applies"),
            unless=r.text("unless"),
            urgent=r.text("urgent"),
            ammonia=r.text("ammonia"),
            loss=Loss(r.marked("needless"), r.marked("missed")),
            reason=r.text("reason"),
            caution=r.text("caution"),
        )
        for r in _rows(_DATA / "decisions.csv")
    }


def sign_columns(catalogue: Catalogue) -> tuple[str, ...]:
    """Columns that a file of own signs may have."""
    return (*_OWN_TEXTS, *_OWN_NUMBERS, *catalogue.phases)


def add_sign(catalogue: Catalogue, file: str, line: int, cells: dict[str, str]) -> Catalogue:
    """Add one of a club's own signs.

    Parameters
    ----------
    catalogue : Catalogue
    file : str
        As messages name it.
    line : int
    cells : dict of str to str
        By column, see :func:`sign_columns`. ``sign`` and one for each phase are required: the
        chance of seeing it there at a careful look. Unmarked numbers are marked ``club``.

    Returns
    -------
    Catalogue

    Raises
    ------
    CatalogueError
        When the sign cannot be used.
    """
    row = _Row(file, line, cells, mark="club")
    taken = {*catalogue.signs, *catalogue.analytes, *RESERVED}
    sign = _own_sign(row, tuple(catalogue.phases), taken, catalogue.sources)
    if sum(s.own for s in catalogue.signs.values()) >= MAX_OWN_SIGNS:
        raise row.fail("sign", f"is beyond {MAX_OWN_SIGNS} own signs", "remove some")
    return replace(catalogue, signs=catalogue.signs | {sign.name: sign})


def _own_sign(
    row: _Row, phases: tuple[str, ...], taken: set[str], sources: dict[str, Source]
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
