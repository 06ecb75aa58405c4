"""Test kits: what they measure in, how coarsely, and how far off they are.

Charts and units are common ones in the trade (P); no product is meant.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

#: mg/L of the ion for 1 mg/L of nitrogen or phosphorus (IUPAC atomic weights).
ION = {"ammonia": 1.28786, "nitrite": 3.28443, "nitrate": 4.42664, "phosphate": 3.06612}
#: meq/L in 1 dKH.
MEQ_PER_DKH = 0.356652
#: Specific gravity 25/25 at 35 PSU, and its slope. Source: PSS-78 and the equation of state
#: by way of TEOS-10 (computed): 33 and 36 PSU give 1.02486 and 1.02713.
_GRAVITY, _GRAVITY_SLOPE = 1.02637, 0.000757


class Kit(NamedTuple):
    """One way of testing one analyte.

    ``factor`` turns mg/L of the element into the kit's unit; ``steps`` is the chart, empty
    for an instrument, which shows ``digits`` decimals; ``blur`` is what it cannot tell from
    nothing.
    """

    analyte: str
    method: str
    unit: str
    factor: float
    steps: tuple[float, ...] = ()
    digits: int = 2
    blur: float = 0.0


def _nutrient(
    analyte: str, method: str, steps: tuple[float, ...] = (), *, digits: int = 2, blur: float
) -> Kit:
    ion = {"ammonia": "NH4", "nitrite": "NO2", "nitrate": "NO3", "phosphate": "PO4"}[analyte]
    return Kit(analyte, method, f"mg/L {ion}", ION[analyte], steps, digits, blur)


#: What a keeper may own, and how often.
KITS: dict[str, tuple[tuple[float, Kit], ...]] = {
    "ammonia": (
        (0.55, _nutrient("ammonia", "colour_chart", (0, 0.25, 0.5, 1, 2, 4, 8), blur=0.06)),
        (0.15, _nutrient("ammonia", "colour_chart", (0, 0.1, 0.3, 0.6, 1.2, 2.5, 5), blur=0.05)),
        (0.20, _nutrient("ammonia", "strip", (0, 0.5, 1, 3, 6), blur=0.12)),
        (0.10, Kit("ammonia", "photometer", "mg/L NH3-N", 1.0, (), 2, 0.03)),
    ),
    "nitrite": (
        (0.60, _nutrient("nitrite", "colour_chart", (0, 0.25, 0.5, 1, 2, 5), blur=0.03)),
        (0.15, _nutrient("nitrite", "colour_chart", (0, 0.05, 0.1, 0.3, 0.6, 1.2), blur=0.02)),
        (0.15, _nutrient("nitrite", "strip", (0, 0.5, 1, 5, 10), blur=0.08)),
        (0.10, _nutrient("nitrite", "photometer", blur=0.02)),
    ),
    "nitrate": (
        (0.50, _nutrient("nitrate", "colour_chart", (0, 5, 10, 20, 40, 80, 160), blur=1.5)),
        (0.20, _nutrient("nitrate", "colour_chart", (0, 2, 5, 10, 25, 50, 100), blur=0.8)),
        (0.15, _nutrient("nitrate", "strip", (0, 10, 25, 50, 100, 250), blur=3)),
        (0.15, Kit("nitrate", "photometer", "mg/L NO3-N", 1.0, (), 1, 0.15)),
    ),
    "phosphate": (
        (0.35, _nutrient("phosphate", "colour_chart", (0, 0.25, 0.5, 1, 2, 5, 10), blur=0.04)),
        (0.25, _nutrient(
            "phosphate", "colour_chart", (0, 0.03, 0.06, 0.12, 0.25, 0.5, 1), blur=0.01)),
        (0.40, _nutrient("phosphate", "photometer", blur=0.01)),
    ),
    "ph": (
        (0.5, Kit("ph", "probe", "[pH]", 1.0, (), 2, 0.05)),
        (0.5, Kit("ph", "colour_chart", "[pH]", 1.0, (7.4, 7.8, 8.0, 8.2, 8.4, 8.8), 1, 0.08)),
    ),
    "salinity": (
        (0.6, Kit("salinity", "probe", "1", 1.0, (), 1, 0.4)),
        (0.4, Kit("salinity", "probe", "sg 25/25", 1.0, (), 3, 0.4)),
    ),
    "temperature": ((1.0, Kit("temperature", "probe", "Cel", 1.0, (), 1, 0.2)),),
    "alkalinity": (
        (0.7, Kit("alkalinity", "probe", "[dKH]", 1 / MEQ_PER_DKH, (), 1, 0.15)),
        (0.3, Kit("alkalinity", "probe", "meq/L", 1.0, (), 1, 0.08)),
    ),
}  # fmt: skip
NUTRIENTS = tuple(ION)


def choose(analyte: str, rng: np.random.Generator) -> Kit:
    """A kit as keepers own them."""
    shares = np.array([share for share, _ in KITS[analyte]])
    return KITS[analyte][int(rng.choice(len(shares), p=shares / shares.sum()))][1]


def read(
    kit: Kit, truth: float, bias: float, error: float, rng: np.random.Generator, shift: int = 0
) -> str:
    """What the keeper writes down.

    Parameters
    ----------
    kit : Kit
    truth : float
        mg/L of the element; else the quantity itself (meq/L for alkalinity).
    bias : float
        Of this keeper's kit: log scale for a nutrient, in units of ``blur`` else.
    error : float
        Scatter of one test, log scale.
    rng : numpy.random.Generator
    shift : int
        Steps of the chart by which a nutrient kit is off (its like for an instrument).
    """
    value, noise, word = truth * kit.factor, rng.normal(size=2), rng.random()
    if kit.analyte in NUTRIENTS:
        value = max(value * np.exp(bias + error * noise[0]) + kit.blur * abs(noise[1]), 0.0)
        if not kit.steps:
            # The usual chart's first step, in the kit's unit, is what one step comes to.
            step = {"ammonia": 0.2, "nitrite": 0.25, "nitrate": 1.1, "phosphate": 0.06}
            return f"{value + shift * step[kit.analyte]:.{kit.digits}f}"
        at = int(np.argmin(np.abs(np.array(kit.steps) - value))) + shift
        at = min(max(at, 0), len(kit.steps) - 1)
        if at == 0:
            return f"<{kit.steps[1]:g}" if word < 0.3 else "0"
        return f"{kit.steps[at]:g}"
    value += kit.blur * (bias / 0.15 + noise[0])
    if kit.unit == "sg 25/25":
        return f"{_GRAVITY + _GRAVITY_SLOPE * (value - 35):.3f}"
    if kit.steps:
        return f"{min(kit.steps, key=lambda s: abs(s - value)):g}"
    return f"{value:.{kit.digits}f}"
