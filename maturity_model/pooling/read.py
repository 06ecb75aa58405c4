"""A pool as a logbook: the same panel, without a name or a date."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.catalogue.load import add_signs
from maturity_model.logbook import CheckIn, Event, Kit, Logbook, Reading, Tank
from maturity_model.pooling.gather import MAX_CHECKINS, MAX_EVENTS, MAX_TANKS
from maturity_model.pooling.problems import PoolError, PoolMismatch
from maturity_model.pooling.tables import ARROW, FORMAT, TableKind, codes, pattern, tables

#: A pool tells no dates: its logs are laid so that all end on this day.
LAST_DAY = dt.date(2000, 1, 1)
_DESCRIPTOR = "datapackage.json"
#: Bounds before anything is opened.
_MAX_DESCRIPTOR, _MAX_FILE, _MAX_EXPANDED = 4 * 2**20, 512 * 2**20, 2 * 2**30
_MAX_ROWS = {
    "tanks": MAX_TANKS, "checkins": MAX_CHECKINS, "readings": 8 * MAX_CHECKINS,
    "events": MAX_EVENTS, "kits": MAX_TANKS * 8,
}  # fmt: skip
#: No log is longer, in days.
_MAX_DAY = 36_525
#: Columns as lists, by table and name.
Content = dict[str, dict[str, list[Any]]]


def is_pool(path: Path) -> bool:
    """Whether a folder claims to be a pool."""
    return (path / _DESCRIPTOR).is_file() and (path / "tanks.parquet").is_file()


def read_pool(
    path: str | Path, catalogue: Catalogue | None = None, *, ends: dt.date = LAST_DAY
) -> Logbook:
    """Read a pool as a logbook, for the pooled fit.

    Parameters
    ----------
    path : str or path
        The folder that ``maturity-model pool`` wrote.
    catalogue : Catalogue, optional
        Default: the one that ships with the package.
    ends : date, optional
        The day on which every tank's log is laid to end. Dates in the result tell nothing
        but days since a tank's start.

    Returns
    -------
    Logbook
        Its panel has the likelihood of the logbooks that were pooled.

    Raises
    ------
    PoolMismatch
        When the pool's codes are not those of the catalogue.
    PoolError
        When it is no whole pool.
    """
    path = Path(path)
    catalogue = catalogue or load_catalogue()
    about = read_descriptor(path)
    extended, names = agree(about, catalogue)
    content = _Content(path, about, tables(catalogue, names))
    book = as_logbook(path, extended, names, content.tables, content.sha256, ends)
    return replace(book, kits=_kits(content.tables))


def as_logbook(
    path: Path,
    catalogue: Catalogue,
    sign_names: tuple[str, ...],
    content: Content,
    sha256: str,
    ends: dt.date = LAST_DAY,
) -> Logbook:
    """Lay checked tables of a pool, or some tanks' rows of them, as a logbook without kits."""
    tanks, known = _tanks(content, ends)
    return Logbook(
        path=path,
        catalogue=catalogue,
        tanks={t.name: t for t in tanks},
        checkins=_checkins(content, sign_names, tanks, ends),
        events=_events(content, tanks, ends),
        kits=(),
        problems=(),
        rows=(),
        refused_tanks=(),
        sha256=sha256,
        water_known_from=known,
    )


def read_descriptor(path: Path) -> dict[str, Any]:
    """Read what a pool says of itself: format, digests, and what its codes stand for."""
    try:
        with (path / _DESCRIPTOR).open("rb") as handle:
            data = handle.read(_MAX_DESCRIPTOR + 1)
    except OSError as error:
        raise PoolError(f"{path} cannot be read: {error.strerror or error}") from None
    if len(data) > _MAX_DESCRIPTOR:
        raise PoolError(f"{_DESCRIPTOR} of {path} is too large")
    try:
        about = json.loads(data)
        own = about["maturity_model"]
        number, _ = own["pool"], dict(own["sha256"])
    except (ValueError, TypeError, KeyError, RecursionError):
        raise PoolError(f"{path} is no pool: its {_DESCRIPTOR} is not one of a pool") from None
    if number != FORMAT:
        raise PoolMismatch(
            f"{path} is a pool of format {str(number)[:20]}; this program reads format {FORMAT}"
        )
    return dict(own)


