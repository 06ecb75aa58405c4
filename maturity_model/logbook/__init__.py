"""From files to a checked logbook; every problem is reported in one line."""

from maturity_model.logbook.problems import LogbookError
from maturity_model.logbook.read import read_logbook
from maturity_model.logbook.types import (
    CheckIn,
    Event,
    Kit,
    Logbook,
    Problem,
    Reading,
    RowCount,
    Severity,
    Tank,
)

__all__ = [
    "CheckIn",
    "Event",
    "Kit",
    "Logbook",
    "LogbookError",
    "Problem",
    "Reading",
    "RowCount",
    "Severity",
    "Tank",
    "read_logbook",
]
