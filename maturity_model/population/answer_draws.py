"""Draw a tank's path, and what an observer answers, from a population of one draw.

An answer depends on those before it: what was seen is seen again, a reading is carried over, a
judgement repeated. :mod:`.tables` holds the same model as likelihoods.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.panel import BALANCE_HALF_LIFE, PREVIOUS_WEEKS, balance_level
from maturity_model.population.judgements import confusion
from maturity_model.population.readings import carried_over, wide_normal
from maturity_model.population.types import Population


def draw_path(start: Floats, matrices: Floats, rng: np.random.Generator) -> Ints:
    """Draw the states of T weeks, shape (T,), from transition matrices, (T-1, S, S)."""
    path = np.empty(len(matrices) + 1, dtype=np.int64)
    path[0] = rng.choice(len(start), p=start)
    for t, matrix in enumerate(matrices):
        # The last bin takes what rounding leaves below 1.
        at = np.searchsorted(np.cumsum(matrix[path[t]]), rng.random())
        path[t + 1] = min(int(at), len(start) - 1)
    return path


class AnswerDraws:
    """The answers about one tank, drawn in order.

    Attributes
    ----------
    logit : ndarray, shape (G, S)
        Log-odds of seeing each sign at a careful look, by state.
    mean, sd : ndarray, shape (A, S)
        Of log(reading + offset).
    """

    def __init__(self, population: Population, rng: np.random.Generator):
        gradual = population.chain.gradual()
        self.population, self.rng = population, rng
        self.logit = population.sign_logit[:, :, 0] @ gradual.T
        self.mean = population.reading_mean[:, :, 0] @ gradual.T
        self.sd = population.reading_sd[:, :, 0] @ gradual.T
        self._balance: dict[int, tuple[float, dt.date]] = {}
        self._previous: dict[int, tuple[float, dt.date]] = {}
        self._judged: tuple[int, dt.date] | None = None

    def _balance_on(self, g: int, day: dt.date) -> float:
        total, last = self._balance.get(g, (0.0, day))
        return float(total * 2.0 ** (-(day - last).days / BALANCE_HALF_LIFE))

    def sign(self, g: int, day: dt.date, look: int, state: int) -> bool:
        """Draw whether sign g is seen."""
        pop = self.population
        logit = self.logit[g, state]
        logit = logit + balance_level(self._balance_on(g, day)) * pop.persistence[g, 0]
        logit += pop.small[g] * pop.look_effect[look, 0]
        return bool(self.rng.random() < 1 / (1 + np.exp(-logit)))

    def note_sign(self, g: int, day: dt.date, seen: bool) -> None:
        """Remember an answer for those after it."""
        self._balance[g] = (self._balance_on(g, day) + (1.0 if seen else -1.0), day)

    def reading(self, a: int, day: dt.date, state: int) -> float:
        """Draw the value of analyte a that a kit is held against, at least 0."""
        pop, offset = self.population, self.population.offset[a]
        mean, sd = self.mean[a, state], self.sd[a, state]
        if self.rng.random() < pop.outlier[0]:
            mean, sd = (x[a, 0] for x in wide_normal(pop.reading_mean, pop.reading_sd))
        elif a in self._previous:
            last, before = self._previous[a]
            gap = max((day - before).days / 7.0, 1.0)
            if gap <= PREVIOUS_WEEKS:
                pull = pop.carry[a, 0] ** gap
                mean, sd = carried_over(mean, sd, pull, np.log(last + offset))
        return max(float(np.exp(self.rng.normal(mean, sd)) - offset), 0.0)

    def note_reading(self, a: int, day: dt.date, value: float) -> None:
        """Remember the value that was written down."""
        self._previous[a] = (value, day)

    def judgement(self, day: dt.date, state: int) -> int:
        """Draw the phase that a judge names."""
        pop, before = self.population, self._judged
        recent = before is not None and (day - before[1]).days <= 7 * PREVIOUS_WEEKS
        if before is not None and recent and self.rng.random() < pop.judge_repeat[0]:
            named = before[0]
        else:
            k, phase = len(pop.phases), state // pop.n_stages
            p = confusion(pop.judge_accuracy[0], k)[phase, :, 0]
            named = int(self.rng.choice(k, p=p))
        self._judged = (named, day)
        return named