def agree(about: dict[str, Any], catalogue: Catalogue) -> tuple[Catalogue, tuple[str, ...]]:
    """Add the pool's own signs to the catalogue; the result, and the pool's signs in order."""
    try:
        theirs = about["codes"]
        signs, own = [str(s) for s in theirs["signs"]], list(about["own_signs"])
        rows = [(i, _cells(row, catalogue)) for i, row in enumerate(own, 1)]
        names = (*signs, *(cells["sign"] for _, cells in rows))
        ours = codes(catalogue, tuple(catalogue.signs))
        different = [key for key in ("phases", "looks", "methods", "rocks")
                     if theirs[key] != ours[key]]  # fmt: skip
        for key in ("analytes", "events"):
            different += [
                f"{key[:-1]} {name}"
                for name, unit in theirs[key].items()
                if ours[key].get(name) != unit
            ]
            # The tables' lists of choices are the catalogue's.
        different += [f"sign {name}" for name in signs if name not in catalogue.signs]
    except (KeyError, TypeError, ValueError, AttributeError):
        raise PoolError("the pool's descriptor does not say what its codes mean") from None
    if different:
        shown = ", ".join(text[:60] for text in different[:8])
        raise PoolMismatch(
            f"the pool was made with another catalogue: {shown} differ; "
            "make it again with this version"
        )
    extended, errors = add_signs(catalogue, _DESCRIPTOR, rows)
    if errors:
        raise PoolMismatch(f"a sign of the clubs' own cannot be used: {errors[0]}")
    return extended, names


def _cells(row: dict[str, Any], catalogue: Catalogue) -> dict[str, str]:
    out = {
        name: str(row[name])
        for name in ("sign", "aphia_id", "minutes", "small", "persistence", "certainty")
    }
    return out | {
        phase: str(value) for phase, value in zip(catalogue.phases, row["detection"], strict=True)
    }


class _Content:
    """The tables of a pool, checked against their descriptor and their constraints."""

    def __init__(self, path: Path, about: dict[str, Any], kinds: tuple[TableKind, ...]):
        self.tables: Content = {}
        digest = hashlib.sha256()
        for kind in kinds:
            data = _bytes(path / f"{kind.name}.parquet")
            found = hashlib.sha256(data).hexdigest()
            if about["sha256"].get(f"{kind.name}.parquet") != found:
                raise PoolError(
                    f"{path / kind.name}.parquet is not the file that {_DESCRIPTOR} describes; "
                    "fetch the pool again"
                )
            digest.update(found.encode())
            self.tables[kind.name] = _table(kind, data)
        self.sha256 = digest.hexdigest()


def _bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as handle:
            data = handle.read(_MAX_FILE + 1)
    except OSError as error:
        raise PoolError(f"{path} cannot be read: {error.strerror or error}") from None
    if len(data) > _MAX_FILE:
        raise PoolError(f"{path} is larger than {_MAX_FILE >> 20} MB")
    return data


def _table(kind: TableKind, data: bytes) -> dict[str, list[Any]]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(pa.BufferReader(data))
        about = file.metadata
        groups = [about.row_group(g) for g in range(about.num_row_groups)]
        if about.num_rows > _MAX_ROWS[kind.name]:
            raise PoolError(f"{kind.name} has more than {_MAX_ROWS[kind.name]:,} rows")
        if sum(g.total_byte_size for g in groups) > _MAX_EXPANDED:
            raise PoolError(f"{kind.name} expands to more than {_MAX_EXPANDED >> 20} MB")
        check_schema(kind, file.schema_arrow)
        table = file.read()
    except (pa.ArrowException, OSError) as error:
        raise PoolError(f"{kind.name} cannot be read: {str(error)[:200]}") from None
    out = {c.name: table.column(c.name).to_pylist() for c in kind.columns}
    check_table(kind, out)
    return out


def check_schema(kind: TableKind, found: Any) -> None:
    """Raise PoolError where an Arrow schema is not that of the table."""
    expected = [(c.name, ARROW[c.type]) for c in kind.columns]
    schema = [(f.name, str(f.type)) for f in found]
    if schema != expected:
        wrong = next((a for a, b in zip(schema, expected, strict=False) if a != b), ("",))
        raise PoolError(f"{kind.name} has other columns than a pool: {wrong[0][:40]!r}")


