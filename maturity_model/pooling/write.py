"""Writing a pool: Parquet tables, their descriptor, a Darwin Core archive, a note."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.catalogue import LOOKS, Sign
from maturity_model.catalogue.standards import load_measures
from maturity_model.pooling.anonymity import PUBLISHED, note
from maturity_model.pooling.darwin import write_archive
from maturity_model.pooling.descriptor import DESCRIPTOR, digest_of
from maturity_model.pooling.logbook_arrays import LogbookArrays
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
    """Write all files of a pool; the same input and key give the same bytes.

    Parameters
    ----------
    arrays : LogbookArrays
    pool : Pool
    folder : Path
        An existing, empty folder.
    """
    columns = make_columns(arrays, pool)
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

    fields = [
        pa.field(c.name, getattr(pa, {"double": "float64", "bool": "bool_"}.get(
            ARROW[c.type], ARROW[c.type]))(), nullable=not c.required)
        for c in kind.columns
    ]  # fmt: skip
    schema = pa.schema(fields)
    columns_of = [pa.array(**_split(columns[f.name]), type=f.type) for f in fields]
    # No name of a machine, user or day stands in a Parquet file; the writer's version does.
    pq.write_table(
        pa.table(columns_of, schema=schema),
        path,
        compression="zstd",
        row_group_size=_ROW_GROUP,
        store_schema=False,
    )


def _split(values: Any) -> dict[str, Any]:
    """Values and the mask of their gaps; in a list, a gap is None."""
    if isinstance(values, np.ma.MaskedArray):
        return {"obj": values.data, "mask": np.ma.getmaskarray(values)}
    return {"obj": values}


def make_columns(arrays: LogbookArrays, pool: Pool) -> dict[str, dict[str, Any]]:
    """Lay a pool out as columns.

    Returns
    -------
    dict of str to (dict of str to array or list)
        By table and column; a masked array where values are missing, or None in a list.
    """
    tanks = pool.tanks
    counts = np.array([len(t.rows) for t in tanks], dtype=np.int64)
    names = np.array([t.name for t in tanks], dtype=object)
    starts = np.array([t.started.toordinal() for t in tanks], dtype=np.int64)
    owner = np.repeat(np.arange(len(tanks)), counts)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    places = np.array([r for t in tanks for r in t.rows], dtype=np.int64).reshape(-1, 2)
    day = _pick(arrays, places, "day") - starts[owner]
    judged = _pick(arrays, places, "judged")
    signs = _pick(arrays, places, "signs")
    phases = np.array(list(arrays.catalogue.phases), dtype=object)
    checkins: dict[str, Any] = {
        "tank": names[owner],
        "look_number": number.astype(np.int32),
        "day": day.astype(np.int32),
        "observer": [who or None for t in tanks for who in t.observers],
        "look": np.array(LOOKS, dtype=object)[_pick(arrays, places, "look")],
        "judged_phase": [phases[k] if k >= 0 else None for k in judged],
    }
    for g, sign in enumerate(arrays.sign_names()):
        checkins[sign] = np.ma.MaskedArray(signs[:, g] == 1, mask=signs[:, g] < 0)
    events = [(t.name, i, *e) for t in tanks for i, e in enumerate(t.events)]
    return {
        "tanks": _tanks(pool),
        "checkins": checkins,
        "readings": _readings(arrays, _pick(arrays, places, "readings"), names[owner], number),
        "events": dict(
            zip(
                ("tank", "event_number", "day", "event", "amount"),
                map(list, zip(*events, strict=True)) if events else [[], [], [], [], []],
                strict=True,
            )
        ),
        "kits": {
            "keeper": [k.keeper for k in pool.kits],
            "analyte": [k.analyte for k in pool.kits],
            "method": [k.method for k in pool.kits],
            "unit": [k.unit for k in pool.kits],
            "steps": [";".join(map(repr, k.steps)) or None for k in pool.kits],
        },
    }


def _pick(arrays: LogbookArrays, places: np.ndarray, field: str) -> np.ndarray:
    """Take a field of check-ins that lie in several logbooks."""
    sample = getattr(arrays.books[0], field)
    out = np.empty((len(places), *sample.shape[1:]), dtype=sample.dtype)
    for b, book in enumerate(arrays.books):
        here = places[:, 0] == b
        out[here] = getattr(book, field)[places[here, 1]]
    return out


def _tanks(pool: Pool) -> dict[str, Any]:
    tanks = pool.tanks
    out = {column: [getattr(t, column) for t in tanks] for column in ("keeper", *PUBLISHED)}
    return out | {"tank": [t.name for t in tanks]}


def _readings(
    arrays: LogbookArrays, codes_of: np.ndarray, tank: np.ndarray, number: np.ndarray
) -> dict[str, Any]:
    row, analyte = np.nonzero(codes_of >= 0)
    code = codes_of[row, analyte]
    kinds = arrays.readings

    def column(field: str, dtype: Any) -> np.ndarray:
        return np.array([getattr(k, field) for k in kinds], dtype=dtype)[code]

    high, qualifier = column("high", np.float64), column("qualifier", object)
    return {
        "tank": tank[row],
        "look_number": number[row].astype(np.int32),
        "analyte": np.array(list(arrays.catalogue.analytes), dtype=object)[analyte],
        "qualifier": np.ma.MaskedArray(qualifier, mask=qualifier == ""),
        "value": column("value", np.float64),
        "unit": column("unit", object),
        "method": column("method", object),
        "low": column("low", np.float64),
        "high": np.ma.MaskedArray(high, mask=np.isinf(high)),
        "best": column("best", np.float64),
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
        "foreignKeys": [
            {"fields": list(own), "reference": {"resource": parent, "fields": list(own)}}
            for own, parent in kind.parents
        ],
    }
    if not kind.parents:
        del schema["foreignKeys"]
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
