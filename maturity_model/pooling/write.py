"""Writing a pool: Parquet tables, their descriptor, a Darwin Core archive, a note."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.catalogue import LOOKS, Sign
from maturity_model.catalogue.standards import load_measures
from maturity_model.logbook import Reading
from maturity_model.pooling.anonymity import PUBLISHED, note
from maturity_model.pooling.darwin import write_archive
from maturity_model.pooling.descriptor import DESCRIPTOR, digest_of
from maturity_model.pooling.logbook_arrays import LogbookArrays, as_written
from maturity_model.pooling.merge import Pool
from maturity_model.pooling.tables import ARROW, FORMAT, TableKind, codes, tables
from maturity_model.whole_files import file_sha256

ARCHIVE, NOTE = "darwin_core.zip", "README.md"
#: Every file of a pool.
FILES = (
    DESCRIPTOR, ARCHIVE, NOTE,
    *(f"{name}.parquet" for name in ("tanks", "checkins", "readings", "events", "kits")),
)  # fmt: skip
_ROW_GROUP = 65_536


def write_pool(arrays: LogbookArrays, pool: Pool, folder: Path) -> None:
    """Write all files of a pool into an empty folder; the same input and key, the same bytes."""
    columns = _columns(arrays, pool)
    kinds = tables(arrays.catalogue, arrays.sign_names())
    for kind in kinds:
        _write_table(folder / f"{kind.name}.parquet", kind, columns[kind.name])
    write_archive(arrays, pool, folder / ARCHIVE)
    (folder / NOTE).write_text(note(arrays, pool), encoding="utf-8")
    text = json.dumps(_descriptor(arrays, pool, folder, kinds), indent=1, ensure_ascii=False)
    (folder / DESCRIPTOR).write_text(text + "\n", encoding="utf-8")


def _write_table(path: Path, kind: TableKind, columns: dict[str, Any]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema(
        pa.field(c.name, pa.type_for_alias(ARROW[c.type]), nullable=not c.required)
        for c in kind.columns
    )
    arrays = [pa.array(columns[field.name], type=field.type) for field in schema]
    # No name of a machine, user or day stands in a Parquet file; the writer's version does.
    pq.write_table(
        pa.table(arrays, schema=schema),
        path,
        compression="zstd",
        row_group_size=_ROW_GROUP,
        store_schema=False,
    )


def _columns(arrays: LogbookArrays, pool: Pool) -> dict[str, dict[str, Any]]:
    """Columns of a pool, by table; None, or masked in an array, where a value is missing."""
    tanks = pool.tanks
    counts = np.array([len(t.rows) for t in tanks], dtype=np.int64)
    names = np.array([t.name for t in tanks], dtype=object)
    starts = np.array([t.started.toordinal() for t in tanks], dtype=np.int64)
    owner = np.repeat(np.arange(len(tanks)), counts)
    number = (np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)).astype(
        np.int32
    )
    rows = np.array([row for t in tanks for row in t.rows], dtype=np.int64)
    signs = arrays.signs[rows]
    # The last answers to an index of -1.
    phases = np.array([*arrays.catalogue.phases, None], dtype=object)
    checkins: dict[str, Any] = {
        "tank": names[owner],
        "look_number": number,
        "day": (arrays.day[rows] - starts[owner]).astype(np.int32),
        "observer": [who or None for t in tanks for who in t.observers],
        "look": np.array(LOOKS, dtype=object)[arrays.look[rows]],
        "judged_phase": phases[arrays.judged[rows]],
    }
    for g, sign in enumerate(arrays.sign_names()):
        checkins[sign] = np.ma.MaskedArray(signs[:, g] == 1, mask=signs[:, g] < 0)
    return {
        "tanks": {"tank": [t.name for t in tanks], **_fields(tanks, "keeper", *PUBLISHED)},
        "checkins": checkins,
        "readings": _readings(arrays, arrays.read[rows], names[owner], number),
        "events": {
            "tank": [t.name for t in tanks for _ in t.events],
            "event_number": [number for t in tanks for number, _ in enumerate(t.events)],
            "day": [e.day for t in tanks for e in t.events],
            "event": [e.kind for t in tanks for e in t.events],
            "amount": [e.amount for t in tanks for e in t.events],
        },
        "kits": {
            **_fields(pool.kits, "keeper", "analyte", "method", "unit"),
            "steps": [";".join(map(repr, k.steps)) or None for k in pool.kits],
        },
    }


def _fields(things: Sequence[object], *names: str) -> dict[str, list[Any]]:
    return {name: [getattr(thing, name) for thing in things] for name in names}


def _readings(
    arrays: LogbookArrays, read: np.ndarray, tank: np.ndarray, number: np.ndarray
) -> dict[str, Any]:
    row, analyte = np.nonzero(read >= 0)

    def column(value: Callable[[Reading], object], dtype: Any = np.float64) -> np.ndarray:
        return np.array(list(map(value, arrays.readings)), dtype=dtype)[read[row, analyte]]

    high = column(lambda r: r.high)
    sign = column(lambda r: as_written(r)[0], object)
    return {
        "tank": tank[row],
        "look_number": number[row],
        "analyte": np.array(list(arrays.catalogue.analytes), dtype=object)[analyte],
        "qualifier": np.ma.MaskedArray(sign, mask=sign == ""),
        "value": column(lambda r: as_written(r)[1]),
        "unit": column(lambda r: r.unit, object),
        "method": column(lambda r: r.method, object),
        "low": column(lambda r: r.low),
        "high": np.ma.MaskedArray(high, mask=np.isinf(high)),
        "best": column(lambda r: r.best),
    }


def _descriptor(
    arrays: LogbookArrays, pool: Pool, folder: Path, kinds: tuple[TableKind, ...]
) -> dict[str, Any]:
    catalogue, measures = arrays.catalogue, load_measures()
    own: dict[str, Any] = {
        "pool": FORMAT,
        # Not as a resource's hash: the library frictionless counts no bytes of Parquet,
        # and takes each hash that it did not check for a wrong one.
        "sha256": {name: file_sha256(folder / name) for name in FILES if name != DESCRIPTOR},
        "codes": codes(catalogue, arrays.sign_names()),
        "own_signs": [_own(arrays.own[name]) for name in sorted(arrays.own)],
        "units": {
            a.name: {
                "quantity": a.quantity,
                "unit": a.unit,
                "cf_standard_name": measures[a.name].cf_standard_name or None,
            }
            for a in catalogue.analytes.values()
        },
    }
    own["digest"] = digest_of(own)
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "maturity-model-pool",
        "title": "Pooled logs of marine aquaria, by pseudonym",
        "description": "Signs seen by eye, readings and events of marine aquaria by day since "
        "their start. Names, notes and dates are not in it; README.md says what it reveals "
        "all the same.",
        "keywords": ["aquarium", "marine", "succession", "detection"],
        "resources": [_resource(kind) for kind in kinds],
        "maturity_model": own,
    }


def _resource(kind: TableKind) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [c.descriptor() for c in kind.columns],
        "primaryKey": list(kind.key),
    }
    if kind.parents:
        schema["foreignKeys"] = [
            {"fields": list(own), "reference": {"resource": parent, "fields": list(own)}}
            for own, parent in kind.parents
        ]
    return {
        "name": kind.name,
        "type": "table",
        "title": kind.title,
        "path": f"{kind.name}.parquet",
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "schema": schema,
    }


def _own(sign: Sign) -> dict[str, Any]:
    """A club's own sign: its name and numbers, none of its texts."""
    return {
        "sign": sign.name,
        "aphia_id": sign.aphia_id,
        "minutes": sign.minutes,
        "small": sign.small,
        "persistence": sign.persistence.value,
        "certainty": sign.certainty.value,
        "detection": [m.value for m in sign.detection],
    }
