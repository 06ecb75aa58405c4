"""Practical salinity from specific gravity and from conductivity.

Sources (coefficients from memory, checked against ``gsw`` and the published check
values in ``tests/external/test_units.py``):

* EOS-80: Millero and Poisson 1981, *Deep-Sea Research* 28A: 625-629; UNESCO Technical
  Papers in Marine Science 36 (1981).
* PSS-78: UNESCO Technical Papers in Marine Science 44 (1983).
"""

from __future__ import annotations

import math

#: Conductivity of seawater with S = 35 at 15 °C (IPTS-68) and atmospheric pressure, mS/cm.
#: Culkin and Smith 1980, IEEE Journal of Oceanic Engineering OE-5: 22-23.
C_35_15_0 = 42.9140
#: IPTS-68 over ITS-90 (Saunders 1990, WOCE Newsletter 10).
_T68 = 1.00024
#: Absolute over practical salinity for Reference-Composition seawater:
#: Millero et al. 2008, Deep-Sea Research I 55: 50-72.
ABSOLUTE_PER_PRACTICAL = 35.16504 / 35.0
_MAX_SALINITY = 150.0


def _poly(x: float, *coefficients: float) -> float:
    total = 0.0
    for c in reversed(coefficients):
        total = total * x + c
    return total


def density(salinity: float, celsius: float) -> float:
    """Density, kg/m3, of seawater at atmospheric pressure by EOS-80.

    Practical salinity from 0 to 42, temperature in °C on ITS-90.
    """
    t = celsius * _T68
    water = _poly(t, 999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9)
    a = _poly(t, 8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9)
    b = _poly(t, -5.72466e-3, 1.0227e-4, -1.6546e-6)
    return water + a * salinity + b * salinity * math.sqrt(salinity) + 4.8314e-4 * salinity**2


def specific_gravity(salinity: float, at: float = 25.0, reference: float = 25.0) -> float:
    """Density of seawater at ``at`` °C over that of pure water at ``reference`` °C."""
    return density(salinity, at) / density(0.0, reference)


def salinity_from_specific_gravity(
    gravity: float, at: float = 25.0, reference: float = 25.0
) -> float:
    """Practical salinity of seawater with a given specific gravity.

    Bisection on :func:`specific_gravity`, which rises with salinity. Below pure water
    the result is negative and above salinity 150 larger than 150: the line is
    continued, so that the caller's bounds refuse it.
    """
    low, high = 0.0, _MAX_SALINITY
    least, most = specific_gravity(low, at, reference), specific_gravity(high, at, reference)
    if not least < gravity < most:
        slope = (most - least) / high
        return low + (gravity - least) / slope
    for _ in range(60):
        middle = 0.5 * (low + high)
        if specific_gravity(middle, at, reference) < gravity:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def practical_salinity(ratio: float, t68: float, pressure: float = 0.0) -> float:
    """Practical salinity by PSS-78, which is defined from 2 to 42.

    ``ratio`` is the conductivity over that at S = 35, 15 °C and 0 dbar, and not negative;
    ``t68`` is in °C (IPTS-68), the sea pressure in dbar.
    """
    rt = _poly(t68, 0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9)
    rp = 1.0 + pressure * _poly(pressure, 2.070e-5, -6.370e-10, 3.989e-15) / (
        1.0 + 3.426e-2 * t68 + 4.464e-4 * t68**2 + (4.215e-1 - 3.107e-3 * t68) * ratio
    )
    root = math.sqrt(ratio / (rp * rt))
    main = _poly(root, 0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081)
    shift = _poly(root, 0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144)
    return main + (t68 - 15.0) / (1.0 + 0.0162 * (t68 - 15.0)) * shift


def salinity_from_conductivity(millisiemens: float) -> float:
    """Practical salinity from conductivity in mS/cm at (or compensated to) 25 °C."""
    if millisiemens < 0.0:
        return -1.0
    return practical_salinity(millisiemens / C_35_15_0, 25.0 * _T68)
