"""What all tanks of one world share: water, trade and habits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: A tank's chance to never have each of :data:`.tanks.ANIMALS`, before the region's factor.
_NEVER = np.array([0.02, 0.12, 0.10, 0.15, 0.08, 0.25])


@dataclass(frozen=True)
class Region:
    """What all tanks of a world share.

    Attributes
    ----------
    rock : (3,) float ndarray
        Shares of dry, mixed and live rock.
    nitri, nitro, algae, coral : float
        Factors of growth: eaters of ammonia, of nitrite, algae, coralline.
    fauna, arrive : (6,) float ndarray
        Factors by animal: of growth, and of coming as hitch-hikers.
    never : (6,) float ndarray
        Chance that a tank never has an animal.
    never_coral : float
        The same for coralline.
    spores : float
        Factor of coralline spores that come in.
    silicate, tap_no3, tap_po4 : float
        In make-up water, mg/L.
    season : float
        Mean swing of temperature over the year, °C.
    ration, leach, mishap : float
        Factors: food, phosphate that rock gives off, accidents.
    skill, blank, diary : float
        Shifts, in log-odds, of the keepers' eyes, blanks and diaries.
    clubs : int
        Clubs that the keepers are spread over.
    """

    rock: Floats
    nitri: float
    nitro: float
    algae: float
    coral: float
    fauna: Floats
    arrive: Floats
    never: Floats
    never_coral: float
    spores: float
    silicate: float
    tap_no3: float
    tap_po4: float
    season: float
    ration: float
    leach: float
    mishap: float
    skill: float
    blank: float
    diary: float
    clubs: int = 3


def draw_region(seed: int) -> Region:
    """The region of a seed; the order of the draws is part of it."""
    g = np.random.default_rng([seed, 7001])

    def factor(spread: float) -> float:
        return float(np.exp(g.normal(0, spread)))

    return Region(
        rock=g.dirichlet([10, 6, 4]),
        nitri=factor(0.12),
        nitro=factor(0.12),
        algae=factor(0.12),
        coral=factor(0.15),
        fauna=np.exp(g.normal(0, 0.15, 6)),
        arrive=np.exp(g.normal(0, 0.35, 6)),
        never=np.clip(_NEVER * np.exp(g.normal(0, 0.3, 6)), 0, 0.5),
        never_coral=0.04 * factor(0.4),
        spores=factor(0.35),
        silicate=0.25 * factor(0.5),
        tap_no3=1.0 * factor(0.6),
        tap_po4=0.015 * factor(0.5),
        season=g.uniform(0.4, 1.3),
        ration=factor(0.15),
        leach=factor(0.3),
        mishap=factor(0.3),
        skill=g.normal(0, 0.25),
        blank=g.normal(0, 0.3),
        diary=g.normal(0, 0.3),
    )
