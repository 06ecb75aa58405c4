"""How people judge phases: the one definition for the weekly path, the fit and the simulators.

A judge names the true phase with a given accuracy, otherwise another, halving with each phase of
distance; or, with a given chance, repeats the last judgement without looking.

Only sums and products of the parameters, so that they may be numbers, arrays of draws, or
scalars of a PyTensor graph.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def confusion(accuracy: Any, n_phases: int) -> Any:
    """P(a judge who looks names the phase | true phase).

    Parameters
    ----------
    accuracy : float, ndarray of shape (D,), or scalar tensor
    n_phases : int

    Returns
    -------
    ndarray or tensor, shape (K, K, D)
        By true phase, and by the one named; D is 1 for a single accuracy.
    """
    distance = np.abs(np.arange(n_phases)[:, None] - np.arange(n_phases))
    wrong = np.where(distance > 0, 0.5**distance, 0.0)
    wrong /= wrong.sum(axis=1, keepdims=True)
    return np.eye(n_phases)[:, :, None] * accuracy + wrong[:, :, None] * (1 - accuracy)


def judgement_probabilities(accuracy: Any, repeat: Any, n_phases: int) -> Any:
    """P(phase named | phase named before, true phase).

    Parameters
    ----------
    accuracy, repeat : float, ndarray of shape (D,), or scalar tensor
        Of naming the true phase when looking; of repeating the judgement before.
    n_phases : int

    Returns
    -------
    ndarray or tensor, shape (K + 1, K, K, D)
        By the phase named before (first: none), phase named, and true phase.
    """
    before = np.arange(-1, n_phases)[:, None, None, None]
    same = before == np.arange(n_phases)[:, None, None]
    repeated = (before >= 0) * repeat
    looked = confusion(accuracy, n_phases).swapaxes(0, 1)[None]
    return repeated * same + (1 - repeated) * looked
