"""Many pooled fits of panels of one shape, with a model that is compiled once.

Needs the extra ``fit``, with nutpie. Compiling takes longer than a small fit, so the data
of a compiled model are swapped where that can be done.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.fitting.design import keepers_of, make_design
from maturity_model.fitting.sampling import SamplingPlan, low_rank_adaptation
from maturity_model.fitting.to_population import make_population
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.lab.tasks import digest
from maturity_model.panel import Panel
from maturity_model.population.priors import Priors
from maturity_model.population.tables import (
    judgement_table,
    reading_table,
    sign_table,
    tank_hazards,
)
from maturity_model.population.types import DIMS, OPTIONAL_DIMS

if TYPE_CHECKING:
    from maturity_model.fitting.options import ModelOptions


@dataclass(frozen=True)
class Refit:
    """Draws of one fit.

    ``draws``: what :class:`.types.Population` has draws of, and ``pace`` by tank and ``skill`` by
    keeper on their own scales; chains after one another, draws last; setback and collapse without
    phase 0. ``seconds``: wall time of sampling, without compiling.
    """

    draws: dict[str, Floats]
    chains: int
    divergent: int
    seconds: float

    @property
    def n_draws(self) -> int:
        """Draws of all chains."""
        return int(self.draws["log_advance"].shape[-1])


class Refitter:
    """Fits panels of one catalogue with the same priors, evidence weight and options."""

    def __init__(self, priors: Priors, evidence_weight: float, options: ModelOptions | None = None):
        self.priors, self.evidence_weight, self.options = priors, evidence_weight, options
        self._compiled: dict[Any, Any] = {}

    def inputs(self, panel: Panel) -> str:
        """Digest of everything that the posterior of a panel depends on, versions included."""
        import nutpie

        from maturity_model.fitting.options import ModelOptions
        from maturity_model.fitting.pooled_fit import inputs_digest

        options = self.options or ModelOptions()
        inputs = inputs_digest(panel, self.priors, self.evidence_weight, options)
        return digest(inputs, nutpie.__version__)

    def _model_of(self, panel: Panel) -> Any:
        from maturity_model.fitting.design import graph_data, named
        from maturity_model.fitting.options import ModelOptions

        by_tank = self.options is not None and self.options.tank_signs
        design = make_design(panel, self.priors, by_tank=by_tank)
        # All that the graph holds as constants; the rest is data.
        key = (len(panel.tanks), len(design.keepers))
        if key not in self._compiled:
            self._compiled[key] = self._compile(panel)
        options = self.options or ModelOptions()
        data = named(graph_data(design, self.priors, options.powers(self.evidence_weight)))
        compiled = self._compiled[key]
        used = set(compiled.shared_data)
        if not used <= set(data):
            raise ValueError(f"no data for {', '.join(sorted(used - set(data)))}")
        return compiled.with_data(**{name: data[name] for name in used})

    def _compile(self, panel: Panel) -> Any:
        import nutpie
        import pytensor

        from maturity_model.fitting.model import build_model

        with pytensor.config.change_flags(mode="NUMBA"):
            model = build_model(
                panel, self.priors, evidence_weight=self.evidence_weight, options=self.options
            )
            return nutpie.compile_pymc_model(model)

    def fit(self, panel: Panel, plan: SamplingPlan, *, low_rank: bool = True) -> Refit:
        """Draw the posterior of a panel, ``plan.cores`` chains at a time.

        ``low_rank``: whether the sampler learns correlations.
        """
        import nutpie

        compiled = self._model_of(panel)
        began = time.perf_counter()
        trace = nutpie.sample(
            compiled,
            draws=plan.draws,
            tune=plan.tune,
            chains=plan.chains,
            cores=plan.cores,
            seed=plan.chain_seed(0),
            save_warmup=False,
            progress_bar=False,
            target_accept=plan.target_accept,
            **(low_rank_adaptation() if low_rank else {}),
        )
        seconds = time.perf_counter() - began
        stats, posterior = trace["sample_stats"], trace["posterior"]
        draws = {}
        for name in (*DIMS, *OPTIONAL_DIMS, "pace", "skill"):
            if name not in posterior:
                continue
            values = np.asarray(posterior[name].values, dtype=np.float64)
            flat = values.reshape(-1, *values.shape[2:])
            draws[name] = np.ascontiguousarray(np.moveaxis(flat, 0, -1))
        return Refit(
            draws,
            plan.chains,
            int(np.asarray(stats["diverging"].values).sum()),
            seconds,
        )


def filter_given(
    panel: Panel, n: int, draws: dict[str, Floats], priors: Priors, evidence_weight: float
) -> FilteredMixture:
    """Filter tank n under draws of all parameters, its pace and its keeper's skill included.

    The weekly path's own code and not the fit's; nothing is integrated by quadrature. ``draws`` are
    as in :attr:`Refit.draws`, or one draw of the truth; ``log_likelihood[-1]`` of the result is
    that of tank n given each.
    """
    keeper = keepers_of(panel)[1][n]
    # A spread that is the tank's own pace, and one node at 1, make that pace.
    own = dict(draws, pace_sd=draws["pace"][n], skill_sd=draws["skill"][keeper])
    population = make_population(
        own, priors, name="given", kind="fitted", evidence_weight=evidence_weight
    )
    one = np.ones(1)
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    emission = np.ones((last - first, population.chain.n_states, 1, population.n_draws))
    for kind, table in (
        (panel.signs, sign_table(panel, population, one, evidence_weight)),
        (panel.readings, reading_table(panel, population, evidence_weight)[:, :, None, :]),
        (panel.judgements, judgement_table(panel, population, evidence_weight)[:, :, None, :]),
    ):
        starts, codes = kind.of_rows(first, last)
        for t in range(last - first):
            for code in codes[starts[t] : starts[t + 1]]:
                emission[t] *= table[code]
    initial = np.repeat(population.start[panel.rock[n]][:, None], population.n_draws, axis=1)
    moves = tank_hazards(panel, n, population, one).moves()
    return filter_mixture(population.chain, initial, moves, emission, np.ones((1, 1)))
