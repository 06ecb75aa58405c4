"""What a pooled fit learned, or what practice says before there is one."""

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
