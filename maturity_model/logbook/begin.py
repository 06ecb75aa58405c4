"""Beginning a logbook: a folder with the four tables. No file is ever overwritten."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import os
from collections.abc import Iterable, Mapping, Sequence
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
from maturity_model.logbook.kit_table import KIT_COLUMNS, read_kits
from maturity_model.logbook.problems import Collector, shown
from maturity_model.logbook.tanks import TANK_COLUMNS, read_tanks
from maturity_model.logbook.types import Kit, Tank
from maturity_model.whole_files import create_file

README = (
    "A logbook for maturity-model: tanks.csv, checkins.csv (y seen, n looked and not seen, "
    "blank not checked), events.csv and kits.csv; back it up like any diary.\n"
)
_NAMES = ("tank", "keeper", "club")


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


@dataclass(frozen=True, slots=True)
class NewKit:
    """One kit as a keeper writes it; a blank keeper is everybody."""

    analyte: str
    method: str
    unit: str = ""
    steps: str = ""
    keeper: str = ""


def check_tank(row: NewTank, context: Context) -> Tank:
    """Read one tank into ``context`` as the reader of logbooks does.

    Raises
    ------
    BeginError
        The message says what is wrong, and how to mend it.
    """
    if first := context.tank_names.same(row.tank):
        raise BeginError(
            f"tank: {shown(first)!r} is a tank of this log already; choose another name"
        )
    table = _one_row("tanks", TANK_COLUMNS, row, context)
    read_tanks(table)
    _refuse_errors(table.problems)
    return list(context.tanks.values())[-1]


def check_kit(row: NewKit, context: Context) -> Kit:
    """Read one kit as the reader of logbooks does; see :func:`check_tank`."""
    table = _one_row("kits", KIT_COLUMNS, row, context)
    kits = read_kits(table)
    _refuse_errors(table.problems)
    return kits.kits[0]


def _one_row(name: str, columns: tuple[str, ...], row: NewTank | NewKit, context: Context) -> Table:
    cells = row_cells(row)
    line = [cells.get(column, "") for column in columns]
    raw = RawTable(name, f"{name}.csv", 1, list(columns), iter([(2, line)]))
    return Table(raw, columns, context.reporting_to(Collector()))


def _refuse_errors(problems: Collector) -> None:
    for problem in problems.all():
        if problem.severity == "error":
            value = f" {problem.value!r}" if problem.value else ""
            raise BeginError(f"{problem.column or 'row'}:{value} {problem.what}; {problem.mend}")


def row_cells(row: NewTank | NewKit) -> dict[str, str]:
    """Cells of a row by column; a name becomes no formula in a spreadsheet."""
    cells = {name: " ".join(text.split()) for name, text in asdict(row).items()}
    return {c: without_formula(t) if c in _NAMES else t for c, t in cells.items()}


def csv_text(rows: Iterable[Sequence[str]]) -> str:
    """Rows as the text of a CSV file."""
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
    folder: Path,
    rows: list[NewTank],
    catalogue: Catalogue,
    today: dt.date,
    kits: Sequence[NewKit] = (),
) -> list[Path]:
    """Make a logbook of at least one tank; return the files made.

    The folder is made if it is not there. It may hold other files, but no table of a logbook.

    Raises
    ------
    BeginError
        When there is a logbook already, or a row cannot be used. No file is then made.
    OSError
        When a file cannot be written; those made before it are removed again.
    """
    context = Context(catalogue, Collector(), today)
    tanks = [check_tank(row, context) for row in rows]
    for kit in kits:
        check_kit(kit, context)
    # The start as ISO, whatever form it was given in.
    tank_rows = [
        replace(row, started=tank.started.isoformat())
        for row, tank in zip(rows, tanks, strict=True)
    ]
    filled: dict[str, Sequence[NewTank | NewKit]] = {"tanks": tank_rows, "kits": kits}
    content = {}
    for table, columns in table_columns(catalogue).items():
        lines = [row_cells(row) for row in filled.get(table, ())]
        content[f"{table}.csv"] = csv_text(
            [columns, *([line.get(c, "") for c in columns] for line in lines)]
        )
    return make_files(folder, content)


def make_files(folder: Path, content: Mapping[str, str | bytes]) -> list[Path]:
    """Make the files of a logbook, by name, and a note that says what they are.

    Raises
    ------
    BeginError, OSError
        As :func:`begin_logbook`. No file is then made.
    """
    check_free(folder)
    if not any(fold(name).startswith("readme") for name in _names(folder)):
        content = {**content, "README.txt": README}
    made: list[Path] = []
    folder.mkdir(parents=True, exist_ok=True)
    try:
        for name, data in content.items():
            if not create_file(folder / name, data):
                raise BeginError(f"{folder} holds a logbook already; nothing was changed")
            made.append(folder / name)
    except BaseException:
        for path in made:
            with contextlib.suppress(OSError):
                path.unlink()
        raise
    return made


def check_free(folder: Path) -> None:
    """Refuse a folder in which no logbook can be begun; see :func:`make_files`."""
    if folder.exists() and not folder.is_dir():
        raise BeginError(f"{folder} is a file; name a folder")
    if table := next(filter(_is_table, _names(folder)), None):
        mend = "`maturity-model tank` and `maturity-model kit` add to it"
        raise BeginError(f"{folder} holds a logbook already ({table}); nothing was changed; {mend}")


def _names(folder: Path) -> list[str]:
    return sorted(os.listdir(folder)) if folder.is_dir() else []


def _is_table(name: str) -> bool:
    stem, ending = os.path.splitext(fold(name))
    return ending in WORKBOOKS or (ending in TEXTS and stem in TABLES)
