"""Un-ionised ammonia against published numbers and the reference program PyCO2SYS."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from maturity_model.assessment.ammonia import (
    NBS_DOUBT,
    NH3_PER_NH4,
    Span,
    ammonium_pk,
    nbs_minus_total,
    unionised_fraction,
    unionised_span,
)

# Rows of the project's check table nh3_fraction_S35.csv, computed with PyCO2SYS 1.8.3
# (ammonium constant of Clegg and Whitfield 1995): scale, salinity, °C, pH, fraction.
TABLE = [
    ("total", 35, 20, 7.8, 0.023489),
    ("total", 35, 20, 8.0, 0.036723),
    ("total", 35, 23, 8.35, 0.097880),
    ("total", 35, 25, 8.0, 0.053724),
    ("total", 35, 25, 8.1, 0.066707),
    ("total", 35, 25, 8.2, 0.082553),
    ("total", 35, 28, 7.95, 0.060146),
    ("total", 35, 30, 8.2, 0.117294),
    ("total", 35, 30, 8.4, 0.173963),
    ("nbs", 35, 20, 7.8, 0.017681),
    ("nbs", 35, 20, 8.0, 0.027735),
    ("nbs", 35, 23, 8.35, 0.074045),
    ("nbs", 35, 25, 8.0, 0.039769),
    ("nbs", 35, 25, 8.1, 0.049556),
    ("nbs", 35, 25, 8.2, 0.061597),
    ("nbs", 35, 28, 7.95, 0.043939),
    ("nbs", 35, 30, 8.2, 0.086277),
    ("nbs", 35, 30, 8.4, 0.130171),
]


@pytest.mark.parametrize(("scale", "salinity", "celsius", "ph", "fraction"), TABLE)
def test_check_table(scale, salinity, celsius, ph, fraction):
    # The table is rounded to 6 decimals: 2e-5 of the smallest entry.
    assert unionised_fraction(ph, celsius, salinity, scale) == pytest.approx(fraction, rel=1e-4)


def test_constant_and_pk():
    # facts.md [C, PyCO2SYS 1.8.3]: k at S 35, 25 °C on the total scale; pK at 20, 25, 30 °C.
    assert 10 ** -ammonium_pk(25, 35) == pytest.approx(5.677445e-10, rel=1e-6)
    for celsius, pk in ((20, 9.418811), (25, 9.245847), (30, 9.076541)):
        assert ammonium_pk(celsius, 35) == pytest.approx(pk, abs=1e-6)


def test_pure_water_limit():
    # Clegg and Whitfield 1995, eq. 18: pK is 9.244605 at 25 °C without salt. From memory
    # the same within 0.002 of Bates and Pinching 1949, 9.2450.
    assert ammonium_pk(25, 0) == pytest.approx(9.2450, abs=2e-3)


def test_second_fit_agrees_within_its_scatter():
    # Bell et al. 2008 (facts.md [R, C]): pKa = 10.0423 - 0.0315536 t + 0.003071 S, an
    # independent fit for concentrations and another scale; 9.3609 at 25 °C, S 35. It lies
    # between this constant on the total scale and on the NBS scale at reef temperatures.
    for celsius in (20, 25, 30):
        bell = 10.0423 - 0.0315536 * celsius + 0.003071 * 35
        on_total = ammonium_pk(celsius, 35)
        assert on_total < bell < on_total + nbs_minus_total(celsius, 35)


@pytest.mark.parametrize(("scale", "option"), [("total", 1), ("nbs", 4)])
def test_grid_against_pyco2sys(scale, option):
    # PyCO2SYS 1.8.3 (Humphreys et al. 2022, Geosci. Model Dev. 15: 15-43), default options.
    import PyCO2SYS

    grid = np.array(
        list(
            itertools.product(
                np.arange(7.5, 8.81, 0.1), [15, 18.5, 22, 25, 28, 32], [20, 26, 30, 33, 35, 38, 40]
            )
        )
    )
    ph, celsius, salinity = grid.T
    found = PyCO2SYS.sys(
        par1=ph,
        par2=2300.0,
        par1_type=3,
        par2_type=1,
        total_ammonia=1.0,
        temperature=celsius,
        salinity=salinity,
        opt_pH_scale=option,
    )
    reference = found["NH3"] / (found["NH3"] + found["NH4"])
    ours = np.array([unionised_fraction(p, t, s, scale) for p, t, s in grid])
    # The same constants, so far closer than the 5 % that the chemistry itself is good for.
    np.testing.assert_allclose(ours, reference, rtol=1e-6)


def test_nbs_minus_total_against_pyco2sys():
    # PyCO2SYS 1.8.3, default options: pH_nbs - pH_total at 25 °C, S 35, printed 0.13698422.
    assert nbs_minus_total(25, 35) == pytest.approx(0.13698422, abs=1e-7)


def test_slip_kelvin_is_refused():
    with pytest.raises(ValueError, match="kelvin"):
        unionised_fraction(8.1, 298.15, 35)
    # and the other way round: 25 °C must not be read as 25 K
    assert unionised_fraction(8.1, 25, 35) == pytest.approx(0.04956, rel=1e-3)


def test_slip_nitrogen_basis():
    # facts.md, from IUPAC weights [C]: NH3/N 1.21589, NH4/N 1.28786.
    ratio = NH3_PER_NH4
    assert ratio == pytest.approx(1.21589 / 1.28786, rel=1e-5)
    share = unionised_fraction(8.2, 25, 35)
    as_nh3 = unionised_span(*(Span(x, x, x) for x in (1.0, 8.2, 25.0, 35.0))).best
    assert as_nh3 == pytest.approx(share * 1.21589 / 1.28786, rel=1e-5)
    # 1 mg/L of NH4 holds 1/1.28786 mg/L of N; as nitrogen the NH3 would read 18 % less.
    assert as_nh3 / 1.21589 == pytest.approx(share / 1.28786, rel=1e-5)


@pytest.mark.parametrize("scale", ["nbs", "total"])
def test_monotone(scale):
    # The cautions bound an interval by its corners, which needs this.
    at = unionised_fraction
    for ph, celsius, salinity in itertools.product(
        np.arange(7.0, 9.0, 0.2), range(10, 34, 3), range(20, 39, 3)
    ):
        here = at(ph, celsius, salinity, scale)
        assert at(ph + 0.2, celsius, salinity, scale) > here
        assert at(ph, celsius + 3, salinity, scale) > here
        if scale == "total":
            assert at(ph, celsius, salinity + 2, scale) < here


@pytest.mark.parametrize(
    ("ph", "celsius", "salinity", "scale"),
    [
        (3.9, 25, 35, "nbs"),
        (8.1, -3, 35, "nbs"),
        (8.1, 25, 41, "nbs"),
        (8.1, 25, 10, "nbs"),
        (8.1, 25, -1, "total"),
        (float("nan"), 25, 35, "nbs"),
        (8.1, float("inf"), 35, "nbs"),
        (8.1, 25, 35, "sws"),
    ],
)
def test_refuses_what_it_was_not_made_for(ph, celsius, salinity, scale):
    with pytest.raises(ValueError, match="must be"):
        unionised_fraction(ph, celsius, salinity, scale)


@pytest.mark.parametrize(
    ("ph", "celsius", "printed"), [(8.1, 20, 0.0373), (8.1, 25, 0.0532), (8.3, 25, 0.0818)]
)
def test_the_cautious_side_covers_the_values_that_kit_manuals_print(ph, celsius, printed):
    # Bower and Bidwell 1978, J. Fish. Res. Board Can. 35: 1012-1016, salinity 34, as kit manuals
    # print it (excerpt read, not the paper).
    ours = unionised_fraction(ph, celsius, 34, "nbs")
    assert 0.06 < printed / ours - 1 < 0.10
    # The same shift of the pK whatever pH and temperature: a matter of the scale.
    assert np.log10((1 / ours - 1) / (1 / printed - 1)) == pytest.approx(0.032, abs=0.003)
    cautious = unionised_fraction(ph + NBS_DOUBT, celsius, 34, "nbs")
    assert printed < cautious < 1.12 * ours
