"""The one place where a unit is converted.

Every unit a log may use, and how to get from it to the catalogue's canonical unit.
Mass factors follow from atomic weights: IUPAC 2021 abridged standard atomic weights
(Prohaska et al. 2022, *Pure and Applied Chemistry* 94: 573-600; from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache, partial
from typing import NamedTuple

from maturity_model.logbook import seawater

#: g/mol.
ATOMIC_WEIGHT = {"H": 1.0080, "C": 12.011, "N": 14.007, "O": 15.999, "P": 30.974, "Ca": 40.078}
_H, _C, _N, _O, _P, _CA = (ATOMIC_WEIGHT[e] for e in ("H", "C", "N", "O", "P", "Ca"))
#: g of each substance that hold one mole of the analyte; its canonical unit counts the first.
_SUBSTANCES = {
    "ammonia": {"NH4": _N + 4 * _H, "NH3": _N + 3 * _H, "NH4-N": _N, "NH3-N": _N, "N": _N},
    "nitrite": {"NO2": _N + 2 * _O, "NO2-N": _N, "N": _N},
    "nitrate": {"NO3": _N + 3 * _O, "NO3-N": _N, "N": _N},
    "phosphate": {"PO4": _P + 4 * _O, "PO4-P": _P, "P": _P},
}
#: meq/L in 1 dKH: 10 mg/L of CaO, two equivalents a mole (DIN 38409-6; from memory).
MEQ_PER_DKH = 2 * 10 / (_CA + _O)
#: meq/L in 1 mg/L of CaCO3.
MEQ_PER_MG_CACO3 = 2 / (_CA + _C + 3 * _O)


class Unit(NamedTuple):
    """A unit of one analyte.

    ``convert`` takes a number in it to the catalogue's canonical unit, and increases;
    ``assumed`` says what the text left open, if anything.
    """

    name: str
    convert: Callable[[float], float]
    assumed: str = ""


def _times(factor: float, x: float) -> float:
    return x * factor


def _celsius(zero: float, degrees: float, x: float) -> float:
    return (x - zero) / degrees


def _same(x: float) -> float:
    return x


#: (°C of the sample, °C of the pure water) that hydrometers are made for.
_GRAVITIES = ((25, 25), (20, 20), (15, 15), (24, 24), (20, 4), (25, 4))


def _gravity(at: int, reference: int) -> Unit:
    convert = partial(
        seawater.salinity_from_specific_gravity, at=float(at), reference=float(reference)
    )
    return Unit(f"sg {at}/{reference}", convert)


def _nutrient(analyte: str) -> dict[str, Unit]:
    ion, *_ = _SUBSTANCES[analyte].values()
    out = {}
    for substance, grams in _SUBSTANCES[analyte].items():
        for prefix, size in (("mg/L", 1.0), ("ug/L", 1e-3)):
            name = f"{prefix} {substance}"
            out[name] = Unit(name, partial(_times, ion / grams * size))
    out["umol/L"] = Unit("umol/L", partial(_times, ion * 1e-3))
    return out


#: Units of analytes that are no nutrients.
_UNITS = {
    "ph": (Unit("[pH]", _same), Unit("[pH] total", _same)),
    "temperature": (
        Unit("Cel", _same),
        Unit("[degF]", partial(_celsius, 32.0, 1.8)),
        Unit("K", partial(_celsius, 273.15, 1.0)),
    ),
    "alkalinity": (
        Unit("meq/L", _same),
        Unit("mmol/L", _same),
        Unit("[dKH]", partial(_times, MEQ_PER_DKH)),
        Unit("mg/L CaCO3", partial(_times, MEQ_PER_MG_CACO3)),
    ),
    "salinity": (
        Unit("1", _same),
        Unit("g/kg", partial(_times, 1 / seawater.ABSOLUTE_PER_PRACTICAL)),
        Unit("mS/cm", seawater.salinity_from_conductivity),
        *(_gravity(*g) for g in _GRAVITIES),
    ),
}


@cache
def units_of(analyte: str) -> dict[str, Unit]:
    """Return every unit known for an analyte, by name; empty for an unknown analyte."""
    if analyte in _SUBSTANCES:
        return _nutrient(analyte)
    return {u.name: u for u in _UNITS.get(analyte, ())}


#: Other spellings, after :func:`_plain`.
_SPELLINGS = {
    "ph": {"ph": "[pH]", "[ph] nbs": "[pH]", "ph nbs": "[pH]", "ph total": "[pH] total"},
    "temperature": {
        "°c": "Cel", "c": "Cel", "degc": "Cel", "celsius": "Cel",
        "°f": "[degF]", "f": "[degF]", "degf": "[degF]", "fahrenheit": "[degF]",
    },
    "alkalinity": {"dkh": "[dKH]", "°dkh": "[dKH]", "kh": "[dKH]"},
    # The old per-mille scales agree with practical salinity within what a hobby
    # instrument can tell (UNESCO 1981).
    "salinity": {
        "psu": "1", "pss-78": "1", "ppt": "1", "[ppth]": "1", "‰": "1", "s": "1",
        "ms/cm at 25 °c": "mS/cm", "ms/cm 25 °c": "mS/cm",
    },
}  # fmt: skip
_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉µμ–−⁺⁻", "0123456789uu--+-")
_PREFIXES = (("ppm", "mg/l"), ("ppb", "ug/l"), ("mcg/l", "ug/l"))
_SPACES = re.compile(r"\s+")
_BETWEEN = re.compile(r"\b(no[23]|nh[34]|po4) (as )?([np])$")


def _plain(text: str) -> str:
    """Fold case, spaces, subscripts and charges: ``mg/l  NO₃⁻`` becomes ``mg/l no3``."""
    text = _SPACES.sub(" ", text.translate(_SUBSCRIPTS).strip()).lower()
    for old, new in _PREFIXES:
        if text == old or text.startswith(old + " "):
            text = new + text[len(old) :]
    text = text.rstrip("+-").rstrip() if text[:4] in ("mg/l", "ug/l") else text
    return _BETWEEN.sub(r"\1-\3", text.replace(" as ", " "))


def find_unit(analyte: str, text: str) -> Unit | None:
    """Find the unit of an analyte that a log names; None where the text is no unit of it.

    The text is a name of :func:`units_of` in any case, or a usual spelling (``ppm NO3``, ``dKH``).
    """
    known, plain = units_of(analyte), _plain(text)
    for name, unit in known.items():
        if _plain(name) == plain:
            return unit
    name = _SPELLINGS.get(analyte, {}).get(plain, "")
    if name:
        return known[name]
    if analyte in _SUBSTANCES and plain in ("mg/l", "ug/l"):
        ion = known[f"{plain[0]}g/L {next(iter(_SUBSTANCES[analyte]))}"]
        return ion._replace(assumed=f"is taken as {ion.name}, the whole ion")
    if analyte == "alkalinity" and plain == "mg/l":
        return known["mg/L CaCO3"]._replace(assumed="is taken as mg/L CaCO3")
    if analyte == "salinity" and plain in ("sg", "specific gravity"):
        return known["sg 25/25"]._replace(assumed="is taken as specific gravity 25/25 °C")
    return None


def said_unit(unit: Unit) -> str:
    """Return a unit as a keeper says it."""
    said = {"Cel": "°C", "[degF]": "°F", "[dKH]": "dKH", "1": "PSU", "[pH]": ""}
    return said.get(unit.name, unit.name)


def default_unit(analyte: str) -> Unit:
    """Return the unit that is assumed for a reading without a kit."""
    known = units_of(analyte)
    # Keepers give alkalinity in dKH, anything else in its canonical unit, the first.
    return known["[dKH]"] if "[dKH]" in known else next(iter(known.values()), Unit("", _same))


def as_specific_gravity(value: float) -> Unit | None:
    """Return specific gravity 25/25 °C where a salinity without a unit can be nothing else."""
    return units_of("salinity")["sg 25/25"] if 1.0 <= value <= 1.05 else None
