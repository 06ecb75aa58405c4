"""Populations: draws of everything that tanks and keepers share.

``priors.py`` derives priors from the catalogue and ``elicit.py`` draws the default population
from them; ``fitting/`` makes others. ``types.py`` holds the draws, ``files.py`` reads and writes
NetCDF-4, ``members.py`` recognises keepers and tanks of the pool, and ``tables.py`` turns draws
into likelihood tables and hazards. A new parameter is one entry in ``types.DIMS``, in the units
and bounds of ``files.py``, and in the priors.
"""

from maturity_model.population.elicit import elicit_population
from maturity_model.population.files import (
    PopulationError,
    default_population_path,
    load_population,
    save_population,
)
from maturity_model.population.tables import PopulationMismatch
from maturity_model.population.types import Population

__all__ = [
    "Population",
    "PopulationError",
    "PopulationMismatch",
    "default_population_path",
    "elicit_population",
    "load_population",
    "save_population",
]
