"""Reference forecasts of the phase, trained on other tanks of the same world.

They are trained on true phases, more than a keeper ever has: each is as good as its idea allows.
"""

from __future__ import annotations

import logging
import warnings
from itertools import pairwise
from typing import Any, NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from maturity_model._typing import Floats, Ints
from maturity_model.catalogue import Catalogue
from maturity_model.hmm.chain import forward_backward
from maturity_model.lab.validation.features import RECENT, weeks_since

#: Frequency tables, see :func:`cells`.
TABLES = ("age", "readings", "checklist")
#: Numbers of states of the plain hidden Markov model that are tried.
PLAIN_STATES = (4, 8)
#: Kinds of rock, unknown among them.
ROCKS = 4


def favourable(catalogue: Catalogue) -> tuple[str, ...]:
    """Signs whose chance of being seen never falls from one phase to the next."""
    return tuple(
        s.name
        for s in catalogue.signs.values()
        if all(a.value <= b.value for a, b in pairwise(s.detection))
    )


def frequencies(cells: Ints, happened: NDArray[Any], n_cells: int) -> Floats:
    """Share of tank-weeks of each cell in which each outcome happened, shape (n_cells, M).

    As if one more tank-week like the average of all had been seen in each cell.
    """
    count = np.bincount(cells, minlength=n_cells)
    hits = np.stack([np.bincount(cells, h, minlength=n_cells) for h in happened.T], axis=1)
    return np.asarray((hits + happened.mean(axis=0)) / (count[:, None] + 1.0))


class PhaseForecaster(Protocol):
    """Anything that forecasts phases from a log."""

    def __call__(self, log: pd.DataFrame) -> Floats:
        """P(phase) of each row of :func:`.features.log_features`, shape (rows, K)."""


def cells(log: pd.DataFrame, table: str, favourable_signs: tuple[str, ...] = ()) -> Ints:
    """Cell of a frequency table that each row of :func:`.features.log_features` falls into.

    ``age``: week and kind of rock. ``readings``: ammonia and nitrite found, not found or not
    measured recently. ``checklist``: number of favourable signs seen recently.
    """
    if table == "age":
        rock = log["rock", ""].clip(upper=ROCKS - 1)
        return (log["age", ""] * ROCKS + rock).to_numpy(dtype=np.int64)
    if table == "readings":
        state = (log["above_zero"][["ammonia", "nitrite"]] + 1).fillna(0)
        return (3 * state["ammonia"] + state["nitrite"]).to_numpy(dtype=np.int64)
    if table == "checklist":
        answer = log["answer"][[s for s in favourable_signs if s in log["answer"]]]
        seen = weeks_since(answer.where(answer == 1)) < RECENT
        return seen.sum(axis=1).to_numpy(dtype=np.int64)
    raise ValueError(f"no frequency table is called {table!r}")


class FrequencyTable(NamedTuple):
    """Share of the training tank-weeks of a cell in each phase, shape (cells, K)."""

    table: str
    share: Floats
    favourable_signs: tuple[str, ...]

    def __call__(self, log: pd.DataFrame) -> Floats:
        """P(phase), shape (rows, K)."""
        cell = cells(log, self.table, self.favourable_signs)
        return self.share[np.minimum(cell, len(self.share) - 1)]


def fit_table(
    table: str, log: pd.DataFrame, truth: Ints, catalogue: Catalogue, phases: int
) -> FrequencyTable:
    """Count the phases of the training tanks in each cell; ``truth`` is -1 where not known."""
    signs = favourable(catalogue)
    cell, known = cells(log, table, signs), truth >= 0
    hit = truth[known][:, None] == np.arange(phases)
    return FrequencyTable(table, frequencies(cell[known], hit, int(cell.max()) + 1), signs)


def standardize(log: pd.DataFrame, centre: Floats, scale: Floats) -> Floats:
    """Last answers and readings in standard deviations, 0 where there is none, (rows, F)."""
    x = (log[["last", "reading"]].to_numpy() - centre) / scale
    return np.where(np.isfinite(x), x, 0.0)


