"""Four simpler judges of the phase, taught on other tanks of the same world.

Each is taught with the true phases of its training tanks, which is more than a keeper ever
has: they are as good as their idea allows.
"""

from __future__ import annotations

import logging
import warnings
from typing import Any, NamedTuple, Protocol

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.hmm.chain import forward_backward
from maturity_model.lab.studies.baselines import favourable, frequencies
from maturity_model.lab.validation.features import LATELY, TankWeeks
from maturity_model.lab.validation.optional import need

#: Names of the four, in the order of the tables.
BASELINES = ("age", "readings", "checklist", "plain_hmm")
#: States of the plain hidden Markov model that are tried.
PLAIN_STATES = (4, 8)


class Judge(Protocol):
    """Anything that states phases."""

    def __call__(self, log: TankWeeks) -> Floats:
        """P(phase) of each tank-week, shape (N, W, K)."""
        ...


class Taught(NamedTuple):
    """A table of frequencies: P(phase) by cell."""

    kind: str
    table: Floats
    favourable: tuple[str, ...]

    def __call__(self, log: TankWeeks) -> Floats:
        """P(phase), shape (N, W, K)."""
        return self.table[np.minimum(cells(log, self.kind, self.favourable), len(self.table) - 1)]


def cells(log: TankWeeks, kind: str, good: tuple[str, ...]) -> Ints:
    """Cell of a frequency table that each tank-week falls into, shape (N, W).

    Parameters
    ----------
    log : TankWeeks
    kind : {'age', 'readings', 'checklist'}
        Week and kind of rock; ammonia and nitrite found, not found or not measured lately;
        number of favourable signs seen lately.
    good : tuple of str
        The favourable signs.
    """
    w = log.shape[1]
    if kind == "age":
        rocks = 4  # Kinds of rock, unknown among them.
        return np.arange(w)[None, :] * rocks + np.minimum(log.rock, rocks - 1)[:, None]
    if kind == "readings":
        levels = [log.above_zero[:, :, log.analytes.index(a)] for a in ("ammonia", "nitrite")]
        state = [np.where(np.isnan(x), 0, np.nan_to_num(x) + 1).astype(np.int64) for x in levels]
        return np.asarray(3 * state[0] + state[1])
    if kind == "checklist":
        at = [log.signs.index(s) for s in good if s in log.signs]
        seen = log.answer[:, :, at] == 1
        lately = seen.copy()
        for back in range(1, LATELY):
            lately[:, back:] |= seen[:, :-back]
        return np.asarray(lately.sum(axis=2), dtype=np.int64)
    raise ValueError(f"no frequency table is called {kind!r}")


def teach_table(kind: str, log: TankWeeks, truth: Ints, catalogue: Any, phases: int) -> Taught:
    """Frequencies of the phases by cell; see :func:`cells`."""
    good = favourable(catalogue)
    cell, known = cells(log, kind, good), truth >= 0
    hit = truth[known][:, None] == np.arange(phases)
    return Taught(kind, frequencies(cell[known], hit, int(cell.max()) + 1), good)


class PlainHMM(NamedTuple):
    """A hidden Markov model with Gaussian emissions; its states stand for shares of phases.

    Attributes
    ----------
    start : ndarray, shape (H,)
    moves : ndarray, shape (H, H)
    mean, variance : ndarray, shape (H, F)
    phase : ndarray, shape (H, K)
        P(phase | state), from the training tanks.
    centre, scale : ndarray, shape (F,)
    """

    start: Floats
    moves: Floats
    mean: Floats
    variance: Floats
    phase: Floats
    centre: Floats
    scale: Floats

    def states(self, log: TankWeeks) -> Floats:
        """P(state at t | log up to t), shape (N, W, H)."""
        x = (plain_features(log) - self.centre) / self.scale
        x = np.where(np.isfinite(x), x, 0.0)[:, :, None, :]
        square = (x - self.mean) ** 2 / self.variance
        density = -0.5 * (square + np.log(2 * np.pi * self.variance)).sum(axis=3)
        return np.stack([forward_backward(self.start, self.moves, d).filtered for d in density])

    def __call__(self, log: TankWeeks) -> Floats:
        """P(phase), shape (N, W, K)."""
        return np.asarray(self.states(log) @ self.phase)


