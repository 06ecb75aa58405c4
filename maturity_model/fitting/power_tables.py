"""Look-up tables of a panel with a power on the likelihood of each kind of observation."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from maturity_model._typing import Ints
from maturity_model.assessment.filtering import Tables
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.population.tables import judgement_table, reading_table, sign_table

if TYPE_CHECKING:
    from maturity_model.panel import Observations, Panel
    from maturity_model.population.types import Population


class Powers(NamedTuple):
    """Powers on the likelihood by kind of observation; 0 leaves a kind out."""

    signs: float = 1.0
    readings: float = 1.0
    judgements: float = 1.0

    @classmethod
    def of(cls, power: float | Powers) -> Powers:
        """The same power for every kind, unless it is given by kind."""
        return power if isinstance(power, Powers) else cls(power, power, power)


def powers_of_fit(population: Population) -> Powers:
    """Powers that a population was fitted with; that of judgements may differ."""
    w = population.evidence_weight
    return Powers(w, w, float(population.provenance.get("judgement_weight", w)))


def power_tables(
    panel: Panel, population: Population, powers: Powers, nodes: tuple[int, int]
) -> Tables:
    """As :func:`.filtering.make_tables`, with an evidence weight by kind of observation.

    The population's signs stand in the catalogue's order; ``nodes`` are for pace and skill.
    """
    (pace, pace_weight), (skill, skill_weight) = (normal_nodes(n) for n in nodes)
    return Tables(
        panel,
        population,
        powers.signs,
        pace,
        skill,
        np.outer(pace_weight, skill_weight),
        sign_table(panel, population, skill, powers.signs),
        reading_table(panel, population, powers.readings),
        judgement_table(panel, population, powers.judgements),
    )


def weeks_and_codes(panel: Panel, n: int, kind: Observations) -> tuple[Ints, Ints]:
    """Week, from the tank's start, and code of each observation of tank n."""
    starts, code = kind.of_rows(int(panel.first[n]), int(panel.first[n + 1]))
    return np.repeat(np.arange(len(starts) - 1), np.diff(starts)), code


def checkins_by_tank(panel: Panel) -> Ints:
    """Number of weeks with a check-in, shape (N,)."""
    return np.add.reduceat(panel.checked.astype(np.int64), panel.first[:-1])