class PlainHMM(NamedTuple):
    """A hidden Markov model with Gaussian emissions whose states stand for shares of phases.

    Of H states and F features, which are standardised by ``centre`` and ``scale``; ``phase``, shape
    (H, K), is P(phase | state), from the training tanks.
    """

    start: Floats
    transition: Floats
    mean: Floats
    variance: Floats
    phase: Floats
    centre: Floats
    scale: Floats

    def states(self, log: pd.DataFrame) -> Floats:
        """P(state at t | log up to t), shape (rows, H)."""
        x = standardize(log, self.centre, self.scale)[:, None, :]
        square = (x - self.mean) ** 2 / self.variance
        density = -0.5 * (square + np.log(2 * np.pi * self.variance)).sum(axis=2)
        by_tank = np.split(density, log.index.levshape[0])
        filtered = [forward_backward(self.start, self.transition, d).filtered for d in by_tank]
        return np.concatenate(filtered)

    def __call__(self, log: pd.DataFrame) -> Floats:
        """P(phase), shape (rows, K)."""
        return np.asarray(self.states(log) @ self.phase)


def fit_plain_hmm(log: pd.DataFrame, truth: Ints, phases: int, seed: int) -> PlainHMM:
    """Fit by expectation-maximisation without labels, then give each state its phases.

    Of several numbers of states and starts, the one that forecasts the training tanks best
    is kept. hmmlearn knows no missing values: a blank repeats the last answer.
    """
    raw = log[["last", "reading"]]
    # A sign that nobody looks for has no mean.
    centre, scale = raw.mean().fillna(0.0).to_numpy(), raw.std(ddof=0).fillna(1.0).to_numpy()
    scale = np.where(scale > 1e-6, scale, 1.0)
    tanks, weeks = log.index.levshape
    x, known = standardize(log, centre, scale), truth >= 0
    best: tuple[float, PlainHMM] | None = None
    for n_states in PLAIN_STATES:
        for start in range(2):
            fitted = _expectation_maximisation(x, [weeks] * tanks, n_states, seed + start)
            blank = PlainHMM(*fitted, np.eye(n_states), centre, scale)
            states = blank.states(log)[known]
            hit = truth[known][:, None] == np.arange(phases)
            counts = states.T @ hit + 1.0 / phases
            share = counts / counts.sum(axis=1, keepdims=True)
            score = float(np.log(np.maximum((states @ share)[hit], 1e-12)).mean())
            if best is None or score > best[0]:
                best = score, blank._replace(phase=share)
    assert best is not None
    return best[1]


def _expectation_maximisation(
    x: Floats, lengths: list[int], n_states: int, seed: int
) -> tuple[Floats, Floats, Floats, Floats]:
    # Start, transition, mean and variance.
    from hmmlearn.hmm import GaussianHMM

    model = GaussianHMM(
        n_components=n_states, covariance_type="diag", n_iter=40, min_covar=1e-2, random_state=seed
    )
    log = logging.getLogger("hmmlearn")
    before = log.level
    # hmmlearn logs non-convergence and empty clusters; harmless, the best of several is kept.
    log.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.fit(x, lengths)
    finally:
        log.setLevel(before)
    variance = np.stack([np.diag(c) for c in model.covars_])
    # A state that was never left, or never begun in, is not impossible elsewhere; a state
    # without weeks has no mean or variance.
    start, transition = (np.nan_to_num(a) + 1e-6 for a in (model.startprob_, model.transmat_))
    return (
        start / start.sum(),
        transition / transition.sum(axis=1, keepdims=True),
        np.nan_to_num(np.asarray(model.means_)),
        np.maximum(np.nan_to_num(variance, nan=1.0), 1e-2),
    )


def fit_baselines(
    log: pd.DataFrame, truth: Ints, catalogue: Catalogue, phases: int, seed: int
) -> dict[str, PhaseForecaster]:
    """Fit all baselines; see :data:`.forecasters.BASELINES`."""
    out: dict[str, PhaseForecaster] = {
        table: fit_table(table, log, truth, catalogue, phases) for table in TABLES
    }
    return out | {"plain_hmm": fit_plain_hmm(log, truth, phases, seed)}
