"""Fits that cost nothing, for tests of what studies make of fits."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def prior_fits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Let every fit give draws of the prior; evidence weights of the fits so far."""
    from maturity_model.fitting.sampling import SamplingPlan
    from maturity_model.lab.studies.parameters import draw_truth
    from maturity_model.lab.studies.refit import Refit, Refitter
    from maturity_model.panel import Panel

    weights: list[float] = []

    def fit(self: Refitter, panel: Panel, plan: SamplingPlan, *, low_rank: bool = True) -> Refit:
        weights.append(self.evidence_weight)
        rng = np.random.default_rng(plan.seed)
        each = [draw_truth(panel, rng) for _ in range(48)]
        draws = {k: np.concatenate([one[k] for one in each], axis=-1) for k in each[0]}
        return Refit(draws, plan.chains, 0, 1.0)

    monkeypatch.setattr(Refitter, "fit", fit)
    return weights
