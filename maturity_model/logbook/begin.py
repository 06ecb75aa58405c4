"""Beginning a logbook: a folder with the four tables. No file is ever overwritten."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from maturity_model.catalogue import Catalogue
from maturity_model.catalogue.load import CHECKIN_COLUMNS
from maturity_model.identity import fold
from maturity_model.logbook.columns import Context, Table
from maturity_model.logbook.entries import TABLES, TEXTS, WORKBOOKS
from maturity_model.logbook.events import EVENT_COLUMNS
from maturity_model.logbook.files import RawTable
from maturity_model.logbook.formulas import without_formula
from maturity_model.logbook.kit_table import KIT_COLUMNS
from maturity_model.logbook.problems import Collector
from maturity_model.logbook.tanks import TANK_COLUMNS, read_tanks
from maturity_model.logbook.types import Tank
from maturity_model.whole_files import create_file

README = (
    "A logbook for maturity-model: tanks.csv, checkins.csv (y seen, n looked and not seen, "
    "blank not checked), events.csv and kits.csv; back it up like any diary.\n"
)


class BeginError(ValueError):
    """No logbook was begun; the message says why."""


@dataclass(frozen=True, slots=True)
class NewTank:
    """One tank as a keeper writes it; blank where unknown."""

    tank: str
    started: str
    keeper: str = ""
    club: str = ""
    volume_l: str = ""
    rock: str = ""
    sand_depth_mm: str = ""
    consent: str = ""


def check_tank(row: NewTank, catalogue: Catalogue, today: dt.date) -> Tank:
    """Read one tank as the reader of logbooks does.

    Raises
    ------
    BeginError
        The message says what is wrong, and how to mend it.
    """
    problems = Collector()
    context = Context(catalogue, problems, today)
    raw = RawTable("tanks", "tanks.csv", 1, list(TANK_COLUMNS), iter([(2, _cells(row))]))
    read_tanks(Table(raw, TANK_COLUMNS, context))
    for problem in problems.all():
        if problem.severity == "error":
            value = f" {problem.value!r}" if problem.value else ""
            raise BeginError(f"{problem.column or 'tank'}:{value} {problem.what}; {problem.mend}")
    return next(iter(context.tanks.values()))


def _cells(row: NewTank) -> list[str]:
    cells = {name: " ".join(text.split()) for name, text in asdict(row).items()}
    for name in ("tank", "keeper", "club"):
        cells[name] = without_formula(cells[name])
    return [cells.get(column, "") for column in TANK_COLUMNS]


def _csv(rows: Iterable[Sequence[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def table_columns(catalogue: Catalogue) -> dict[str, tuple[str, ...]]:
    """Columns of the four tables in their usual order, every sign and analyte included."""
    first = [c for c in CHECKIN_COLUMNS if c != "note"]
    return {
        "tanks": TANK_COLUMNS,
        "checkins": (*first, *catalogue.signs, *catalogue.analytes, "note"),
        "events": EVENT_COLUMNS,
        "kits": KIT_COLUMNS,
    }


def begin_logbook(
    folder: Path, rows: list[NewTank], catalogue: Catalogue, today: dt.date
) -> list[Path]:
    """Make a logbook of at least one tank; return the files made.

    The folder is made if it is not there. It may hold other files, but no table of a logbook.

    Raises
    ------
    BeginError
        When there is a logbook already, or a row cannot be used; nothing is then made.
    OSError
        When a file cannot be written; those made before it are removed again.
    """
    tanks = [check_tank(row, catalogue, today) for row in rows]
    if len({fold(t.name) for t in tanks}) < len(tanks):
        raise BeginError("two of the tanks have one name; choose another for one of them")
    if folder.exists() and not folder.is_dir():
        raise BeginError(f"{folder} is a file; name a folder")
    there = _names(folder)
    if table := next(filter(_is_table, there), None):
        raise BeginError(f"{folder} holds a logbook already ({table}); nothing was changed")
    # The start as ISO, whatever form it was given in.
    lines = [
        _cells(replace(row, started=tank.started.isoformat()))
        for row, tank in zip(rows, tanks, strict=True)
    ]
    content = {
        f"{table}.csv": _csv([columns, *(lines if table == "tanks" else ())])
        for table, columns in table_columns(catalogue).items()
    }
    if not any(fold(name).startswith("readme") for name in there):
        content["README.txt"] = README
    made: list[Path] = []
    folder.mkdir(parents=True, exist_ok=True)
    try:
        for name, text in content.items():
            if not create_file(folder / name, text):
                raise BeginError(f"{folder} holds a logbook already; nothing was changed")
            made.append(folder / name)
    except BaseException:
        for path in made:
            with contextlib.suppress(OSError):
                path.unlink()
        raise
    return made


def _names(folder: Path) -> list[str]:
    return sorted(os.listdir(folder)) if folder.is_dir() else []


def _is_table(name: str) -> bool:
    stem, ending = os.path.splitext(fold(name))
    return ending in WORKBOOKS or (ending in TEXTS and stem in TABLES)
