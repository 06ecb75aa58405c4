"""Where a world lies: the ranges of each preset, and one draw from them.

Every range is common practice or a guess at it, with no source, save where a comment names
one. A world is a region with its own water, shops and habits: ``seed`` draws one value of
each, and all tanks of all batches of that world share it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

PRESETS: dict[str, str] = {
    "usual": "clubs as they usually are",
    "slowburn": "cool water, dry rock, few animals",
    "busy": "many animals, heavy feeding, more accidents",
}

#: Lowest and highest value; drawn evenly on the log scale.
_USUAL: dict[str, tuple[float, float]] = {
    # Nitrifiers, per day at 25 degrees; in sea water they are slow starters.
    "ammonia_oxidiser_growth": (0.26, 0.38),
    "nitrite_oxidiser_growth": (0.20, 0.29),
    "nitrifier_decay": (0.015, 0.025),
    "nitrifier_room": (1.6, 3.0),  # mg N/L/day that the surfaces can hold
    "remineralisation": (0.10, 0.22),
    "denitrification": (0.03, 0.10),
    # Settlers of the hard surface, per day.
    "slime": (0.10, 0.22),
    "diatom": (0.40, 0.60),
    "film": (0.20, 0.32),
    "hair": (0.14, 0.22),
    "cyano": (0.50, 0.75),
    "ripening": (0.6, 1.1),
    # Margins of coralline crusts, mm a day: 0.9 to 2.3 mm a month (Adey & Vassar 1975).
    "margin": (0.030, 0.077),
    "spores": (1.2, 2.8),
    # Small animals: factors on how fast they breed and how often they come along.
    "breeding": (0.8, 1.2),
    "hitch_hiking": (0.7, 1.4),
    "appetite": (0.7, 1.3),
    # Set-up.
    "dry_share": (0.35, 0.55),
    "live_share": (0.15, 0.30),
    "silicate": (0.8, 2.4),  # mg Si/L in a new tank
    "leaching": (0.6, 1.6),
    "warmth": (24.6, 25.8),
    "animals_per_100_l": (2.2, 3.6),
    "ration": (0.035, 0.055),  # mg N/L/day for one animal in 100 L
    "change_interval": (8.0, 16.0),
    "change_percent": (10.0, 18.0),
    "light": (0.85, 1.15),
    # Accidents, a year.
    "crashes": (0.35, 0.65),
    "overfeedings": (1.5, 4.0),
    "deep_cleans": (0.3, 0.9),
    "sand_stirrings": (0.4, 1.2),
    "medications": (0.25, 0.55),
    # Keepers.
    "diligence": (0.80, 0.92),  # chance of a check-in in an ordinary week
    "logging": (0.65, 0.90),
    "sharpness": (0.8, 1.3),
    "copying": (0.04, 0.12),
    "mistaking": (0.010, 0.030),
}

_CHANGED: dict[str, dict[str, tuple[float, float]]] = {
    "usual": {},
    "slowburn": {
        "warmth": (22.0, 23.6),
        "dry_share": (0.75, 0.92),
        "live_share": (0.02, 0.08),
        "animals_per_100_l": (1.0, 1.8),
        "hitch_hiking": (0.45, 0.9),
        "change_interval": (12.0, 22.0),
    },
    "busy": {
        "animals_per_100_l": (4.0, 6.0),
        "ration": (0.055, 0.08),
        "hitch_hiking": (0.9, 1.8),
        "crashes": (0.8, 1.4),
        "overfeedings": (3.0, 6.0),
        "deep_cleans": (0.6, 1.5),
        "sand_stirrings": (0.8, 2.0),
        "medications": (0.4, 0.9),
        "diligence": (0.72, 0.88),
    },
}


@dataclass(frozen=True)
class Region:
    """What all tanks of a world share; the fields are the keys of the ranges above."""

    ammonia_oxidiser_growth: float
    nitrite_oxidiser_growth: float
    nitrifier_decay: float
    nitrifier_room: float
    remineralisation: float
    denitrification: float
    slime: float
    diatom: float
    film: float
    hair: float
    cyano: float
    ripening: float
    margin: float
    spores: float
    breeding: float
    hitch_hiking: float
    appetite: float
    dry_share: float
    live_share: float
    silicate: float
    leaching: float
    warmth: float
    animals_per_100_l: float
    ration: float
    change_interval: float
    change_percent: float
    light: float
    crashes: float
    overfeedings: float
    deep_cleans: float
    sand_stirrings: float
    medications: float
    diligence: float
    logging: float
    sharpness: float
    copying: float
    mistaking: float


def draw_region(seed: int, preset: str) -> Region:
    """Draw a world of a preset.

    Parameters
    ----------
    seed : int
        Not negative. The same seed lies at the same place in the ranges of every preset.
    preset : str
        A key of :data:`PRESETS`.

    Returns
    -------
    Region

    Raises
    ------
    ValueError
        Where there is no such preset.
    """
    if preset not in PRESETS:
        raise ValueError(f"{preset!r} is not a preset; one of {', '.join(PRESETS)}")
    ranges = _USUAL | _CHANGED[preset]
    at = np.random.default_rng([seed, 101]).random(len(ranges))
    low, high = np.array([ranges[f.name] for f in fields(Region)]).T
    values = low * (high / low) ** at
    return Region(**{f.name: float(v) for f, v in zip(fields(Region), values, strict=True)})
