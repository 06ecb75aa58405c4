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

    Draws are named as the fields of :class:`.types.Population`, draws last; setback and collapse
    without phase 0. A part that a model leaves out (``pace_sd``, ``skill_sd``, ``persistence``,
    ``sign_tank_sd``) may be missing: nobody differs, nothing persists.
    """
    n = np.shape(draws["log_advance"])[-1]
    values: dict[str, Any] = {
        "pace_sd": np.zeros(n),
        "skill_sd": np.zeros(n),
        "persistence": np.zeros((len(priors.signs), n)),
    }
    values |= {f: np.asarray(draws[f], dtype=np.float64) for f in DIMS if f in draws}
    for field in ("log_setback", "log_collapse"):
        # Nothing lies below the first phase.
        values[field] = np.concatenate([np.full((1, n), -np.inf), values[field]])
    return Population(
        name=name,
        kind=kind,
        evidence_weight=evidence_weight,
        provenance=provenance or {},
        **priors.of_population(),
        **values,
        sign_tank_sd=draws.get("sign_tank_sd"),
    )
