"""What was refused of a logbook and could matter for present advice."""

from __future__ import annotations

import datetime as dt

from maturity_model.catalogue import load_permissions
from maturity_model.logbook.types import Logbook, Problem


def refused_lately(logbook: Logbook, as_of: dt.date) -> tuple[Problem, ...]:
    """Return the files, sheets and recent rows that were refused, one problem each or more.

    Recent is within the longest time for which a row can shut a permission; so counts a row
    without a date that can be trusted. Unknown columns, single cells and stated assumptions
    leave the row in use and do not count.
    """
    days = load_permissions()["unsettled_days"]
    return tuple(
        p
        for p in logbook.problems
        if p.severity == "error"
        and (
            p.scope in ("file", "logbook")
            or (p.scope == "row" and (p.date is None or (as_of - p.date).days <= days))
        )
    )
