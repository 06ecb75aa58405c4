"""Checks of a pool: its descriptor, and the constraints of its tables."""

from __future__ import annotations

import hashlib
import json
import math
import re
import warnings
from pathlib import Path
from typing import Any

from maturity_model.catalogue import Catalogue, CatalogueError, add_sign
from maturity_model.pooling.problems import PoolError, PoolMismatch, PoolWarning
from maturity_model.pooling.tables import ARROW, FORMAT, WITHOUT_DIGEST, TableKind, codes, pattern

DESCRIPTOR = "datapackage.json"
_MAX_BYTES = 4 * 2**20
#: No log is longer, in days.
_MAX_DAY = 36_525


def digest_of(own: dict[str, Any]) -> str:
    """SHA-256 of what a pool states of itself, the digest left out."""
    content = {name: value for name, value in own.items() if name != "digest"}
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def read_descriptor(path: Path) -> dict[str, Any]:
    """Read what a pool states of itself: format, digests, and the meaning of its codes."""
    try:
        with (path / DESCRIPTOR).open("rb") as handle:
            data = handle.read(_MAX_BYTES + 1)
    except OSError as error:
        raise PoolError(f"{path} cannot be read: {error.strerror or error}") from None
    if len(data) > _MAX_BYTES:
        raise PoolError(f"{DESCRIPTOR} of {path} is too large")
    try:
        about = json.loads(data)
        own = about["maturity_model"]
        number, digest, _ = own["pool"], digest_of(own), dict(own["sha256"])
    except (ValueError, TypeError, KeyError, RecursionError):
        raise PoolError(f"{path} is no pool: its {DESCRIPTOR} is not one of a pool") from None
    if number not in (FORMAT, WITHOUT_DIGEST):
        raise PoolMismatch(
            f"{path} is a pool of format {number!r:.20}; this program reads format {FORMAT}: "
            "make the pool again, or install a newer maturity-model"
        )
    if "digest" in own or number == FORMAT:
        if own.get("digest") != digest:
            raise PoolError(f"{DESCRIPTOR} of {path} is damaged, or was changed; fetch it again")
    else:
        warnings.warn(
            f"{path} is a pool of version 0.1, whose {DESCRIPTOR} carries no digest, so damage to "
            "it would go unnoticed; make the pool again",
            PoolWarning,
            stacklevel=3,
        )
    return dict(own)


def agree(about: dict[str, Any], catalogue: Catalogue) -> tuple[Catalogue, tuple[str, ...]]:
    """Add the pool's own signs to the catalogue; also return the pool's signs in order."""
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
    try:
        for line, cells in rows:
            catalogue = add_sign(catalogue, DESCRIPTOR, line, cells)
    except CatalogueError as error:
        raise PoolMismatch(f"a sign of the clubs' own cannot be used: {error}") from None
    return catalogue, names


def _cells(row: dict[str, Any], catalogue: Catalogue) -> dict[str, str]:
    out = {
        name: str(row[name])
        for name in ("sign", "aphia_id", "minutes", "small", "persistence", "certainty")
    }
    return out | {
        phase: str(value) for phase, value in zip(catalogue.phases, row["detection"], strict=True)
    }


def check_schema(kind: TableKind, arrow: Any) -> None:
    """Raise PoolError where an Arrow schema is not that of the table."""
    expected = [(c.name, ARROW[c.type]) for c in kind.columns]
    schema = [(f.name, str(f.type)) for f in arrow]
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
