"""What a reading is held against: one definition for the weekly path, the fit and the simulators.

Only sums, products and powers of the parameters, so that they may be arrays or tensors.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from maturity_model._typing import Floats


def on_log_scale(codes: np.ndarray, offset: Floats) -> tuple[Floats, Floats, Floats]:
    """Ends of the intervals of distinct readings and the readings before them, as log(x + offset).

    A reading without one before it, which is coded below 0, has that of 0.
    """
    with np.errstate(divide="ignore"):
        low = np.log(np.maximum(codes["low"], 0.0) + offset)
        high = np.log(codes["high"] + offset)
        previous = np.log(np.maximum(codes["previous"], 0.0) + offset)
    # Nothing lies below zero: an interval that begins there begins at -inf.
    return np.where(codes["low"] > 0, low, -np.inf), high, previous


def carried_over(mean: Any, sd: Any, pull: Any, previous: Any) -> tuple[Any, Any]:
    """Mean and sd of a reading, given the reading before and how far that one pulls (0 to 1)."""
    return mean + pull * (previous - mean), sd * (1 - pull**2) ** 0.5


def wide_normal(mean: Any, sd: Any) -> tuple[Any, Any]:
    """Mean and sd of a reading that says nothing of the phase, from those by phase (axis 1)."""
    return mean.mean(axis=1), 2 * sd.max(axis=1)
