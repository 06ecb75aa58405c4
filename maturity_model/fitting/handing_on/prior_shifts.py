"""Shifts of a population's parameters, the same for all its draws.

A shift is a vector in units of the catalogue's prior standard deviations, as if all entries
were independent. In the priors the phases of a sign or a reading share half of their variance,
and all collapses move together. Half the squared length of a shift therefore penalises a
movement common to the phases more than the priors do, and differences between phases less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.population.constants import BASELINE_SD, PERSISTENCE_SD, READING_SD_SD
from maturity_model.population.priors import Priors
from maturity_model.population.types import Population


class ShiftedParameter(NamedTuple):
    """One array of a population that is shifted.

    Attributes
    ----------
    name : str
        Of the population's array.
    sd : ndarray
        Prior standard deviation of each entry, in the shape of the array without its draws;
        0 where an entry is fixed by practice.
    log : bool
        Whether its logarithm is shifted.
    """

    name: str
    sd: Floats
    log: bool = False


class Shifts(NamedTuple):
    """Which parameters are shifted, and how far one unit goes."""

    parts: tuple[ShiftedParameter, ...]

    @property
    def size(self) -> int:
        """Length of the vector."""
        return sum(p.sd.size for p in self.parts)

    def split(self, vector: Floats) -> dict[str, Floats]:
        """Shifts by name, in the parameters' own units."""
        parts = np.split(vector, np.cumsum([p.sd.size for p in self.parts])[:-1])
        return {
            p.name: part.reshape(p.sd.shape) * p.sd
            for p, part in zip(self.parts, parts, strict=True)
        }

    def gradient(self, by_name: Mapping[str, Any]) -> Floats:
        """Gradient on the vector, from gradients by name in the parameters' own units."""
        return np.concatenate([(np.asarray(by_name[p.name]) * p.sd).ravel() for p in self.parts])

    def apply(self, population: Population, vector: Floats) -> Population:
        """Shift a population; the result has the digest of no file."""
        by_name = self.split(vector)
        changed: dict[str, Any] = {}
        for name, _, log in self.parts:
            values, shift = getattr(population, name), by_name[name][..., None]
            changed[name] = values * np.exp(shift) if log else values + shift
        # As in the priors: past sightings never speak against a sign.
        changed["persistence"] = np.maximum(changed["persistence"], 0.0)
        return replace(population, **changed, sha256="")


def catalogue_shifts(priors: Priors) -> Shifts:
    """What judgements may shift: what signs show, what kits read, and how tanks move.

    Not shifted: the evidence weight, skill and ways of looking, and the error rates of judges.
    """
    g, k, a = len(priors.signs), len(priors.phases), len(priors.analytes)

    def in_columns(sd: Floats, n: int) -> Floats:
        return np.repeat(np.asarray(sd, dtype=float)[:, None], n, axis=1)

    leaves = np.arange(k) > 0
    event = in_columns(priors.event_sd, 3) * (priors.event_effect != 0)
    return Shifts(
        (
            ShiftedParameter("sign_logit", in_columns(priors.sign_logit_sd, k)),
            ShiftedParameter("persistence", np.full(g, PERSISTENCE_SD)),
            ShiftedParameter("reading_mean", in_columns(priors.reading_mean_sd, k)),
            ShiftedParameter("reading_sd", np.full((a, k), READING_SD_SD), log=True),
            ShiftedParameter("log_advance", np.asarray(priors.log_advance_sd, dtype=float)),
            ShiftedParameter("log_setback", np.where(leaves, BASELINE_SD, 0.0)),
            ShiftedParameter("log_collapse", np.where(leaves, BASELINE_SD, 0.0)),
            ShiftedParameter("event_advance", event[:, 0]),
            ShiftedParameter("event_setback", event[:, 1]),
            ShiftedParameter("event_collapse", event[:, 2]),
            ShiftedParameter(
                "husbandry", in_columns(priors.husbandry_sd, k) * (priors.husbandry != 0)
            ),
            ShiftedParameter(
                "pace_sd", np.array(priors.pace_sd.sd / priors.pace_sd.mean), log=True
            ),
        )
    )
