"""From what ranges a world, and the tanks in it, draw their parameters.

A *world* draws one value of each parameter from its range (log-uniform); each *tank* (or
keeper) of that world scatters around it with ``spread`` (standard deviation of the
logarithm). So two seeds are two worlds, and nobody can tune to one. Amounts are mg/L of
nitrogen, phosphorus or silicate (SiO2); rates are per day; covers are shares of the lit
surface; animal densities are shares of what a well fed tank carries.

Marks: ``P`` common practice, no source; ``E`` judgement of the authors, no source; else the
source. Nothing here is fitted to the package's model.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Range(NamedTuple):
    """Least and greatest value over worlds, scatter within one, mark of the source."""

    low: float
    high: float
    spread: float
    source: str


_BERGMANS = "Bergmans 1981 (Tisbe, 0.233 per day; abstract)"
_ADEY = "Adey and Vassar 1975 (margins advance 0.9 to 2.3 mm a month; abstract); E for cover"

#: Of the water, its bacteria, and what feeds them.
WATER: dict[str, Range] = {
    "load": Range(0.07, 0.16, 0.40, "P"),  # nitrogen fed each day once the tank is stocked
    "excreted": Range(0.45, 0.65, 0.10, "E"),  # share that is ammonia within the day
    "mineralised": Range(0.06, 0.14, 0.25, "E"),  # of detritus each day
    "exported": Range(0.03, 0.09, 0.50, "P"),  # of detritus each day, by skimmer and filter
    "first_dose": Range(0.7, 1.8, 0.35, "P"),  # ammonia added to start a dry tank
    "die_off": Range(1.0, 3.0, 0.50, "P"),  # detritus that comes in with live rock
    "ammonia_oxidiser": Range(0.42, 0.58, 0.12, "E"),  # growth; slow in sea water, P
    "nitrite_oxidiser": Range(0.38, 0.54, 0.14, "E"),
    "ammonia_half": Range(0.10, 0.30, 0.15, "E"),
    "nitrite_half": Range(0.10, 0.35, 0.15, "E"),
    "nitrifier_room": Range(1.5, 3.5, 0.25, "E"),  # greatest oxidation each day
    "nitrifier_loss": Range(0.015, 0.035, 0.10, "E"),
    "seed_dry": Range(0.001, 0.005, 0.90, "E"),  # oxidation each day at the start
    "seed_live": Range(0.04, 0.15, 0.60, "E"),
    "denitrified": Range(0.02, 0.06, 0.60, "E"),  # of nitrate each day, with old live rock
    "food_phosphorus": Range(0.11, 0.16, 0.10, "E"),  # phosphorus to nitrogen in food
    "media": Range(0.06, 0.20, 0.60, "P"),  # of phosphate each day, by media and precipitation
    "bound": Range(0.02, 0.08, 0.40, "E"),  # of phosphate each day onto rock and sand
    "tap_silicate": Range(0.10, 1.20, 0.80, "P"),
    "salt_silicate": Range(2.0, 6.0, 0.40, "E"),  # in the first filling
    "tap_nitrate": Range(0.05, 0.6, 0.80, "P"),
}
#: Of algae. Order: diatoms, film, hair, cyanobacteria.
ALGAE: dict[str, Range] = {
    "diatom_growth": Range(0.35, 0.60, 0.15, "Wahl 1989 (within days; abstract); E"),
    "film_growth": Range(0.28, 0.45, 0.20, "E"),
    "hair_growth": Range(0.19, 0.31, 0.25, "P: weeks 4 to 16"),
    "cyano_growth": Range(0.10, 0.20, 0.35, "E"),
    "algae_loss": Range(0.025, 0.045, 0.15, "E"),
    "algae_nitrogen_half": Range(0.15, 0.50, 0.15, "E"),
    "algae_phosphorus_half": Range(0.010, 0.035, 0.20, "E"),
    "silicate_half": Range(0.3, 0.8, 0.20, "E"),
    "silicate_need": Range(3.0, 6.0, 0.20, "E"),  # SiO2 to nitrogen in diatoms
    "algae_nitrogen": Range(0.5, 1.1, 0.20, "E"),  # in full cover
    "light": Range(0.7, 1.0, 0.20, "E"),
    "spores": Range(2e-4, 8e-4, 0.40, "E"),  # cover that settles each day
}
#: Of animals. Order: see :data:`ANIMALS`.
FAUNA: dict[str, Range] = {
    "amphipod_growth": Range(0.11, 0.17, 0.25, "E"),
    "copepod_growth": Range(0.14, 0.23, 0.25, _BERGMANS),
    "spirorbid_growth": Range(0.07, 0.12, 0.30, "E"),
    "sponge_growth": Range(0.05, 0.095, 0.35, "E"),
    "sand_worm_growth": Range(0.08, 0.15, 0.25, "E"),
    "bristle_growth": Range(0.06, 0.11, 0.25, "E"),
    "animal_loss": Range(0.018, 0.032, 0.20, "E"),
    "grazing": Range(0.10, 0.22, 0.25, "E"),  # of film and hair each day, all grazers present
    "snail_grazing": Range(0.03, 0.08, 0.40, "P"),  # of a clean-up crew as usually bought
    "predation": Range(0.01, 0.04, 0.80, "E"),  # of pods each day, by fish that hunt them
    "settling": Range(0.0001, 0.0004, 0.70, "E"),  # density each day, of kinds that arrive
    "inoculum": Range(0.004, 0.02, 0.80, "E"),  # density that one introduction brings
    "coralline_growth": Range(0.034, 0.056, 0.20, _ADEY),
    "coralline_spores": Range(0.0004, 0.0015, 0.70, "E"),  # cover that one introduction brings
    "alkalinity_set": Range(2.5, 3.1, 0.08, "P"),
    "dosing": Range(0.5, 0.95, 0.25, "P"),  # of the alkalinity used, put back by the keeper
}
#: Chances of each kind of thing done or suffered, per tank and year, and their violence.
HAPPENINGS: dict[str, Range] = {
    "overfeeding": Range(0.8, 2.0, 0.60, "E"),
    "crash": Range(0.12, 0.35, 0.40, "E"),
    "livestock_added": Range(2.0, 5.0, 0.50, "P"),
    "deep_clean": Range(0.4, 1.2, 0.70, "E"),
    "sand_disturbed": Range(0.4, 1.2, 0.70, "E"),
    "medication": Range(0.15, 0.5, 0.70, "E"),
    "hidden_death": Range(0.5, 1.5, 0.50, "E"),  # an animal dies unseen and rots
    "hidden_failure": Range(0.05, 0.20, 0.50, "E"),  # heater, pump: never found out
    "neglect": Range(0.10, 0.40, 0.60, "E"),  # a season without care
    "violence": Range(0.8, 1.2, 0.50, "E"),
}
#: Of keepers.
KEEPERS: dict[str, Range] = {
    "weekly": Range(0.60, 0.85, 0.25, "E"),  # chance of a check-in each week
    "answers": Range(0.45, 0.70, 0.30, "E"),  # share of signs answered
    "tests": Range(0.18, 0.40, 0.40, "E"),  # share of check-ins with a given test
    "sharpness": Range(0.7, 1.3, 0.40, "E"),  # relative keenness of eye
    "mistaken": Range(0.02, 0.06, 0.60, "E"),  # chance that something else is taken for a sign
    "copied": Range(0.10, 0.25, 0.50, "E"),  # share of answers copied from the last time
    "reported": Range(0.65, 0.90, 0.15, "E"),  # share of real events that reach the log
    "misdated": Range(0.05, 0.15, 0.30, "E"),
    "worry": Range(0.6, 1.8, 0.60, "E"),  # how much harder one looks when worried
    "kit_error": Range(0.10, 0.22, 0.30, "E"),  # scatter of a test, log scale
    "kit_bias": Range(0.08, 0.20, 0.10, "E"),  # scatter of a keeper's kit, log scale
}
RANGES: Mapping[str, Range] = MappingProxyType(WATER | ALGAE | FAUNA | HAPPENINGS | KEEPERS)
#: Shares, which scattering must not push beyond 1.
SHARES = frozenset(
    "excreted exported dosing weekly answers tests mistaken copied reported misdated".split()
)

ANIMALS = (
    "amphipods", "copepods", "spirorbid_worms", "syconoid_sponges", "sand_worm_tubes",
    "bristle_worms",
)  # fmt: skip
ALGAL = ("diatoms", "film_algae", "hair_algae", "cyanobacteria")
ROCKS = ("dry", "mixed", "live")


class Preset(NamedTuple):
    """A family of worlds.

    Attributes
    ----------
    meaning : str
    scaled : dict of str to float
        Factors on both ends of a range.
    widened : float
        Factor on the width of every range, on the log scale.
    rocks : tuple of float
        Shares of dry, mixed, live rock.
    """

    meaning: str
    scaled: Mapping[str, float] = MappingProxyType({})
    widened: float = 1.0
    rocks: tuple[float, float, float] = (0.5, 0.3, 0.2)


_GROWTH = [n for n in RANGES if n.endswith(("_growth", "_oxidiser"))]

PRESETS: dict[str, Preset] = {
    "typical": Preset("what practice says, with its spread"),
    "slow": Preset(
        "cool tanks and few introductions: everything takes longer",
        dict.fromkeys(_GROWTH, 0.85) | {"inoculum": 0.5, "settling": 0.6},
    ),
    "fast": Preset(
        "warm tanks, much live rock, many introductions",
        dict.fromkeys(_GROWTH, 1.12) | {"inoculum": 2.0},
        rocks=(0.2, 0.3, 0.5),
    ),
    "rough": Preset(
        "heavy hands: more food, more mishaps, fewer of them logged",
        {
            "load": 1.4,
            "overfeeding": 2.0,
            "crash": 2.0,
            "deep_clean": 2.0,
            "sand_disturbed": 2.0,
            "medication": 2.0,
            "hidden_death": 2.0,
            "hidden_failure": 2.0,
            "reported": 0.8,
        },
    ),
    "sparse": Preset(
        "logs with many gaps",
        {"weekly": 0.6, "answers": 0.6, "tests": 0.5, "reported": 0.8},
    ),
    "wide": Preset("every range half as wide again", widened=1.5),
}


def draw(
    preset: Preset,
    n_tanks: int,
    world: np.random.Generator,
    tanks: np.random.Generator,
    scaled: Mapping[str, float],
) -> dict[str, Floats]:
    """Draw a world, and its tanks around it.

    Parameters
    ----------
    preset : Preset
    n_tanks : int
    world, tanks : numpy.random.Generator
        Decide the world's values, and how its tanks scatter around them.
    scaled : mapping of str to float
        Further factors, of broken assumptions.

    Returns
    -------
    dict of str to ndarray, shape (N,)
    """
    out = {}
    for name, (low, high, spread, _) in RANGES.items():
        middle, half = np.log(low * high) / 2, np.log(high / low) / 2 * preset.widened
        centre = middle + half * world.uniform(-1, 1)
        value = np.exp(centre + spread * tanks.normal(size=n_tanks).clip(-2.5, 2.5))
        value *= preset.scaled.get(name, 1.0) * scaled.get(name, 1.0)
        out[name] = np.minimum(value, 0.98) if name in SHARES else value
    return out
