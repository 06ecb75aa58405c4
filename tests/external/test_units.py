"""Units against atomic weights, gsw (TEOS-10) and published check values."""

from __future__ import annotations

import gsw
import pytest

from maturity_model.logbook import seawater
from maturity_model.logbook.units import MEQ_PER_DKH, MEQ_PER_MG_CACO3, find_unit, units_of

# IUPAC 2021 standard atomic weights, abridged to five figures (Prohaska et al. 2022,
# Pure Appl. Chem. 94: 573-600); from memory.
H, C, N, O, P, CA = 1.0080, 12.011, 14.007, 15.999, 30.974, 40.078  # noqa: E741


def convert(analyte: str, unit: str, value: float) -> float:
    found = find_unit(analyte, unit)
    assert found is not None
    return found.convert(value)


def test_mass_factors_from_the_weights() -> None:
    cases = {
        ("ammonia", "mg/L NH3-N"): (N + 4 * H) / N,
        ("ammonia", "mg/L NH4-N"): (N + 4 * H) / N,
        ("ammonia", "mg/L N"): (N + 4 * H) / N,
        ("ammonia", "mg/L NH3"): (N + 4 * H) / (N + 3 * H),
        ("nitrite", "mg/L NO2-N"): (N + 2 * O) / N,
        ("nitrate", "mg/L NO3-N"): (N + 3 * O) / N,
        ("phosphate", "mg/L PO4-P"): (P + 4 * O) / P,
        ("phosphate", "mg/L P"): (P + 4 * O) / P,
        ("nitrate", "umol/L"): (N + 3 * O) / 1000,
        ("ammonia", "umol/L"): (N + 4 * H) / 1000,
        # 1 dKH is 10 mg/L of CaO (DIN 38409-6; from memory), two equivalents a mole.
        ("alkalinity", "[dKH]"): 20 / (CA + O),
        ("alkalinity", "mg/L CaCO3"): 2 / (CA + C + 3 * O),
        ("alkalinity", "mmol/L"): 1.0,
    }
    for (analyte, unit), factor in cases.items():
        assert convert(analyte, unit, 1.0) == pytest.approx(factor, rel=1e-12)
        if unit.startswith("mg/L") and analyte != "alkalinity":
            micro = unit.replace("mg", "ug")
            assert convert(analyte, micro, 1000.0) == pytest.approx(factor, rel=1e-12)
    # As printed in the facts of the project, computed from the same weights.
    assert convert("ammonia", "mg/L N", 1.0) == pytest.approx(1.28786, abs=1e-5)
    assert convert("nitrate", "mg/L NO3-N", 1.0) == pytest.approx(4.42664, abs=1e-5)


def test_alkalinity() -> None:
    # 1 dKH = 0.356652 meq/L = 17.848 mg/L CaCO3 (facts of the project, computed).
    assert pytest.approx(0.356652, abs=1e-6) == MEQ_PER_DKH
    milligrams = MEQ_PER_DKH / MEQ_PER_MG_CACO3
    assert milligrams == pytest.approx(17.848, abs=1e-3)


def test_temperature() -> None:
    assert convert("temperature", "[degF]", 212.0) == pytest.approx(100.0, abs=1e-12)
    assert convert("temperature", "[degF]", 32.0) == pytest.approx(0.0, abs=1e-12)
    # A known slip: kelvin fed to a celsius formula.
    assert convert("temperature", "K", 298.15) == pytest.approx(25.0, abs=1e-12)


@pytest.mark.parametrize(
    ("salinity", "celsius", "density"),
    [
        # UNESCO Technical Papers in Marine Science 36 (1981) / 44 (1983), p = 0; from memory.
        (0.0, 5.0, 999.96675),
        (0.0, 25.0, 997.04796),
        (35.0, 5.0, 1027.67547),
        (35.0, 25.0, 1023.34306),
    ],
)
def test_eos80_check_values(salinity: float, celsius: float, density: float) -> None:
    # The values are on IPTS-68; the function takes ITS-90.
    assert seawater.density(salinity, celsius / 1.00024) == pytest.approx(density, abs=1e-5)


@pytest.mark.parametrize(
    ("salinity", "gravity"), [(30, 1.02259), (33, 1.02486), (35, 1.02637), (36, 1.02713)]
)
def test_specific_gravity_check_values(salinity: float, gravity: float) -> None:
    # 25/25 °C, computed with gsw (facts of the project).
    assert seawater.specific_gravity(salinity) == pytest.approx(gravity, abs=1e-5)
    assert convert("salinity", "sg 25/25", gravity) == pytest.approx(salinity, abs=0.02)


def _gsw_density(salinity: float, celsius: float) -> float:
    absolute = gsw.SR_from_SP(salinity)
    return float(gsw.rho(absolute, gsw.CT_from_t(absolute, celsius, 0.0), 0.0))


@pytest.mark.parametrize("name", [n for n in units_of("salinity") if n.startswith("sg")])
@pytest.mark.parametrize("salinity", [5.0, 20.0, 30.0, 35.0, 40.0])
def test_specific_gravity_against_gsw(name: str, salinity: float) -> None:
    at, reference = (float(t) for t in name.removeprefix("sg ").split("/"))
    gravity = _gsw_density(salinity, at) / _gsw_density(0.0, reference)
    # EOS-80 and TEOS-10 densities agree to about 0.01 kg/m3, which is 0.013 in salinity.
    assert convert("salinity", name, gravity) == pytest.approx(salinity, abs=0.03)


def test_specific_gravity_inverts_exactly() -> None:
    for salinity in (0.01, 1.0, 18.0, 35.0, 41.9, 100.0):
        gravity = seawater.specific_gravity(salinity)
        assert seawater.salinity_from_specific_gravity(gravity) == pytest.approx(salinity, abs=1e-8)
    assert seawater.salinity_from_specific_gravity(0.99) < 0
    assert seawater.salinity_from_specific_gravity(35.0) > 150


@pytest.mark.parametrize(
    ("ratio", "t68", "pressure", "salinity"),
    [
        # UNESCO Technical Papers in Marine Science 44 (1983), from memory; gsw agrees.
        (1.0, 15.0, 0.0, 35.0),
        (1.2, 20.0, 2000.0, 37.245628),
        (0.65, 5.0, 1500.0, 27.995347),
    ],
)
def test_pss78_check_values(ratio: float, t68: float, pressure: float, salinity: float) -> None:
    found = seawater.practical_salinity(ratio, t68, pressure)
    assert found == pytest.approx(salinity, abs=1e-6)
    other = gsw.SP_from_C(ratio * seawater.C_35_15_0, t68 / 1.00024, pressure)
    assert found == pytest.approx(float(other), abs=1e-6)


@pytest.mark.parametrize("millisiemens", [5.0, 20.0, 45.0, 50.0, 53.0, 56.0, 60.0])
def test_conductivity_against_gsw(millisiemens: float) -> None:
    other = float(gsw.SP_from_C(millisiemens, 25.0, 0.0))
    assert convert("salinity", "mS/cm", millisiemens) == pytest.approx(other, abs=1e-7)


def test_absolute_salinity_against_gsw() -> None:
    other = float(gsw.SP_from_SR(35.5))
    assert convert("salinity", "g/kg", 35.5) == pytest.approx(other, rel=1e-12)
