"""One filtered tank, as the questions about its present and future need it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.logbook import Event
from maturity_model.panel import Panel
from maturity_model.population.tables import Hazards
from maturity_model.population.types import Population


@dataclass(frozen=True)
class Present:
    """Tank ``n`` of a panel after filtering.

    Attributes
    ----------
    panel : Panel
    n : int
    mixture : FilteredMixture
    hazards : Hazards
    pace : ndarray, shape (P,)
        Pace nodes, in standard deviations.
    """

    panel: Panel
    n: int
    mixture: FilteredMixture
    hazards: Hazards
    pace: Floats

    @property
    def population(self) -> Population:
        """The population, its signs in the catalogue's order."""
        return self.hazards.population

    @property
    def events(self) -> tuple[Event, ...]:
        """The tank's events up to the day of the panel, by date."""
        return self.panel.events_by_tank.get(self.panel.tanks[self.n].name, ())

    @property
    def weeks(self) -> int:
        """T, weeks since the start, the present one included."""
        return len(self.hazards.advance)

    @property
    def weight(self) -> Floats:
        """P(draw | log), shape (D,)."""
        return self.mixture.draw_weight[-1]

    @property
    def node_weight(self) -> Floats:
        """P(node | log, draw), shape (P, Q, D)."""
        return np.ascontiguousarray(self.mixture.node_weight[:, :, -1])

    @property
    def phases(self) -> Floats:
        """P(phase now | log, draw), shape (K, D)."""
        return self.mixture.chain.by_phase(self.mixture.states[-1], axis=0)

    @property
    def phase(self) -> int:
        """The most probable phase now."""
        return int(np.argmax(self.phases @ self.weight))

    def can_happen(self, event: str) -> bool:
        """Whether a kind of event can happen to the tank: sand that is not there stays at rest."""
        needs = self.panel.catalogue.events[event].needs
        return self.panel.tanks[self.n].can_have(needs)

    def states_by_pace(self) -> Floats:
        """P(pace node, state now | log, draw), shape (P, S, D)."""
        weight, states = self.mixture.node_weight[:, :, -1], self.mixture.filtered[:, :, -1]
        return np.ascontiguousarray(np.einsum("pqd,pqsd->psd", weight, states))
