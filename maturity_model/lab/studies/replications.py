"""Replications: parameters drawn from the priors, answers drawn for a club, the club fitted.

Who looked when, how and at what, events, husbandry and rock are those of one simulated club and
stay the same; what was seen, measured and judged is drawn again in each replication. At an
evidence weight of 1 the ranks of the true parameters among posterior draws are then uniform
(Talts et al. 2018, arXiv:1804.06788), if the fit is right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model._typing import Floats
from maturity_model.catalogue import Catalogue, load_catalogue
from maturity_model.fitting.convergence import ess_bulk
from maturity_model.fitting.predictive_draws import Outcomes
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.lab.studies.parameters import draw_log, shared_names, shared_values
from maturity_model.lab.studies.refit import Refitter, filter_given
from maturity_model.lab.tasks import Say, run_tasks, silent
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.types import take_draws

#: Test quantities that are not shared parameters: the log-likelihood of the whole log,
#: which a fit that neglects its data gets wrong (Modrák et al. 2023, arXiv:2211.02383),
#: and pace and skill of the first tank.
OTHERS = ("log_likelihood", "pace[first tank]", "skill[first tank]")
#: Columns of a replication before its ranks: ``least_ess`` is that of the shared parameters,
#: from the draws before thinning, ``seconds`` the wall time of sampling.
ABOUT = ("replication", "divergent", "least_ess", "seconds")
#: How ``ranks.csv`` is written.
RANKS_CSV = {"least_ess": "{:.0f}", "seconds": "{:.2f}"}


@dataclass(frozen=True)
class Design:
    """One club, with ``habits`` and two tanks to a keeper, and how it is fitted.

    ``ranks`` are possible: one more than the draws kept of the one chain of ``draws`` after
    ``tune``. The ``seed`` is that of design, truth, answers and chains.
    """

    tanks: int
    seed: int
    habits: Habits
    ranks: int = 100
    draws: int = 400
    tune: int = 300


def design_club(tanks: int, seed: int, habits: Habits, catalogue: Catalogue) -> Panel:
    """A club of two tanks to a keeper, whose answers are to be drawn again."""
    population = elicit_population(catalogue, 1.0, n_draws=2, seed=seed)
    first = take_draws(population, np.zeros(1, np.int64))
    rng = np.random.default_rng([seed, 0])
    book = simulate_logbook(first, catalogue, tanks, rng, habits).logbook
    keepers = {
        name: replace(tank, keeper=f"keeper-{i // 2}")
        for i, (name, tank) in enumerate(book.tanks.items())
    }
    return build_panel(replace(book, tanks=keepers), catalogue)


def log_likelihood(panel: Panel, draws: dict[str, Floats], priors: Priors) -> Floats:
    """Of the whole log under each draw, shape (D,); the weekly path's code."""
    tanks = range(len(panel.tanks))
    each = [filter_given(panel, n, draws, priors, 1.0).log_likelihood[-1] for n in tanks]
    return np.asarray(np.sum(each, axis=0))


def thin(draws: dict[str, Floats], keep: int) -> dict[str, Floats]:
    """Evenly spaced draws."""
    n = draws["log_advance"].shape[-1]
    if n < keep:
        raise ValueError(f"{n} draws cannot be thinned to {keep}")
    index = np.linspace(0, n - 1, keep).round().astype(np.int64)
    return {name: np.ascontiguousarray(values[..., index]) for name, values in draws.items()}


class Replicator:
    """Runs the replications of a design; each depends on the design and its number only."""

    def __init__(self, design: Design):
        self.design = design
        self.catalogue = load_catalogue()
        self.priors = priors_from_catalogue(self.catalogue)
        self.panel = design_club(design.tanks, design.seed, design.habits, self.catalogue)
        self.outcomes = Outcomes.of(self.panel, self.priors)
        self.refitter = Refitter(self.priors, 1.0)
        self.names = (*shared_names(self.priors), *OTHERS)

    def simulate(self, i: int) -> tuple[dict[str, Floats], Panel]:
        """Truth and log of replication i."""
        rng = np.random.default_rng([self.design.seed, 1, i])
        truth, logbook = draw_log(self.panel, self.outcomes, self.priors, rng)
        return truth, build_panel(logbook, self.catalogue, self.panel.as_of)

    def run(self, i: int) -> pd.DataFrame:
        """Simulate, fit and rank replication i: one row, :data:`ABOUT` and the ranks.

        A rank is the number of draws below the truth.
        """
        design = self.design
        truth, panel = self.simulate(i)
        seed = int(np.random.SeedSequence([design.seed, 2, i]).generate_state(1)[0])
        plan = SamplingPlan(design.draws, design.tune, chains=1, seed=seed, cores=1)
        fit = self.refitter.fit(panel, plan)
        every = shared_values(fit.draws, self.priors)
        quantities = []
        for draws in (thin(fit.draws, design.ranks - 1), truth):
            likelihood = log_likelihood(panel, draws, self.priors)
            others = np.stack([likelihood, draws["pace"][0], draws["skill"][0]])
            quantities.append(np.concatenate([shared_values(draws, self.priors), others]))
        ranks = (quantities[0] < quantities[1]).sum(axis=1)
        least = float(np.min(ess_bulk(every.T[None])))
        about = dict(zip(ABOUT, (i, fit.divergent, least, fit.seconds), strict=True))
        return pd.DataFrame([{**about, **dict(zip(self.names, ranks.tolist(), strict=True))}])


@cache
def _replicator(design: Design) -> Replicator:
    return Replicator(design)


def _replication(design: Design, i: int) -> pd.DataFrame:
    # A process makes and compiles its model once.
    return _replicator(design).run(i)


def replicate(
    design: Design, n: int, work: Path | None = None, processes: int = 1, say: Say = silent
) -> pd.DataFrame:
    """Run replications 0..n-1; those in the folder are taken up, and each is kept at once.

    A row for each: :data:`ABOUT`, and the rank of each parameter and of :data:`OTHERS`.
    """
    tasks = {f"replication {i}": (design, i) for i in range(n)}
    replicator = _replicator(design)
    key = replicator.refitter.inputs(replicator.panel)
    rows = run_tasks(_replication, tasks, folder=work, key=key, processes=processes, say=say)
    return pd.concat(rows.values(), ignore_index=True)


def read(folder: Path) -> pd.DataFrame:
    """The replications that ``ranks.csv`` holds."""
    return pd.read_csv(folder / "ranks.csv")


def ranks_of(rows: pd.DataFrame, *, others: bool) -> pd.DataFrame:
    """The ranks alone, a column for each parameter, with or without :data:`OTHERS`."""
    return rows.drop(columns=[*ABOUT, *(() if others else OTHERS)])
