"""The demo logbook assessed once, and populations cut to what a test asks."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from small_logs import random_log

from maturity_model.assessment import Assessment, TankAssessment, assess
from maturity_model.assessment.filtering import Tables, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Logbook, read_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import Population, elicit_population, load_population
from maturity_model.population.types import take_draws

DEMO = Path(__file__).parents[2] / "data" / "demo"
FIELDS = ("filtered", "smoothed", "forecast_only", "regression", "slipped")


@cache
def practice() -> Population:
    return load_population()


@cache
def demo() -> tuple[Panel, Assessment]:
    panel = build_panel(read_logbook(DEMO, today=dt.date(2026, 11, 25)))
    return panel, assess(panel, practice())


def draws(*index: int, **changes: object) -> Population:
    """The practice population with only these draws."""
    return replace(take_draws(practice(), np.array(index)), **changes)  # type: ignore[arg-type]


def one(population: Population, logbook: Logbook, weight: float = 1.0) -> TankAssessment:
    panel = build_panel(logbook)
    return assess(panel, population, evidence_weight=weight, questions=False).tanks[0]


def tables_of(
    logbook: Logbook, as_of: dt.date | None = None, *, draws: int = 32, weight: float = 0.5
) -> Tables:
    """Under an elicited population and with few nodes."""
    population = elicit_population(load_catalogue(), weight, n_draws=draws)
    return make_tables(build_panel(logbook, as_of=as_of), population, None, (3, 2))


def random_tables(seed: int, draws: int = 32, weeks: int = 9) -> Tables:
    return tables_of(*random_log(seed, weeks), draws=draws)


def no_evidence(tank: TankAssessment) -> None:
    # Sums in another order: rounding only, a few units in the last place.
    for field in ("filtered", "smoothed"):
        np.testing.assert_allclose(
            getattr(tank, field), tank.forecast_only, rtol=0, atol=1e-14, err_msg=field
        )


def same(a: object, b: object) -> bool:
    """Equal to the last bit, field by field and arrays included."""
    if isinstance(a, np.ndarray):
        return np.array_equal(a, b, equal_nan=a.dtype.kind == "f")  # type: ignore[arg-type]
    if isinstance(a, (tuple, list)):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if is_dataclass(a):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a)
        )
    return a == b or (a != a and b != b)
