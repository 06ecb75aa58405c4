"""Rows of a logbook as files."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import NamedTuple

Row = dict[str, str]


class Rows(NamedTuple):
    """The tables of a logbook; each row is column name to text."""

    tanks: list[Row]
    checkins: list[Row]
    events: list[Row]
    kits: list[Row]


#: Columns that stand first, in this order; all others follow as they come up.
_FIRST = {
    "tanks": ("tank", "keeper", "club", "started", "volume_l", "rock", "sand_depth_mm"),
    "checkins": ("tank", "date", "observer", "look", "judged_phase", "note"),
    "events": ("tank", "date", "event", "amount", "note"),
    "kits": ("keeper", "analyte", "method", "unit", "steps"),
}


def columns(table: str, rows: Sequence[Row], order: Sequence[str] = ()) -> list[str]:
    """Columns that any row uses: the table's own, then ``order``; tank and date always."""
    used = set().union(*rows) if rows else set()
    least = 2 if table != "tanks" else 4
    first = [c for i, c in enumerate(_FIRST[table]) if c in used or i < least]
    return first + [c for c in order if c in used and c not in first]


def as_csv(names: Sequence[str], rows: Sequence[Row]) -> str:
    """A table as CSV text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([row.get(name, "") for name in names] for row in rows)
    return out.getvalue()


def tables(rows: Rows, order: Sequence[str]) -> dict[str, str]:
    """File name to text, of all tables that hold a row, tanks and check-ins always."""
    out = {}
    for name in Rows._fields:
        found: list[Row] = getattr(rows, name)
        if found or name in ("tanks", "checkins"):
            names = columns(name, found, order)
            if name == "events":
                names = [c for c in _FIRST[name] if c in names or c == "event"]
            out[f"{name}.csv"] = as_csv(names, found)
    return out
