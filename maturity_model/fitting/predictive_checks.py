"""Posterior predictive checks: logbooks drawn from the fit beside the log itself.

Each draw keeps the tanks, dates, looks and questions of the log, and draws every answer
again. The model is simulated as it is, whatever evidence weight it was fitted with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Bools, Floats
from maturity_model.fitting.design import absent_parts, make_design
from maturity_model.fitting.predictive_draws import NOT_ASKED, Outcomes
from maturity_model.population.priors import Priors
from maturity_model.population.types import evenly_spaced

if TYPE_CHECKING:
    from maturity_model.panel import Panel

#: Width in weeks of a bin of age; fewest answers of a bin that is shown.
BIN_WEEKS, MIN_ANSWERS = 8, 5
#: Predictive draws.
DRAWS = 60


def mean_run_length(values: Floats) -> float:
    """Mean length of runs of 1 among the answers of each tank; values of shape (N, C)."""
    seen = runs = 0
    for row in values:
        answers = row[row != NOT_ASKED] > 0.5
        seen += int(answers.sum())
        runs += int((answers & ~np.concatenate([[False], answers[:-1]])).sum())
    return seen / runs if runs else 0.0


class _Statistic(NamedTuple):
    check: str
    item: str
    week: int | None
    answers: int
    question: int
    where: Bools  # Answers that count, shape (N, C).

    def compute(self, values: Floats) -> float:
        # Of answers, shape (N, C, Q).
        answers = values[:, :, self.question]
        if self.check == "run_length":
            return mean_run_length(answers)
        summary = np.mean if self.check == "prevalence" else np.median
        return float(summary(answers[self.where]))


def _statistics(outcomes: Outcomes, priors: Priors) -> Iterator[_Statistic]:
    age = np.full(outcomes.values.shape[:2], -1)
    for n, checkins in enumerate(outcomes.checkins):
        started = outcomes.panel.tanks[n].started
        age[n, : len(checkins)] = [(c.date - started).days // 7 for c in checkins]
    bins = age // BIN_WEEKS
    for q, item in enumerate(outcomes.answers[:-1]):
        sign = item in priors.signs
        asked = outcomes.values[:, :, q] != NOT_ASKED
        for b in range(int(bins.max()) + 1):
            where = asked & (bins == b)
            if (n := int(where.sum())) >= MIN_ANSWERS:
                week = b * BIN_WEEKS + BIN_WEEKS // 2
                yield _Statistic("prevalence" if sign else "reading", item, week, n, q, where)
        if sign and (n := int(asked.sum())) >= MIN_ANSWERS:
            yield _Statistic("run_length", item, None, n, q, asked)


def predictive_checks(
    panel: Panel, priors: Priors, posterior: Mapping[str, Floats], seed: int = 1, draws: int = DRAWS
) -> pd.DataFrame:
    """Compare the log with logs drawn from the fit, ``draws`` at most.

    The posterior holds draws of the model's variables, (D, ...), ``pace`` and ``skill`` among them.

    Returns
    -------
    pandas.DataFrame
        A statistic a row. ``check`` is ``prevalence`` (share of answers that saw the sign),
        ``reading`` (median, canonical unit) or ``run_length`` (mean number of answers in a row
        that saw it), of the sign or analyte ``item``; ``week`` is the middle of the bin of age,
        ``answers`` how many it rests on; ``observed`` of the log, ``q05, q50, q95`` over
        predictive draws; ``p`` the share of draws below the observed, ties counting half.
    """
    outcomes, design = Outcomes.of(panel, priors), make_design(panel, priors)
    statistics = list(_statistics(outcomes, priors))
    rng = np.random.default_rng(seed)
    absent = absent_parts(design, priors)
    rows = []
    for d in evenly_spaced(len(posterior["log_advance"]), draws):
        parameters = absent | {k: v[d] for k, v in posterior.items()}
        values = outcomes.draw(parameters, priors, design, rng)
        rows.append([s.compute(values) for s in statistics])
    drawn, observed = np.array(rows), np.array([s.compute(outcomes.values) for s in statistics])
    found = pd.DataFrame([s[:4] for s in statistics], columns=_Statistic._fields[:4])
    found["observed"] = observed
    found[["q05", "q50", "q95"]] = np.quantile(drawn, (0.05, 0.5, 0.95), axis=0).T
    found["p"] = (drawn < observed).mean(axis=0) + 0.5 * (drawn == observed).mean(axis=0)
    return found
