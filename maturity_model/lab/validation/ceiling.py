"""What can be reached at all: boosted trees that were told the true phases of other tanks."""

from __future__ import annotations

import itertools
from typing import Any, NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.lab.validation.features import TankWeeks
from maturity_model.lab.validation.optional import need

#: Folds of tanks; trees, and how fast they learn.
FOLDS, TREES, RATE = 4, 240, 0.06
#: Powers that are tried for the calibration.
POWERS = np.linspace(0.4, 1.6, 25)


class _Columns(NamedTuple):
    """A classifier, and the columns that hold anything in its training rows."""

    model: Any
    on: Ints

    @property
    def classes(self) -> Ints:
        return np.asarray(self.model.classes_, dtype=np.int64)

    def staged(self, x: Floats) -> Any:
        return self.model.staged_predict_proba(x[:, self.on])


class Ceiling(NamedTuple):
    """Boosted trees, one for each fold of training tanks.

    Attributes
    ----------
    models : tuple
        Fitted classifiers and their columns.
    trees : int
        How many trees of each are used.
    power : float
        Power on the stated probabilities: below 1 they were over-sure of held-out tanks.
    phases : int
    """

    models: tuple[_Columns, ...]
    trees: int
    power: float
    phases: int

    def __call__(self, log: TankWeeks) -> Floats:
        """P(phase), shape (N, W, K)."""
        n, w = log.shape
        x = log.matrix().reshape(n * w, -1)
        each = [_sharpened(_after(m, x, self.trees, self.phases), self.power) for m in self.models]
        return np.asarray(np.mean(each, axis=0)).reshape(n, w, self.phases)


def _whole(model: _Columns, p: Floats, phases: int) -> Floats:
    # A phase that no training tank was in has no column.
    out = np.full((len(p), phases), 1e-4)
    out[:, model.classes] = np.maximum(p, 1e-4)
    return np.asarray(out / out.sum(axis=1, keepdims=True))


def _after(model: _Columns, x: Floats, trees: int, phases: int) -> Floats:
    stages = itertools.islice(model.staged(x), trees - 1, trees)
    return _whole(model, np.asarray(next(stages)), phases)


def _sharpened(p: Floats, power: float) -> Floats:
    q = p**power
    return np.asarray(q / q.sum(axis=1, keepdims=True))


def teach_ceiling(log: TankWeeks, truth: Ints, phases: int, seed: int) -> Ceiling:
    """Train on tanks whose true phase is known.

    Tanks are parted into folds. Trees are grown on the others of each fold; how many are
    used, and the power that calibrates them, is what scores best on the tanks left out.

    Parameters
    ----------
    log : TankWeeks
    truth : int ndarray, shape (N, W)
    phases, seed : int

    Raises
    ------
    ValueError
        When there are fewer tanks than folds.
    """
    n = log.shape[0]
    if n < FOLDS:
        raise ValueError(f"{n} tanks cannot be parted into {FOLDS} folds")
    x = log.matrix()
    fold = np.random.default_rng(seed).permutation(n) % FOLDS
    boosted = need("sklearn.ensemble").HistGradientBoostingClassifier
    models, scores = [], np.zeros(TREES)
    left: list[tuple[_Columns, Floats, Ints]] = []
    for f in range(FOLDS):
        inside, outside = fold != f, fold == f
        train, test = (truth >= 0) & inside[:, None], (truth >= 0) & outside[:, None]
        # An event that no tank suffered leaves an empty column.
        on = np.flatnonzero(np.isfinite(x[train]).any(axis=0))
        trees_of_fold = boosted(
            max_iter=TREES,
            learning_rate=RATE,
            max_leaf_nodes=15,
            min_samples_leaf=25,
            l2_regularization=1.0,
            max_features=0.5,
            early_stopping=False,
            random_state=seed,
        )
        trees_of_fold.fit(x[train][:, on], truth[train])
        model = _Columns(trees_of_fold, on)
        models.append(model)
        left.append((model, x[test], truth[test]))
        for i, p in enumerate(model.staged(x[test])):
            whole = _whole(model, p, phases)
            scores[i] += np.log(whole[np.arange(len(whole)), truth[test]]).sum()
    trees = int(np.argmax(scores)) + 1
    held = [(_after(m, a, trees, phases), b) for m, a, b in left]

    def total(power: float) -> float:
        return sum(float(np.log(_sharpened(p, power)[np.arange(len(p)), b]).sum()) for p, b in held)

    power = max(POWERS, key=lambda value: total(float(value)))
    return Ceiling(tuple(models), trees, float(power), phases)
