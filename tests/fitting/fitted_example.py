"""A fit without sampling: draws of the elicited population, dressed as chains of a fit."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.comparison import Comparison
from maturity_model.fitting.design import keepers_of
from maturity_model.fitting.diagnostics import diagnose, flatten
from maturity_model.fitting.drift import check_drift, overlaps
from maturity_model.fitting.leave_one_out import loo_by_tank
from maturity_model.fitting.pooled_fit import FitResult, population_from, shared_names, stack_chains
from maturity_model.fitting.report.page import write_report
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import DIMS, Population, take_draws

CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)
#: Names that a page must not obey.
EVIL = "<script>alert(1)</script>"
FORMULA = "=1+1"
_LABELS = {
    "phase": PRIORS.phases,
    "sign": PRIORS.signs,
    "analyte": PRIORS.analytes,
    "event": PRIORS.events,
    "covariate": PRIORS.covariates,
    "look": PRIORS.looks,
}


@cache
def truth() -> Population:
    """One draw, which the logs below are made from."""
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=8, seed=4)
    return take_draws(drawn, np.array([0]))


@cache
def panel(n: int = 6, weeks: int = 24, judged: float = 0.3) -> Panel:
    """Tanks of the truth; the first two keepers have evil names."""
    habits = Habits(weeks=weeks, judged=judged, events_per_year=2.0)
    rng = np.random.default_rng(11)
    book = simulate_logbook(truth(), CATALOGUE, n, rng, habits, one_draw=True).logbook
    tanks = dict(book.tanks)
    for name, keeper in (("tank-0000", EVIL), ("tank-0001", FORMULA)):
        tanks[name] = replace(tanks[name], keeper=keeper)
    return build_panel(replace(book, tanks=tanks), CATALOGUE)


def dressed(drawn: Population, of: Panel, chains: int = 2) -> tuple[xr.Dataset, xr.Dataset]:
    """Draws as a posterior and its statistics."""
    draws = drawn.n_draws // chains
    keepers, _ = keepers_of(of)
    rng = np.random.default_rng(1)
    data: dict[str, Any] = {}
    for name, dims in DIMS.items():
        if dims[-1] != "draw":
            continue
        values = np.moveaxis(getattr(drawn, name), -1, 0)
        at = list(dims[:-1])
        if name in ("log_setback", "log_collapse"):
            values, at = values[:, 1:], ["upper_phase"]
        data[name] = (("chain", "draw", *at), values.reshape(chains, draws, *values.shape[1:]))
    units = {"pace": ("tank", len(of.tanks)), "skill": ("keeper", len(keepers))}
    for name, (dim, n) in units.items():
        spread = data[f"{name}_sd"][1][:, :, None]
        data[name] = (("chain", "draw", dim), spread * rng.normal(size=(chains, draws, n)))
    coords = {
        **{k: list(v) for k, v in _LABELS.items()},
        "upper_phase": list(PRIORS.phases[1:]),
        "tank": [t.name for t in of.tanks],
        "keeper": list(keepers),
        "chain": np.arange(chains),
        "draw": np.arange(draws),
    }
    at = ("chain", "draw")
    stats = {
        "diverging": (at, np.zeros((chains, draws), bool)),
        "energy": (at, rng.normal(size=(chains, draws))),
        "n_steps": (at, np.full((chains, draws), 15)),
    }
    return xr.Dataset(data, coords), xr.Dataset(stats)


def fitted(drawn: Population, of: Panel) -> FitResult:
    """What a fit with these draws would have returned."""
    posterior, stats = dressed(drawn, of)
    population = population_from(
        posterior, PRIORS, name=f"club {EVIL}", evidence_weight=0.7,
        provenance={"tanks": str(len(of.tanks)), "diagnostics": "passed", "version_numpy": "2"},
    )  # fmt: skip
    before = elicit_population(CATALOGUE, 1.0, n_draws=1000, seed=9)
    names = shared_names(posterior)
    prior = stack_chains(dressed(before, of)[0], names)
    labels = {name: flatten(posterior, [name])[0] for name in names}
    found = overlaps(labels, prior, stack_chains(posterior, names))
    drift = check_drift(of, population, PRIORS, found)
    judged = diagnose(posterior, stats, 12.0)
    judged = replace(judged, problems=judged.problems + drift.problems)
    # As if how fast tanks advance were all that had a prior.
    z = (population.log_advance.T - PRIORS.log_advance) / PRIORS.log_advance_sd
    density = -0.5 * (z**2).sum(axis=1)
    return FitResult(population, judged, posterior, stats, PRIORS, prior, density, drift, of)


@cache
def example() -> FitResult:
    """A fit that learned nothing: its posterior is the prior."""
    return fitted(elicit_population(CATALOGUE, 1.0, n_draws=200, seed=3), panel())


def report_of_example(folder: Path, comparison: Comparison | None = None) -> Path:
    """Write the report of the example; its page."""
    loo = loo_by_tank(example().panel, example().population)
    return write_report(example(), loo, folder, "fit <b>&", comparison)
