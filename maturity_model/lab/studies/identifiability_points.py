"""What the study of identifiability fits, and what it keeps of each fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from maturity_model._typing import Floats
from maturity_model.population.constants import FIT_WEIGHT

#: Tanks at the usual weeks, and weeks at the usual tanks.
SIZES, SPANS = (5, 10, 20, 40, 80, 160), (13, 26, 52, 104)
USUAL_TANKS, USUAL_WEEKS = 40, 60
#: Chances of a check-in in a week, that it answers a sign and holds a reading; events of each
#: kind in a tank's year.
CHECKIN, SIGN, READING, EVENTS = 0.75, 0.55, 0.3, 0.25
#: Sizes at which a fifth of the tanks is judged too, and at which long chains are drawn.
JUDGED_SIZES, CHECKED_SIZES = (20, 40), (20, 40)
#: One tank in so many is judged, at every check-in.
ONE_JUDGED_IN = 5
#: Chains of the check, each so many times as long as the usual one.
CHECK_CHAINS, CHECK_LENGTH = 3, 3


@dataclass(frozen=True)
class Setting:
    """Sizes of the study.

    Attributes
    ----------
    clubs, seed : int
    tanks : int
        Of the largest club.
    weeks : int
        For which clubs of different sizes are logged.
    longest : int
        Weeks of the longest log.
    draws, tune : int
        Of the one chain of a fit.
    """

    clubs: int = 3
    seed: int = 83
    tanks: int = SIZES[-1]
    weeks: int = USUAL_WEEKS
    longest: int = SPANS[-1]
    draws: int = 300
    tune: int = 300

    @property
    def sizes(self) -> tuple[int, ...]:
        """Tanks of the clubs."""
        return tuple(n for n in SIZES if n <= self.tanks)

    @property
    def usual(self) -> int:
        """Tanks of the clubs that are logged for different numbers of weeks."""
        return max(n for n in self.sizes if n <= USUAL_TANKS)

    def points(self) -> tuple[Point, ...]:
        """All that is fitted of each club."""
        spans = [w for w in SPANS if w <= self.longest]
        out = [Point(n, self.weeks) for n in self.sizes]
        out += [Point(self.usual, w) for w in spans if w != self.weeks]
        out += [Point(n, self.weeks, judged=True) for n in self.sizes if n in JUDGED_SIZES]
        out += [Point(n, self.weeks, weight=1.0) for n in self.sizes]
        return tuple(out)

    def checked(self) -> tuple[Point, ...]:
        """What is fitted of the first club with long chains too."""
        return tuple(Point(n, self.weeks) for n in self.sizes if n in CHECKED_SIZES)


class Point(NamedTuple):
    """One size of a club, and how it is fitted.

    Attributes
    ----------
    tanks, weeks : int
    weight : float
        Evidence weight of the fit; judgements always count whole.
    judged : bool
        Whether a fifth of the tanks is judged.
    """

    tanks: int
    weeks: int
    weight: float = FIT_WEIGHT
    judged: bool = False


class Learned(NamedTuple):
    """What one fit left of the prior.

    Attributes
    ----------
    mean, sd : ndarray, shape (Q,)
        Of the posterior, on the scale of the priors.
    truth : ndarray, shape (Q,)
        That the club was simulated with, on that scale.
    ess : ndarray, shape (Q,)
        Effective draws.
    r_hat : float
        The largest, of halves of the chain or of chains.
    divergent : int
    seconds : float
        Of sampling.
    """

    mean: Floats
    sd: Floats
    truth: Floats
    ess: Floats
    r_hat: float
    divergent: int
    seconds: float


class Found(NamedTuple):
    """All fits.

    Attributes
    ----------
    names : tuple of str
        Q parameters.
    prior_sd : ndarray, shape (Q,)
    fits : dict of Point to list of Learned
        One for each club.
    checks : dict of Point to Learned
        Of long chains, first club.
    """

    names: tuple[str, ...]
    prior_sd: Floats
    fits: dict[Point, list[Learned]]
    checks: dict[Point, Learned]
