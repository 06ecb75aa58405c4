"""What was refused of a logbook and could matter for present advice."""

from __future__ import annotations

import datetime as dt

from maturity_model.catalogue import load_permissions
from maturity_model.logbook.types import Logbook, Problem


def refused_lately(logbook: Logbook, as_of: dt.date) -> tuple[Problem, ...]:
    """Return what was refused and may hide something: files, columns, recent rows and cells.

    Recent is within the longest time for which a row can shut a permission; so counts a row
    without a date that can be trusted.
    """
    days = load_permissions()["unsettled_days"]
    return tuple(
        p
        for p in logbook.problems
        if p.may_hide_something and (p.date is None or (as_of - p.date).days <= days)
    )
