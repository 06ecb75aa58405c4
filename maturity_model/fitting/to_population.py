"""From draws of the model's parameters to a population."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np

from maturity_model._typing import Floats
from maturity_model.population.priors import Priors
from maturity_model.population.types import DIMS, Population


def make_population(
    draws: Mapping[str, Floats],
    priors: Priors,
    *,
    name: str,
    kind: Literal["elicited", "fitted"],
    evidence_weight: float,
    provenance: dict[str, str] | None = None,
) -> Population:
    """Gather draws into a population.

    Parameters
    ----------
    draws : mapping of str to ndarray
        Named as the fields of :class:`.types.Population`, draws last; setback and
        collapse without phase 0. A part that a model leaves out (``pace_sd``,
        ``skill_sd``, ``persistence``, ``sign_tank_sd``) may be missing: nobody differs,
        nothing persists.
    priors : Priors
    name, kind, evidence_weight, provenance
        As in :class:`.types.Population`.

    Returns
    -------
    Population
    """
    n = np.shape(draws["log_advance"])[-1]
    values: dict[str, Any] = {
        "small": priors.small,
        "offset": priors.offset,
        "start": priors.start,
        "pace_sd": np.zeros(n),
        "skill_sd": np.zeros(n),
        "persistence": np.zeros((len(priors.signs), n)),
    }
    for field in DIMS:
        if field in draws:
            values[field] = np.asarray(draws[field], dtype=np.float64)
    for field in ("log_setback", "log_collapse"):
        # Nothing lies below the first phase.
        values[field] = np.concatenate([np.full((1, n), -np.inf), values[field]])
    return Population(
        name=name,
        kind=kind,
        evidence_weight=evidence_weight,
        phases=priors.phases,
        signs=priors.signs,
        analytes=priors.analytes,
        events=priors.events,
        covariates=priors.covariates,
        looks=priors.looks,
        rocks=priors.rocks,
        n_stages=priors.n_stages,
        provenance=provenance or {},
        **{field: values[field] for field in DIMS},
        sign_tank_sd=draws.get("sign_tank_sd"),
    )
