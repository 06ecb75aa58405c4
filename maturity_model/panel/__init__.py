"""The weekly grid: a checked logbook as arrays, for filtering and for the fit.

``codes.py`` turns observations into codes, ``grid.py`` builds the :class:`Panel`. It knows the
logbook and the catalogue, and no model: a new kind of observation begins here as a code.
"""

from maturity_model.panel.codes import (
    BALANCE_HALF_LIFE,
    BALANCE_LEVELS,
    PREVIOUS_WEEKS,
    Observations,
    balance_level,
)
from maturity_model.panel.grid import (
    WATER_CAP,
    WATER_UNIT,
    WATER_USUAL,
    Panel,
    build_panel,
    last_day,
    rows_by_tank,
    water_known_from,
)

__all__ = [
    "BALANCE_HALF_LIFE",
    "BALANCE_LEVELS",
    "PREVIOUS_WEEKS",
    "WATER_CAP",
    "WATER_UNIT",
    "WATER_USUAL",
    "Observations",
    "Panel",
    "balance_level",
    "build_panel",
    "last_day",
    "rows_by_tank",
    "water_known_from",
]
