"""What the study of identifiability fits: clubs of several sizes, and how they are logged."""

from __future__ import annotations

from typing import NamedTuple

from maturity_model.lab.studies.settings import Identifiability
from maturity_model.lab.worlds.simulate_logbook import Habits
from maturity_model.population.constants import FIT_WEIGHT

#: Tanks at the usual weeks, and weeks at the usual tanks.
SIZES, SPANS, USUAL_TANKS = (5, 10, 20, 40, 80, 160), (13, 26, 52, 104), 40
#: How the clubs are logged; every check-in is judged, until judgements are taken out.
HABITS = Habits(checkin=0.75, sign=0.55, reading=0.3, judged=1.0, events_per_year=0.25)
#: Sizes at which a fifth of the tanks is judged too, and at which long chains are drawn.
JUDGED_SIZES, CHECKED_SIZES = (20, 40), (20, 40)
#: The share of tanks that is judged, at every check-in, is one in this number.
ONE_JUDGED_IN = 5
#: Chains of the check, and how many times as long as the usual one each is.
CHECK_CHAINS, CHECK_LENGTH = 3, 3


class Point(NamedTuple):
    """One size of a club, the evidence weight of its fit, and whether a fifth of it is judged.

    Judgements always count whole.
    """

    tanks: int
    weeks: int
    weight: float = FIT_WEIGHT
    judged: bool = False

    def __str__(self) -> str:
        judged = ", judged" if self.judged else ""
        return f"{self.tanks} tanks, {self.weeks} weeks, weight {self.weight:g}{judged}"


def sizes_of(setting: Identifiability) -> tuple[int, ...]:
    """Tanks of the clubs."""
    return tuple(n for n in SIZES if n <= setting.tanks)


def points(setting: Identifiability) -> tuple[Point, ...]:
    """All that is fitted of each club."""
    sizes, weeks = sizes_of(setting), setting.weeks
    usual = max(n for n in sizes if n <= USUAL_TANKS)
    return (
        *(Point(n, weeks) for n in sizes),
        *(Point(usual, w) for w in SPANS if w <= setting.longest and w != weeks),
        *(Point(n, weeks, judged=True) for n in sizes if n in JUDGED_SIZES),
        *(Point(n, weeks, weight=1.0) for n in sizes),
    )


def checked(setting: Identifiability) -> tuple[Point, ...]:
    """What is fitted of the first club with long chains too."""
    return tuple(Point(n, setting.weeks) for n in sizes_of(setting) if n in CHECKED_SIZES)
