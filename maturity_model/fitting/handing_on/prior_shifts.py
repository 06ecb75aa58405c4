"""Shifts of a population's parameters, the same for all its draws.

A shift is a vector in units of the catalogue's prior standard deviations, each entry by its own
and as if independent. In the priors the phases of a sign or a reading share half their variance,
and collapse is shared whole, so a squared length here charges what is common to the phases more
than they do, and what tells phases apart less.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from maturity_model._typing import Bools, Floats
from maturity_model.population.constants import BASELINE_SD, PERSISTENCE_SD, READING_SD_SD
from maturity_model.population.priors import Priors
from maturity_model.population.types import Population


class Part(NamedTuple):
    """One parameter that is shifted.

    Attributes
    ----------
    name : str
        Of the population's array.
    width : ndarray
        Prior standard deviation of each entry, in the shape of the array without its draws;
        0 where practice holds the entry at nothing.
    log : bool
        Whether its logarithm is shifted.
    """

    name: str
    width: Floats
    log: bool = False


@dataclass(frozen=True)
class Shifts:
    """Which parameters are shifted, and how far one unit goes.

    Attributes
    ----------
    parts : tuple of Part
    """

    parts: tuple[Part, ...]

    @property
    def size(self) -> int:
        """Length of the vector."""
        return sum(part.width.size for part in self.parts)

    def split(self, vector: Floats) -> dict[str, Floats]:
        """Shifts by name, in the parameters' own units."""
        out, at = {}, 0
        for part in self.parts:
            n = part.width.size
            out[part.name] = vector[at : at + n].reshape(part.width.shape) * part.width
            at += n
        return out

    def join(self, slopes: dict[str, Any]) -> Floats:
        """Slopes by name, on shifts in the parameters' own units, as slopes on the vector."""
        return np.concatenate(
            [(np.asarray(slopes[part.name]) * part.width).ravel() for part in self.parts]
        )

    def of(self, population: Population, vector: Floats) -> Population:
        """The shifted population.

        Parameters
        ----------
        population : Population
        vector : ndarray, shape (size,)
        """
        by_name = self.split(vector)
        changed: dict[str, Any] = {}
        for part in self.parts:
            values, shift = getattr(population, part.name), by_name[part.name][..., None]
            changed[part.name] = values * np.exp(shift) if part.log else values + shift
        # As in the priors: past sightings never speak against a sign.
        if "persistence" in changed:
            changed["persistence"] = np.maximum(changed["persistence"], 0.0)
        return replace(population, **changed, sha256="")


def catalogue_shifts(priors: Priors) -> Shifts:
    """What judgements may shift: what signs show, what kits read, and how tanks move.

    Not shifted: the evidence weight, skill and ways of looking, and what judges do.
    """
    g, k, a = len(priors.signs), len(priors.phases), len(priors.analytes)

    def by_phase(width: Floats, n: int) -> Floats:
        return np.repeat(np.asarray(width, dtype=float)[:, None], n, axis=1)

    leaves: Bools = np.arange(k) > 0
    acts = priors.event_effect != 0
    event = by_phase(priors.event_sd, 3) * acts
    return Shifts(
        (
            Part("sign_logit", by_phase(priors.sign_logit_sd, k)),
            Part("persistence", np.full(g, PERSISTENCE_SD)),
            Part("reading_mean", by_phase(priors.reading_mean_sd, k)),
            Part("reading_sd", np.full((a, k), READING_SD_SD), log=True),
            Part("log_advance", np.asarray(priors.log_advance_sd, dtype=float)),
            Part("log_setback", np.where(leaves, BASELINE_SD, 0.0)),
            Part("log_collapse", np.where(leaves, BASELINE_SD, 0.0)),
            Part("event_advance", event[:, 0]),
            Part("event_setback", event[:, 1]),
            Part("event_collapse", event[:, 2]),
            Part("husbandry", by_phase(priors.husbandry_sd, k) * (priors.husbandry != 0)),
            Part("pace_sd", np.array(priors.pace_sd.sd / priors.pace_sd.mean), log=True),
        )
    )
