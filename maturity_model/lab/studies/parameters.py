"""The parameters that tanks share, one by one: their names, values, and draws of a truth.

True parameters come from :mod:`maturity_model.population.elicit`, which is not the code of the
fitted model's priors.
"""

from __future__ import annotations

import numpy as np

from maturity_model._typing import Bools, Floats
from maturity_model.fitting.design import keepers_of, make_design
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors
from maturity_model.population.types import DIMS, Population

#: Arrays with draws.
DRAWN = tuple(name for name, dims in DIMS.items() if dims[-1] == "draw")


def _labels(priors: Priors, name: str) -> list[tuple[str, ...]]:
    labels = {
        "phase": priors.phases,
        "sign": priors.signs,
        "analyte": priors.analytes,
        "event": priors.events,
        "covariate": priors.covariates,
        "look": priors.looks,
    }
    # Nothing lies below the first phase.
    first = 1 if name in ("log_setback", "log_collapse") else 0
    return [labels[d][first:] for d in DIMS[name][:-1]]


def learned(priors: Priors) -> dict[str, Bools]:
    """Which elements of each shared parameter a fit can learn.

    Effects that the catalogue calls zero stay zero, the memory of an event without effect
    is fixed, and the baselines of a collapse differ by constants only.
    """
    upper = len(priors.phases) - 1
    special = {
        "log_collapse": np.arange(upper) == 0,
        "husbandry": priors.husbandry != 0,
        "event_advance": priors.event_effect[:, 0] != 0,
        "event_setback": priors.event_effect[:, 1] != 0,
        "event_collapse": priors.event_effect[:, 2] != 0,
        "event_memory": (priors.event_effect != 0).any(axis=1),
        "look_effect": priors.look_effect_sd > 0,
    }
    shapes = {name: tuple(map(len, _labels(priors, name))) for name in DRAWN}
    return {name: special.get(name, np.ones(shapes[name], dtype=bool)) for name in DRAWN}


def shared_names(priors: Priors) -> tuple[str, ...]:
    """Names of all learned elements, as ``sign_logit[diatoms, bloom]``."""
    out = []
    for name, on in learned(priors).items():
        labels = _labels(priors, name)
        for index in np.argwhere(on):
            at = ", ".join(labels[axis][i] for axis, i in enumerate(index))
            out.append(f"{name}[{at}]" if at else name)
    return tuple(out)


def shared_values(draws: dict[str, Floats], priors: Priors) -> Floats:
    """All learned elements, shape (Q, D), in the order of :func:`shared_names`."""
    return np.concatenate([draws[name][on] for name, on in learned(priors).items()])


def draws_of(population: Population) -> dict[str, Floats]:
    """The draws of a population, as in :attr:`.refit.Refit.draws` but for pace and skill."""
    draws = {name: getattr(population, name) for name in DRAWN}
    for name in ("log_setback", "log_collapse"):
        draws[name] = draws[name][1:]
    return draws


def draw_truth(panel: Panel, rng: np.random.Generator) -> dict[str, Floats]:
    """One draw of everything, as in :attr:`.refit.Refit.draws`."""
    seed = int(rng.integers(2**31))
    draws = draws_of(elicit_population(panel.catalogue, 1.0, n_draws=1, seed=seed))
    keepers = len(keepers_of(panel)[0])
    draws["pace"] = rng.normal(size=(len(panel.tanks), 1)) * draws["pace_sd"]
    draws["skill"] = rng.normal(size=(keepers, 1)) * draws["skill_sd"]
    return draws


def draw_log(
    panel: Panel, outcomes: Outcomes, priors: Priors, rng: np.random.Generator
) -> tuple[dict[str, Floats], Logbook]:
    """Draw parameters from the priors, and from them what was seen, measured and judged.

    Who looked when, how and at what, events, husbandry and rock are those of the panel.
    """
    truth = draw_truth(panel, rng)
    parameters = {name: values[..., 0] for name, values in truth.items()}
    parameters["tank_sign"] = np.zeros((len(panel.tanks), len(priors.signs)))
    values = outcomes.draw(parameters, priors, make_design(panel, priors), rng)
    return truth, outcomes.to_logbook(values)
