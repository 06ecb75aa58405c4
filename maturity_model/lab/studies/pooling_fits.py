"""Ways of learning from a pool, each fitted once and kept in a folder.

Needs the extra ``fit``, with nutpie.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.fitting.convergence import r_hat
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.studies.clubs import PooledClub
from maturity_model.lab.studies.refit import Refit, Refitter
from maturity_model.lab.studies.settings import Pooling
from maturity_model.lab.tasks import Say, digest
from maturity_model.panel import Panel
from maturity_model.population.files import PopulationError, load_population, save_population
from maturity_model.population.priors import hold_emissions, priors_from_catalogue
from maturity_model.population.types import DIMS, Population, take_draws

#: Draws of a population that is scored; as many as the default population has.
DRAWS = 256
#: Chains of each fit.
CHAINS = 2


@dataclass(frozen=True)
class Way:
    """A way of learning from a pool, ``judged`` if a fifth of its tanks are.

    ``weight`` is the evidence weight of the fit, ``judgement_weight`` the power on judgements if
    another; ``hold`` is a factor on the spread of the priors of what a phase shows. With
    ``tank_signs`` each tank shifts its signs' log-odds.
    """

    name: str
    judged: bool = False
    weight: float = 0.4
    hold: float = 1.0
    judgement_weight: float | None = None
    tank_signs: bool = False

    @property
    def options(self) -> ModelOptions:
        """Options of the model."""
        return ModelOptions(tank_signs=self.tank_signs, judgement_weight=self.judgement_weight)

    def refitter(self, panel: Panel) -> Refitter:
        """What fits a pool in this way."""
        priors = hold_emissions(priors_from_catalogue(panel.catalogue), self.hold)
        return Refitter(priors, self.weight, self.options)


_JUDGED: dict[str, Any] = {"judged": True, "judgement_weight": 1.0}
#: Ways that are fitted; every other one is made of these.
WAYS = (
    Way("whole"),
    Way("whole", **_JUDGED),
    Way("weight 1", weight=1.0),
    Way("weight 1", weight=1.0, **_JUDGED),
    Way("held", hold=0.5),
    Way("held", hold=0.5, **_JUDGED),
    Way("tank signs", weight=1.0, tank_signs=True),
    Way("tank signs", weight=1.0, tank_signs=True, **_JUDGED),
    Way("judgements weighed", judged=True),
)


def worst_r_hat(fit: Refit) -> float:
    """Largest R-hat of all parameters that tanks share and that vary."""
    worst = 1.0
    for name, dims in DIMS.items():
        if name not in fit.draws or dims[-1] != "draw":
            continue
        flat = fit.draws[name].reshape(-1, fit.n_draws)
        flat = flat[flat.std(axis=1) > 1e-12]
        if len(flat):
            chains = flat.reshape(len(flat), fit.chains, -1).transpose(1, 2, 0)
            worst = max(worst, float(np.max(r_hat(chains))))
    return worst


def thinned(population: Population, keep: int) -> Population:
    """At most this number of draws, evenly spaced."""
    at = np.linspace(0, population.n_draws - 1, min(keep, population.n_draws))
    return take_draws(population, at.round().astype(np.int64))


def _sampled(panel: Panel, setting: Pooling, number: int, way: Way) -> Population:
    plan = SamplingPlan(setting.draws, setting.tune, CHAINS, setting.seed + number, cores=CHAINS)
    refitter = way.refitter(panel)
    # Thousands of shifts would make correlations dear to learn.
    fit = refitter.fit(panel, plan, low_rank=not way.tank_signs)
    population = make_population(
        fit.draws,
        refitter.priors,
        name=way.name,
        kind="fitted",
        evidence_weight=way.weight,
        provenance={"r_hat": f"{worst_r_hat(fit):.4f}", "divergent": str(fit.divergent)},
    )
    return thinned(population, DRAWS)


def fitted(club: PooledClub, setting: Pooling, way: Way, folder: Path, say: Say) -> Population:
    """The population of a way; taken from the folder where it is there already."""
    panel = club.judged if way.judged else club.unjudged
    plan = setting.draws, setting.tune, CHAINS, setting.seed
    key = digest(way.refitter(panel).inputs(panel), plan)
    path = folder / f"{club.number}-{key}.nc"
    found = None
    if path.is_file():
        try:
            found = load_population(path)
        except PopulationError as error:
            say(f"{error}; fitted again")
    if found is None:
        found = _sampled(panel, setting, club.number, way)
        folder.mkdir(parents=True, exist_ok=True)
        save_population(found, path)
        about = ", ".join(f"{k} {v}" for k, v in found.provenance.items())
        say(f"club {club.number + 1}, {way.name}: {about}")
    return replace(found, provenance={**found.provenance, **way.options.provenance()})
