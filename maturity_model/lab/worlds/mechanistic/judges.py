"""An experienced keeper who names the phase, and is sometimes wrong.

A judge errs towards the neighbouring phases, sticks to what was said last, and is late to
see a change: three ways in which judgements are not independent looks at the truth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from maturity_model.lab.worlds.mechanistic.phases import PHASES

Ints = NDArray[np.int64]

#: Chance of a judgement at a check-in of a judged tank; of repeating the last one, for so
#: many days. E.
AT_CHECKIN, STICKS, STICKS_DAYS = 0.6, 0.4, 28


class Judge:
    """One judge of one tank.

    Parameters
    ----------
    accuracy : float
        Chance that a fresh judgement is right.
    rng : numpy.random.Generator
    """

    def __init__(self, accuracy: float, rng: np.random.Generator):
        self.accuracy, self.rng = accuracy, rng
        self.said, self.day = -1, -1000

    def judge(self, day: int, phases: Ints) -> str:
        """Name the phase on a day, or nothing.

        Parameters
        ----------
        day : int
        phases : int ndarray, shape (D,)
            The true ones.
        """
        rng = self.rng
        if rng.random() >= AT_CHECKIN:
            return ""
        if not (self.said >= 0 and day - self.day <= STICKS_DAYS and rng.random() < STICKS):
            true = int(phases[day])
            self.said = true
            if rng.random() >= self.accuracy:
                beside = [k for k in (true - 1, true + 1) if 0 <= k < len(PHASES)]
                late = int(phases[max(day - 28, 0)])
                self.said = late if late != true else int(rng.choice(beside))
        self.day = day
        return PHASES[self.said]
