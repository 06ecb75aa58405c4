"""The un-ionised, poisonous share of the total ammonia in seawater.

Test kits give total ammonia (NH3 and NH4+ together). Animals are harmed at the gill mostly by
the un-ionised NH3, a few percent of it. Its share depends on pH above all, then on
temperature, then on salinity.

Sources
-------
Constant of the ammonium ion in seawater: Clegg and Whitfield 1995, Geochimica et
Cosmochimica Acta 59: 2403-2421, eq. 18 (-2 to 40 °C, salinity 0 to 40, total pH scale,
mol per kg of water; the abstract claims about 5 % for the un-ionised share).
Scales: hydrogen sulphate after Dickson 1990, J. Chem. Thermodyn. 22: 113-127; hydrogen
fluoride after Dickson and Riley 1979, Mar. Chem. 7: 89-99; sulphate after Morris and
Riley 1966, fluoride after Riley 1965 (Deep-Sea Research); activity coefficient of H+ on
the NBS scale after Takahashi et al. 1982, GEOSECS Pacific Expedition 3, ch. 3. The
papers are cited from memory; formulas and numbers were checked against PyCO2SYS 1.8.3.

Three mistakes that such code often has, each with a test: kelvin in a formula for °C;
milligrams of nitrogen mistaken for milligrams of NH3; a pH on the NBS scale mistaken for
one on the total scale (about a third too much NH3).
"""

from __future__ import annotations

import itertools
from math import exp, isfinite, log, log10, sqrt
from typing import Literal, NamedTuple

from maturity_model.logbook.units import ATOMIC_WEIGHT

#: pH scale of a reading: ``nbs`` for probes and kits set with freshwater buffers.
PHScale = Literal["nbs", "total"]


class Span(NamedTuple):
    """A number known to lie in ``low`` to ``high``, most likely near ``best``."""

    low: float
    best: float
    high: float


#: Where the share of NH3 is computed at all.
PH_RANGE = (4.0, 11.0)
#: Where the constant holds (Clegg and Whitfield 1995).
TEMPERATURE_RANGE = (-2.0, 40.0)
SALINITY_RANGE = (0.0, 40.0)
#: Where the relation between NBS and total scale was fitted and is checked here.
NBS_SALINITY_RANGE = (20.0, 40.0)
#: How much lower the pK may be on the NBS scale. The values that kit manuals print after Bower
#: and Bidwell 1978 (J. Fish. Res. Board Can. 35: 1012-1016) lie 0.03 below ours at 20 and 25 °C
#: whatever the pH, which is what another activity coefficient of H+ does; electrodes scatter as
#: much. A permission takes the cautious side, with a margin for 10 °C.
NBS_DOUBT = 0.045

_ZERO_CELSIUS = 273.15
_N, _H = ATOMIC_WEIGHT["N"], ATOMIC_WEIGHT["H"]
#: Grams of NH3 per gram of NH4 for the same amount of nitrogen.
NH3_PER_NH4 = (_N + 3 * _H) / (_N + 4 * _H)


def ammonium_pk(temperature_c: float, salinity: float) -> float:
    """pK* of the ammonium ion in seawater, total pH scale, per kg of seawater.

    Clegg and Whitfield 1995, eq. 18. Temperature in °C, -2 to 40; practical salinity, 0 to 40;
    anything else, kelvin always, is a ValueError.
    """
    _within("temperature", temperature_c, TEMPERATURE_RANGE, "°C (not kelvin)")
    _within("salinity", salinity, SALINITY_RANGE, "on the practical scale")
    t = temperature_c + _ZERO_CELSIUS
    s = salinity
    root = sqrt(t)
    pk = (
        9.244605
        - 2729.33 * (1 / 298.15 - 1 / t)
        + (0.04203362 - 11.24742 / t) * s**0.25
        + (-13.6416 + 1.176949 * root - 0.02860785 * t + 545.4834 / t) * s**0.5
        + (-0.1462507 + 0.0090226468 * root - 0.0001471361 * t + 10.5425 / t) * s**1.5
        + (0.004669309 - 0.0001691742 * root - 0.5677934 / t) * s**2
        + (-2.354039e-05 + 0.009698623 / t) * s**2.5
    )
    # per kg of water -> per kg of seawater
    return float(pk - log10(1 - 0.001005 * s))


