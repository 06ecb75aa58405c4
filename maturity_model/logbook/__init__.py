"""From files to a checked logbook, and back: reading, adding, beginning, the spreadsheet.

Every row is used, or refused with one line that says why. A new column or table is a module
like ``events.py``; units are converted in ``units.py`` alone. It knows only the catalogue.
"""

from maturity_model.logbook.problems import LogbookError
from maturity_model.logbook.read import read_logbook
from maturity_model.logbook.types import (
    Account,
    CheckIn,
    Event,
    Kit,
    Logbook,
    Problem,
    Reading,
    Tank,
)

__all__ = [
    "Account",
    "CheckIn",
    "Event",
    "Kit",
    "Logbook",
    "LogbookError",
    "Problem",
    "Reading",
    "Tank",
    "read_logbook",
]
