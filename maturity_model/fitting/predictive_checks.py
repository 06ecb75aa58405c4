"""Posterior predictive checks: logbooks drawn from the fit beside the log itself.

Each draw keeps the tanks, dates, looks and what was asked, and draws every answer anew. The
model is run forwards as it is, whatever evidence weight it was fitted with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Bools, Floats
from maturity_model.fitting.design import make_design
from maturity_model.fitting.predictive_draws import NOT_ASKED, Outcomes
from maturity_model.population.priors import Priors

if TYPE_CHECKING:
    from maturity_model.panel import Panel


#: Width in weeks of a bin of age; fewest answers of a bin that is shown.
BIN_WEEKS, MIN_ANSWERS = 8, 5
#: Predictive draws.
DRAWS = 60


@dataclass(frozen=True)
class Check:
    """One statistic of the log, and of logs drawn from the fit.

    Attributes
    ----------
    kind : {'prevalence', 'reading', 'run_length'}
        Share of answers that saw the sign; median reading (canonical unit); mean number of
        answers in a row that saw it.
    item : str
        The sign or analyte.
    week : int or None
        Middle of the bin of age.
    answers : int
        That the statistic rests on.
    observed : float
    low, middle, high : float
        5 %, 50 % and 95 % quantile over predictive draws.
    p : float
        Share of draws below the observed, ties counting half.
    """

    kind: str
    item: str
    week: int | None
    answers: int
    observed: float
    low: float
    middle: float
    high: float
    p: float

    @property
    def outside(self) -> bool:
        """Whether the log lies outside the 90 % interval."""
        return not self.low <= self.observed <= self.high


def _runs(values: Floats) -> float:
    # values (N, C): mean length of runs of 1 among the answers of each tank.
    seen = runs = 0
    for row in values:
        asked = row[row != NOT_ASKED] > 0.5
        seen += int(asked.sum())
        runs += int((asked & ~np.concatenate([[False], asked[:-1]])).sum())
    return seen / runs if runs else 0.0


class _Statistics:
    """What is compared: where it lies in the answers, and how it is reckoned."""

    def __init__(self, outcomes: Outcomes, priors: Priors):
        self.keys: list[tuple[str, str, int | None, int]] = []
        self.cells: list[tuple[int, Bools | None]] = []
        age = np.full(outcomes.values.shape[:2], -1)
        for n, checkins in enumerate(outcomes.checkins):
            started = outcomes.panel.tanks[n].started
            for i, c in enumerate(checkins):
                age[n, i] = (c.date - started).days // 7
        bins = age // BIN_WEEKS
        for q, name in enumerate(outcomes.answers[:-1]):
            sign = name in priors.signs
            asked = outcomes.values[:, :, q] != NOT_ASKED
            for b in range(int(bins.max()) + 1):
                where = asked & (bins == b)
                if where.sum() >= MIN_ANSWERS:
                    kind = "prevalence" if sign else "reading"
                    week = b * BIN_WEEKS + BIN_WEEKS // 2
                    self.keys.append((kind, name, week, int(where.sum())))
                    self.cells.append((q, where))
            if sign and asked.sum() >= MIN_ANSWERS:
                self.keys.append(("run_length", name, None, int(asked.sum())))
                self.cells.append((q, None))

    def of(self, values: Floats) -> Floats:
        out = np.empty(len(self.keys))
        for i, ((kind, *_), (q, where)) in enumerate(zip(self.keys, self.cells, strict=True)):
            if where is None:
                out[i] = _runs(values[:, :, q])
            elif kind == "prevalence":
                out[i] = values[:, :, q][where].mean()
            else:
                out[i] = np.median(values[:, :, q][where])
        return out


def predictive_checks(
    panel: Panel, priors: Priors, posterior: Mapping[str, Floats], seed: int = 1, draws: int = DRAWS
) -> tuple[Check, ...]:
    """Compare the log with logs drawn from the fit.

    Parameters
    ----------
    panel : Panel
        What was fitted.
    priors : Priors
    posterior : mapping of str to ndarray, shape (D, ...)
        Draws of the model's variables, ``pace`` and ``skill`` among them.
    seed, draws : int

    Returns
    -------
    tuple of Check
    """
    outcomes, design = Outcomes.of(panel, priors), make_design(panel, priors)
    statistics = _Statistics(outcomes, priors)
    rng = np.random.default_rng(seed)
    n, g = len(panel.tanks), len(priors.signs)
    absent = {
        "pace": np.zeros(n),
        "skill": np.zeros(len(design.keepers)),
        "persistence": np.zeros(g),
        "tank_sign": np.zeros((n, g)),
    }
    total = len(posterior["log_advance"])
    found = []
    for d in np.linspace(0, total - 1, min(draws, total)).round().astype(int):
        one = absent | {k: v[d] for k, v in posterior.items()}
        found.append(statistics.of(outcomes.draw(one, priors, design, rng)))
    drawn, observed = np.array(found), statistics.of(outcomes.values)
    low, middle, high = np.quantile(drawn, (0.05, 0.5, 0.95), axis=0)
    p = (drawn < observed).mean(axis=0) + 0.5 * (drawn == observed).mean(axis=0)
    return tuple(
        Check(
            *key, float(observed[i]), float(low[i]), float(middle[i]), float(high[i]), float(p[i])
        )
        for i, key in enumerate(statistics.keys)
    )
