"""Writing a pool: Parquet tables, their descriptor, a Darwin Core archive, a note."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.catalogue import LOOKS, Sign
from maturity_model.catalogue.standards import load_measures
from maturity_model.pooling.anonymity import note
from maturity_model.pooling.darwin import write_archive
from maturity_model.pooling.gather import Gathered
from maturity_model.pooling.merge import Merged
from maturity_model.pooling.tables import ARROW, FORMAT, TableKind, codes, tables

DESCRIPTOR, ARCHIVE, NOTE = "datapackage.json", "darwin_core.zip", "README.md"
#: Every file of a pool.
FILES = (
    DESCRIPTOR, ARCHIVE, NOTE,
    *(f"{name}.parquet" for name in ("tanks", "checkins", "readings", "events", "kits")),
)  # fmt: skip
_ROW_GROUP = 65_536


def write_pool(gathered: Gathered, merged: Merged, folder: Path) -> None:
    """Write all files of a pool; the same input and key give the same bytes.

    Parameters
    ----------
    gathered : Gathered
    merged : Merged
    folder : Path
        There already, and empty.
    """
    columns = make_columns(gathered, merged)
    kinds = tables(gathered.catalogue, gathered.sign_names())
    for kind in kinds:
        _write_table(folder / f"{kind.name}.parquet", kind, columns[kind.name])
    write_archive(gathered, merged, folder / ARCHIVE)
    (folder / NOTE).write_text(note(gathered, merged), encoding="utf-8")
    text = json.dumps(_descriptor(gathered, merged, folder, kinds), indent=1, ensure_ascii=False)
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
    arrays = [pa.array(**_split(columns[f.name]), type=f.type) for f in fields]
    # No name of a machine, user or day stands in a Parquet file; the writer's version does.
    pq.write_table(
        pa.table(arrays, schema=schema),
        path,
        compression="zstd",
        row_group_size=_ROW_GROUP,
        store_schema=False,
    )


def _split(values: Any) -> dict[str, Any]:
    """Values and the mask of their gaps; a list says None itself."""
    if isinstance(values, np.ma.MaskedArray):
        return {"obj": values.data, "mask": np.ma.getmaskarray(values)}
    return {"obj": values}


def make_columns(gathered: Gathered, merged: Merged) -> dict[str, dict[str, Any]]:
    """Lay a pool out as columns.

    Returns
    -------
    dict of str to (dict of str to array or list)
        By table and column; a masked array where values are missing, or None in a list.
    """
    tanks = merged.tanks
    counts = np.array([len(t.rows) for t in tanks], dtype=np.int64)
    names = np.array([t.name for t in tanks], dtype=object)
    starts = np.array([t.started.toordinal() for t in tanks], dtype=np.int64)
    owner = np.repeat(np.arange(len(tanks)), counts)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    places = np.array([r for t in tanks for r in t.rows], dtype=np.int64).reshape(-1, 2)
    day = _pick(gathered, places, "day") - starts[owner]
    judged = _pick(gathered, places, "judged")
    signs = _pick(gathered, places, "signs")
    phases = np.array(list(gathered.catalogue.phases), dtype=object)
    checkins: dict[str, Any] = {
        "tank": names[owner],
        "look_number": number.astype(np.int32),
        "day": day.astype(np.int32),
        "observer": [who or None for t in tanks for who in t.observers],
        "look": np.array(LOOKS, dtype=object)[_pick(gathered, places, "look")],
        "judged_phase": [phases[k] if k >= 0 else None for k in judged],
    }
    for g, sign in enumerate(gathered.sign_names()):
        checkins[sign] = np.ma.MaskedArray(signs[:, g] == 1, mask=signs[:, g] < 0)
    events = [(t.name, i, *e) for t in tanks for i, e in enumerate(t.events)]
    return {
        "tanks": _tanks(merged),
        "checkins": checkins,
        "readings": _readings(gathered, _pick(gathered, places, "readings"), names[owner], number),
        "events": dict(
            zip(
                ("tank", "event_number", "day", "event", "amount"),
                map(list, zip(*events, strict=True)) if events else [[], [], [], [], []],
                strict=True,
            )
        ),
        "kits": {
            "keeper": [k.keeper for k in merged.kits],
            "analyte": [k.analyte for k in merged.kits],
            "method": [k.method for k in merged.kits],
            "unit": [k.unit for k in merged.kits],
            "steps": [";".join(map(repr, k.steps)) or None for k in merged.kits],
        },
    }


def _pick(gathered: Gathered, places: np.ndarray, field: str) -> np.ndarray:
    """Take a field of check-ins that lie in several logbooks."""
    sample = getattr(gathered.books[0], field)
    out = np.empty((len(places), *sample.shape[1:]), dtype=sample.dtype)
    for b, book in enumerate(gathered.books):
        here = places[:, 0] == b
        out[here] = getattr(book, field)[places[here, 1]]
    return out


def _tanks(merged: Merged) -> dict[str, Any]:
    tanks = merged.tanks
    out: dict[str, Any] = {
        name: [getattr(t, name) for t in tanks]
        for name in (
            "keeper", "club", "rock", "volume_band", "sand_band", "last_day", "water_known_week",
        )
    }  # fmt: skip
    out["tank"] = [t.name for t in tanks]
    out["start_month"] = [f"{t.started:%Y-%m}" for t in tanks]
    return out


def _readings(
    gathered: Gathered, codes_of: np.ndarray, tank: np.ndarray, number: np.ndarray
) -> dict[str, Any]:
    row, analyte = np.nonzero(codes_of >= 0)
    code = codes_of[row, analyte]
    kinds = gathered.readings

    def column(field: str, dtype: Any) -> np.ndarray:
        return np.array([getattr(k, field) for k in kinds], dtype=dtype)[code]

    high, qualifier = column("high", np.float64), column("qualifier", object)
    return {
        "tank": tank[row],
        "look_number": number[row].astype(np.int32),
        "analyte": np.array(list(gathered.catalogue.analytes), dtype=object)[analyte],
        "qualifier": np.ma.MaskedArray(qualifier, mask=qualifier == ""),
        "value": column("value", np.float64),
        "unit": column("unit", object),
        "method": column("method", object),
        "low": column("low", np.float64),
        "high": np.ma.MaskedArray(high, mask=np.isinf(high)),
        "best": column("best", np.float64),
    }


def _descriptor(
    gathered: Gathered, merged: Merged, folder: Path, kinds: tuple[TableKind, ...]
) -> dict[str, Any]:
    catalogue, measures = gathered.catalogue, load_measures()
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": "maturity-model-pool",
        "title": "Pooled logs of marine aquaria, by pseudonym",
        "description": "Signs seen by eye, readings and events of marine aquaria by day since "
        "their start. Names, notes and dates are not in it; README.md says what it reveals "
        "all the same.",
        "keywords": ["aquarium", "marine", "succession", "detection"],
        "resources": [_resource(kind) for kind in kinds],
        "maturity_model": {
            "pool": FORMAT,
            # Not as a resource's hash: the library frictionless counts no bytes of Parquet,
            # and takes each hash that it did not check for a wrong one.
            "sha256": {name: _digest(folder / name) for name in FILES if name != DESCRIPTOR},
            "codes": codes(catalogue, gathered.sign_names()),
            "own_signs": [_own(gathered.own[name]) for name in sorted(gathered.own)],
            "units": {
                a.name: {
                    "quantity": a.quantity,
                    "unit": a.unit,
                    "cf_standard_name": measures[a.name].cf_standard_name or None,
                }
                for a in catalogue.analytes.values()
            },
        },
    }


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


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
