"""Which parts the pooled model has."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ModelOptions:
    """Parts of the model that can be left out or added, for comparison.

    Attributes
    ----------
    persistence : bool
        Whether past sightings of a sign change its odds.
    pace : bool
        Whether tanks differ in pace.
    skill : bool
        Whether keepers differ in skill.
    tank_signs : bool
        Whether each tank shifts the log-odds of each sign by an amount of its own,
        normal with a spread by sign, ``sign_tank_sd``.
    signs, readings, judgements : bool
        Which observations count.
    """

    persistence: bool = True
    pace: bool = True
    skill: bool = True
    tank_signs: bool = False
    signs: bool = True
    readings: bool = True
    judgements: bool = True