def check_table(kind: TableKind, table: dict[str, list[Any]]) -> None:
    """Raise PoolError where a table, or some of its rows, breaks its constraints."""
    for column in kind.columns:
        values = set(table[column.name])
        fault = ""
        if None in values and column.required:
            fault = "is missing somewhere"
        values.discard(None)
        if column.choices and not values <= set(column.choices):
            fault = "holds something else than it may"
        elif column.kind and not all(map(re.compile(pattern(column.kind)).fullmatch, values)):
            fault = "holds something that is no pseudonym"
        elif column.type == "integer" and not all(0 <= v <= _MAX_DAY for v in values):
            fault = "holds a number out of bounds"
        elif column.type == "number" and not all(map(math.isfinite, values)):
            fault = "holds something that is no number"
        if fault:
            raise PoolError(f"column {column.name} of {kind.name} {fault}")
    keys = list(zip(*(table[name] for name in kind.key), strict=True))
    if len(set(keys)) != len(keys):
        raise PoolError(f"{kind.name} has a row twice")


def _rows(table: dict[str, list[Any]], *names: str) -> Any:
    return zip(*(table[name] for name in names), strict=True)


def _tanks(content: Content, ends: dt.date) -> tuple[list[Tank], dict[str, dt.date | None]]:
    table = content["tanks"]
    tanks, known = [], {}
    columns = ("tank", "keeper", "club", "rock", "last_day", "water_known_week")
    for name, keeper, club, rock, last, week in _rows(table, *columns):
        started = ends - dt.timedelta(days=last)
        tanks.append(Tank(name, started, keeper, club, None, rock))
        known[name] = None if week is None else started + dt.timedelta(days=7 * week)
    return tanks, known


def _dates(
    table: dict[str, list[Any]], tanks: list[Tank], ends: dt.date, what: str
) -> list[dt.date]:
    started = {t.name: t.started for t in tanks}
    out = []
    for tank, day in _rows(table, "tank", "day"):
        if tank not in started:
            raise PoolError(f"{what} name a tank that is not in the pool")
        date = started[tank] + dt.timedelta(days=day)
        if date > ends:
            raise PoolError(f"{what} lie after the last day of their tank")
        out.append(date)
    return out


def _checkins(
    content: Content, names: tuple[str, ...], tanks: list[Tank], ends: dt.date
) -> tuple[CheckIn, ...]:
    table = content["checkins"]
    dates = _dates(table, tanks, ends, "check-ins")
    readings = _readings(content)
    answers = [table[name] for name in names]
    numbered = []
    columns = ("tank", "look_number", "observer", "look", "judged_phase")
    for i, (tank, number, observer, look, judged) in enumerate(_rows(table, *columns)):
        signs = {name: a[i] for name, a in zip(names, answers, strict=True) if a[i] is not None}
        found = readings.pop((tank, number), {})
        made = CheckIn(tank, dates[i], observer or "", look, judged, "", signs, found)
        numbered.append((dates[i], number, made))
    if readings:
        raise PoolError("readings belong to check-ins that are not in the pool")
    return tuple(made for _, _, made in sorted(numbered, key=lambda n: n[:2]))


def _readings(content: Content) -> dict[tuple[str, int], dict[str, Reading]]:
    table = content["readings"]
    out: dict[tuple[str, int], dict[str, Reading]] = {}
    known: dict[tuple[Any, ...], Reading] = {}
    columns = ("qualifier", "value", "low", "high", "best", "unit", "method")
    where = ("tank", "look_number", "analyte")
    for row in _rows(table, *where, *columns):
        tank, number, analyte, *rest = row
        key = tuple(rest)
        if key not in known:
            qualifier, value, low, high, best, unit, method = rest
            high = math.inf if high is None else high
            if not low <= high:
                raise PoolError("a reading's interval is empty")
            text = f"{qualifier or ''}{value:.12g}"
            known[key] = Reading(text, low, high, best, unit[:40], method)
        out.setdefault((tank, number), {})[analyte] = known[key]
    return out


def _events(content: Content, tanks: list[Tank], ends: dt.date) -> tuple[Event, ...]:
    table = content["events"]
    dates = _dates(table, tanks, ends, "events")
    numbered = [
        (date, number, Event(tank, date, kind, amount))
        for date, (tank, number, kind, amount) in zip(
            dates, _rows(table, "tank", "event_number", "event", "amount"), strict=True
        )
    ]
    return tuple(event for _, _, event in sorted(numbered, key=lambda n: n[:2]))


def _kits(content: Content) -> tuple[Kit, ...]:
    out = []
    columns = ("keeper", "analyte", "method", "unit", "steps")
    for keeper, analyte, method, unit, steps in _rows(content["kits"], *columns):
        try:
            chart = tuple(float(s) for s in steps.split(";")) if steps else ()
        except ValueError:
            raise PoolError("column steps of kits holds something that is no number") from None
        out.append(Kit(keeper, analyte, method, unit, chart))
    return tuple(out)