def plain_features(log: TankWeeks) -> Floats:
    """The last answer and the last reading of everything, as if just given; (N, W, F)."""
    return np.concatenate([log.last, log.reading], axis=2)


def teach_plain_hmm(log: TankWeeks, truth: Ints, phases: int, seed: int) -> PlainHMM:
    """Fit by expectation-maximisation without labels, then give the states their phases.

    Of several numbers of states and starts, the one that judges the training tanks best is
    kept. hmmlearn knows no missing values: a blank repeats what was said last.
    """
    raw = plain_features(log)
    flat = raw.reshape(-1, raw.shape[2])
    with warnings.catch_warnings():
        # A sign that nobody looks for has no mean.
        warnings.simplefilter("ignore", RuntimeWarning)
        centre, scale = np.nanmean(flat, axis=0), np.nanstd(flat, axis=0)
    centre = np.where(np.isfinite(centre), centre, 0.0)
    scale = np.where(np.isfinite(scale) & (scale > 1e-6), scale, 1.0)
    x = (flat - centre) / scale
    x = np.where(np.isfinite(x), x, 0.0)
    lengths = [raw.shape[1]] * raw.shape[0]
    known = truth >= 0
    best: tuple[float, PlainHMM] | None = None
    for n_states in PLAIN_STATES:
        for start in range(2):
            fitted = _expectation_maximisation(x, lengths, n_states, seed + start)
            blank = PlainHMM(*fitted, np.eye(n_states), centre, scale)
            states = blank.states(log)[known]
            counts = np.stack(
                [states[truth[known] == k].sum(axis=0) for k in range(phases)], axis=1
            )
            share = (counts + 1.0 / phases) / (counts + 1.0 / phases).sum(axis=1, keepdims=True)
            said = (states @ share)[np.arange(known.sum()), truth[known]]
            score = float(np.log(np.maximum(said, 1e-12)).mean())
            if best is None or score > best[0]:
                best = score, blank._replace(phase=share)
    assert best is not None
    return best[1]


def _expectation_maximisation(
    x: Floats, lengths: list[int], n_states: int, seed: int
) -> tuple[Floats, Floats, Floats, Floats]:
    model = need("hmmlearn.hmm").GaussianHMM(
        n_components=n_states, covariance_type="diag", n_iter=40, min_covar=1e-2, random_state=seed
    )
    log = logging.getLogger("hmmlearn")
    before = log.level
    # It says so when it has not converged, or finds fewer clusters to start from; the best of
    # several is taken.
    log.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model.fit(x, lengths)
    finally:
        log.setLevel(before)
    variance = np.stack([np.diag(c) for c in model.covars_])
    # A state that was never left, or never begun in, is not impossible elsewhere; one that no
    # week is in has no numbers of its own.
    start, moves = (np.nan_to_num(a) + 1e-6 for a in (model.startprob_, model.transmat_))
    return (
        start / start.sum(),
        moves / moves.sum(axis=1, keepdims=True),
        np.nan_to_num(np.asarray(model.means_)),
        np.maximum(np.nan_to_num(variance, nan=1.0), 1e-2),
    )


def teach(log: TankWeeks, truth: Ints, catalogue: Any, phases: int, seed: int) -> dict[str, Judge]:
    """All four baselines."""
    out: dict[str, Judge] = {
        kind: teach_table(kind, log, truth, catalogue, phases) for kind in BASELINES[:3]
    }
    out["plain_hmm"] = teach_plain_hmm(log, truth, phases, seed)
    return out
