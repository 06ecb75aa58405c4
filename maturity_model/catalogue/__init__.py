"""Trade knowledge as data: signs, analytes, events, phases, husbandry.

The tables in ``data/`` may be edited. Every number carries a source mark, written behind it
in square brackets (``0.35 [P]``); the marks are explained in ``data/sources.csv``.
"""

from maturity_model.catalogue.load import (
    CatalogueError,
    add_sign,
    load_catalogue,
    load_course,
    load_decisions,
    load_permissions,
    load_ranges,
)
from maturity_model.catalogue.types import (
    LOOKS,
    METHODS,
    NEEDS,
    ROCKS,
    Analyte,
    Catalogue,
    DecisionRule,
    EventKind,
    Marked,
    Sign,
)

__all__ = [
    "LOOKS",
    "METHODS",
    "NEEDS",
    "ROCKS",
    "Analyte",
    "Catalogue",
    "CatalogueError",
    "DecisionRule",
    "EventKind",
    "Marked",
    "Sign",
    "add_sign",
    "load_catalogue",
    "load_course",
    "load_decisions",
    "load_permissions",
    "load_ranges",
]