def nbs_minus_total(temperature_c: float, salinity: float) -> float:
    """Return by how much a pH on the NBS scale exceeds that on the total scale.

    0.137 at 25 °C, salinity 35. Real electrodes differ by some hundredths, because the liquid
    junction is not the same in buffer and in seawater. Temperature in °C, -2 to 40; salinity
    20 to 40, because the activity coefficient was fitted to ocean water; else a ValueError.
    """
    _within("temperature", temperature_c, TEMPERATURE_RANGE, "°C (not kelvin)")
    _within("salinity", salinity, NBS_SALINITY_RANGE, "on the practical scale")
    t = temperature_c + _ZERO_CELSIUS
    s = salinity
    ionic = 19.924 * s / (1000 - 1.005 * s)
    per_seawater = 1 - 0.001005 * s
    lt = log(t)
    hydrogen_sulphate = per_seawater * exp(
        -4276.1 / t
        + 141.328
        - 23.093 * lt
        + (-13856 / t + 324.57 - 47.986 * lt) * sqrt(ionic)
        + (35474 / t - 771.54 + 114.723 * lt) * ionic
        - 2698 / t * ionic**1.5
        + 1776 / t * ionic**2
    )
    hydrogen_fluoride = per_seawater * exp(1590.2 / t - 12.641 + 1.525 * sqrt(ionic))
    sulphate = 0.14 / 96.062 * s / 1.80655
    fluoride = 0.000067 / 18.998 * s / 1.80655
    # [H+] on a scale counts the ions bound to sulphate (total), and to fluoride (seawater).
    total = 1 + sulphate / hydrogen_sulphate
    seawater = total + fluoride / hydrogen_fluoride
    activity = 1.2948 - 0.002036 * t + (0.0004607 - 0.000001475 * t) * s**2
    return log10(total / seawater / activity)


def unionised_fraction(
    ph: float, temperature_c: float, salinity: float, scale: PHScale = "nbs"
) -> float:
    """Share of total ammonia that is un-ionised NH3, by amount of substance, between 0 and 1.

    Within 0.1 % of PyCO2SYS 1.8.3 where tested (salinity 20 to 40, 15 to 32 °C, pH 7.5 to 8.8);
    about 5 % of the truth by its authors' abstract.

    Parameters
    ----------
    ph : float
        4 to 11.
    temperature_c : float
        -2 to 40.
    salinity : float
        Practical salinity; 20 to 40 on the NBS scale, 0 to 40 on the total scale.
    scale : {'nbs', 'total'}
        Scale of ``ph``. Hobby probes and colour kits are set with NBS buffers.

    Raises
    ------
    ValueError
        Outside these ranges, or for another scale.
    """
    _within("pH", ph, PH_RANGE, "")
    if scale == "nbs":
        ph = ph - nbs_minus_total(temperature_c, salinity)
    elif scale != "total":
        raise ValueError(f"scale must be 'nbs' or 'total', not {scale!r}")
    return float(1 / (1 + 10 ** (ammonium_pk(temperature_c, salinity) - ph)))


def unionised_span(
    total_nh4_mg_l: Span, ph: Span, temperature_c: Span, salinity: Span, scale: PHScale = "nbs"
) -> Span:
    """Un-ionised ammonia, mg/L as NH3, where every reading is only known to lie in an interval.

    The bounds are those of the corners: the share rises with pH and temperature and hardly
    changes with salinity. Values outside the formula's ranges are moved to the nearest end;
    ``high`` of the total may be ``inf``.
    """
    salinities = NBS_SALINITY_RANGE if scale == "nbs" else SALINITY_RANGE
    limits = (PH_RANGE, TEMPERATURE_RANGE, salinities)
    p, t, s = (
        Span(*(min(max(value, low), high) for value in span))
        for span, (low, high) in zip((ph, temperature_c, salinity), limits, strict=True)
    )
    ends = itertools.product((p.low, p.high), (t.low, t.high), (s.low, s.high))
    shares = [unionised_fraction(*corner, scale=scale) for corner in ends]
    best = unionised_fraction(p.best, t.best, s.best, scale)
    return Span(
        total_nh4_mg_l.low * NH3_PER_NH4 * min(shares),
        total_nh4_mg_l.best * NH3_PER_NH4 * best,
        total_nh4_mg_l.high * NH3_PER_NH4 * max(shares),
    )


def _within(what: str, value: float, allowed: tuple[float, float], unit: str) -> None:
    if not (isfinite(value) and allowed[0] <= value <= allowed[1]):
        span = f"{allowed[0]:g} to {allowed[1]:g} {unit}".rstrip()
        raise ValueError(f"{what} must be {span}, got {value!r}")
