"""A bound on what can be reached: boosted trees trained on the true phases of other tanks."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Floats, Ints

#: Folds of tanks; most trees, and their learning rate.
FOLDS, TREES, RATE = 4, 240, 0.06
#: Powers that are tried to calibrate the probabilities.
POWERS = np.linspace(0.4, 1.6, 25)


class _Classifier(NamedTuple):
    """A fitted classifier, and the columns that hold anything in its training rows."""

    model: Any
    columns: Ints
    phases: int

    def staged(self, x: Floats) -> Iterator[Floats]:
        """P(phase) with 1, 2, ... trees, each of shape (rows, K)."""
        return map(self._floored, self.model.staged_predict_proba(x[:, self.columns]))

    def after(self, trees: int, x: Floats) -> Floats:
        """P(phase) with some of the trees."""
        return next(itertools.islice(self.staged(x), trees - 1, None))

    def _floored(self, p: Floats) -> Floats:
        # A phase that no training tank was in has no class.
        out = np.full((len(p), self.phases), 1e-4)
        out[:, self.model.classes_] = np.maximum(p, 1e-4)
        return np.asarray(out / out.sum(axis=1, keepdims=True))


class Ceiling(NamedTuple):
    """Boosted trees, one classifier for each fold of training tanks, some ``trees`` of each.

    The ``power`` on their probabilities is below 1 if they were overconfident of held-out tanks.
    """

    classifiers: tuple[_Classifier, ...]
    trees: int
    power: float

    def __call__(self, log: pd.DataFrame) -> Floats:
        """P(phase), shape (rows, K)."""
        x = _matrix(log)
        folds = [_powered(c.after(self.trees, x), self.power) for c in self.classifiers]
        return np.asarray(np.mean(folds, axis=0))


def _matrix(log: pd.DataFrame) -> Floats:
    return log.drop(columns="above_zero", level=0).to_numpy()


def _powered(p: Floats, power: float) -> Floats:
    q = p**power
    return np.asarray(q / q.sum(axis=1, keepdims=True))


def _log_score(p: Floats, truth: Ints) -> float:
    return float(np.log(p[np.arange(len(p)), truth]).sum())


def _grow(x: Floats, truth: Ints, phases: int, seed: int) -> _Classifier:
    from sklearn.ensemble import HistGradientBoostingClassifier

    # An event that no tank suffered leaves an empty column.
    columns = np.flatnonzero(np.isfinite(x).any(axis=0))
    model = HistGradientBoostingClassifier(
        max_iter=TREES,
        learning_rate=RATE,
        max_leaf_nodes=15,
        min_samples_leaf=25,
        l2_regularization=1.0,
        max_features=0.5,
        early_stopping=False,
        random_state=seed,
    )
    return _Classifier(model.fit(x[:, columns], truth), columns, phases)


def fit_ceiling(log: pd.DataFrame, truth: Ints, phases: int, seed: int) -> Ceiling:
    """Train on tanks whose true phase is known; ``truth`` is -1 where it is not.

    Trees are grown on all folds of tanks but one; how many are used, and the power that
    calibrates them, score best on the folds held out.
    """
    tanks, weeks = log.index.levshape
    if tanks < FOLDS:
        raise ValueError(f"{tanks} tanks cannot be parted into {FOLDS} folds")
    x, known = _matrix(log), truth >= 0
    fold = np.repeat(np.random.default_rng(seed).permutation(tanks) % FOLDS, weeks)
    classifiers, scores = [], np.zeros(TREES)
    tests = [known & (fold == f) for f in range(FOLDS)]
    for test in tests:
        train = known & ~test
        classifiers.append(_grow(x[train], truth[train], phases, seed))
        scores += [_log_score(p, truth[test]) for p in classifiers[-1].staged(x[test])]
    trees = int(np.argmax(scores)) + 1
    held_out = [
        (c.after(trees, x[test]), truth[test]) for c, test in zip(classifiers, tests, strict=True)
    ]
    power = max(POWERS, key=lambda w: sum(_log_score(_powered(p, w), t) for p, t in held_out))
    return Ceiling(tuple(classifiers), trees, float(power))
