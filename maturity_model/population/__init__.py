"""Populations: draws of everything that tanks and keepers share.

``priors.py`` derives priors from the catalogue and ``elicit.py`` draws the default population
from them; ``fitting/`` makes others. ``types.py`` holds the draws, ``files.py`` reads and writes
their files (``netcdf.py`` the bytes, ``older_files.py`` those of version 0.1), ``members.py``
recognises keepers and tanks of the pool, and ``tables.py`` turns draws into likelihood tables
and hazards. A new parameter is one entry in ``types.DIMS``, in
``files._QUANTITIES`` (words, bounds) and in the priors.
"""

from maturity_model.population.elicit import elicit_population
from maturity_model.population.files import (
    PopulationError,
    PopulationWarning,
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
    "PopulationWarning",
    "default_population_path",
    "elicit_population",
    "load_population",
    "save_population",
]
