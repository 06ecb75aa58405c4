"""Cautions that a log calls for."""

from __future__ import annotations

import datetime as dt
import math
import re

import pytest

from maturity_model.assessment.ammonia import NH3_PER_NH4, unionised_fraction
from maturity_model.assessment.ammonia_now import (
    ACUTE_MG_L,
    CHRONIC_MG_L,
    TankLog,
    unionised_now,
)
from maturity_model.assessment.cautions import cautions_for
from maturity_model.catalogue import load_catalogue, load_decisions
from maturity_model.logbook.types import CheckIn, Event, Reading, Tank

DAY = dt.date(2026, 6, 1)
CATALOGUE = load_catalogue()


def ago(days: int) -> dt.date:
    return DAY - dt.timedelta(days=days)


def tank(weeks: int = 40, sand: float | None = None) -> Tank:
    return Tank("Alpha", ago(7 * weeks), sand_depth_mm=sand)


def reading(low, best=None, high=None, unit="mg/L NH4", text="") -> Reading:
    best = low if best is None else best
    return Reading(text, low, low if high is None else high, best, unit, "colour_chart")


def checkin(days=1, signs=None, name="Alpha", **readings) -> CheckIn:
    return CheckIn(name, ago(days), signs=signs or {}, readings=readings)


def event(kind, days=2, amount=None, name="Alpha") -> Event:
    return Event(name, ago(days), kind, amount)


def mg_l(total: float, *water: float, scale: str = "nbs") -> float:
    return total * NH3_PER_NH4 * unionised_fraction(*water, scale)


def cautions(checkins=(), events=(), which=None):
    return cautions_for(TankLog.of(which or tank(), checkins, events, DAY, CATALOGUE))


def unionised(checkins):
    return unionised_now(TankLog.of(tank(), checkins, (), DAY, CATALOGUE))


WATER = {
    "ph": reading(8.2, unit="[pH]"),
    "temperature": reading(25.0, unit="Cel"),
    "salinity": reading(35.0, unit="1"),
}


def test_unionised_bounds_come_from_every_kit():
    rows = [
        checkin(
            ammonia=reading(0.5, 1.0, 2.0),
            ph=reading(8.0, 8.2, 8.4, "[pH]"),
            temperature=reading(24.0, 25.0, 26.0, "Cel"),
            salinity=reading(35.0, unit="1"),
        )
    ]
    now = unionised(rows)
    assert now.low == pytest.approx(mg_l(0.5, 8.0, 24, 35))
    assert now.best == pytest.approx(mg_l(1.0, 8.2, 25, 35))
    assert now.high == pytest.approx(mg_l(2.0, 8.4, 26, 35))


def test_assumed_water_is_said():
    now = unionised([checkin(ammonia=reading(1.0))])
    assert now.best == pytest.approx(mg_l(1.0, 8.2, 25, 35))
    assert now.basis.count("assumed, not logged lately") == 3
    assert "NBS" in now.basis
    full = unionised([checkin(ammonia=reading(1.0), **WATER)])
    assert "not logged lately" not in full.basis
    assert full.best == now.best


def test_ph_on_the_total_scale_is_believed():
    water = {**WATER, "ph": reading(8.2, unit="[pH] total")}
    now = unionised([checkin(ammonia=reading(1.0), **water)])
    assert now.best == pytest.approx(mg_l(1.0, 8.2, 25, 35, scale="total"))
    assert "total scale" in now.basis
    assert "NBS" not in now.basis


def test_how_long_readings_stand():
    for days, ph in ((28, 8.4), (29, 8.2)):
        rows = [checkin(days, ph=reading(8.4, unit="[pH]")), checkin(14, ammonia=reading(1.0))]
        assert unionised(rows).best == pytest.approx(mg_l(1.0, ph, 25, 35))
    assert unionised([checkin(15, ammonia=reading(1.0))]) is None


def test_latest_reading_counts_and_other_tanks_do_not():
    rows = [
        checkin(5, ammonia=reading(8.0)),
        checkin(1, ammonia=reading(0.0)),
        checkin(-1, ammonia=reading(8.0)),
        checkin(0, ammonia=reading(8.0), name="Beta"),
    ]
    assert unionised(rows).high == 0
    assert unionised(rows[::-1]).high == 0
    assert cautions(rows, [event("crash", name="Beta"), event("crash", -1)]) == ()


# Total ammonia that meets the criteria at pH 8.2 (NBS), 25 °C, S 35: 6.160 % un-ionised
# (facts.md [C]), 17.031 g of NH3 from 18.039 g of NH4.
ACUTE_TOTAL = ACUTE_MG_L / (0.0616 * 17.031 / 18.039)
CHRONIC_TOTAL = CHRONIC_MG_L / (0.0616 * 17.031 / 18.039)


def test_quiet_log():
    assert cautions() == ()
    for ammonia in (reading(0, 0.125, 0.25), reading(0.99 * CHRONIC_TOTAL)):
        assert cautions([checkin(ammonia=ammonia, nitrite=reading(0.0), **WATER)]) == ()


@pytest.mark.parametrize(
    ("low", "best", "high", "level", "title"),
    [
        (1.01 * ACUTE_TOTAL, None, None, "urgent", "acute"),
        (0.5 * ACUTE_TOTAL, 1.01 * ACUTE_TOTAL, 2 * ACUTE_TOTAL, "urgent", "acute"),
        (8.0, 8.0, math.inf, "urgent", "acute"),
        (0.99 * ACUTE_TOTAL, None, None, "care", "is above the chronic"),
        (0, 1.01 * CHRONIC_TOTAL, 2 * CHRONIC_TOTAL, "care", "probably above the chronic"),
        (0, 0.5 * CHRONIC_TOTAL, 1.01 * CHRONIC_TOTAL, "care", "kit cannot tell"),
        (0, 0.5 * ACUTE_TOTAL / 10, 2 * ACUTE_TOTAL, "care", "kit cannot tell"),
    ],
)
def test_criteria(low, best, high, level, title):
    (found,) = cautions([checkin(ammonia=reading(low, best, high), **WATER)])
    assert found.level == level
    assert title in found.title
    assert "WAC 173-201A-240" in found.authority
    assert "NBS" in found.text
    assert "change water" in found.text


def test_coarse_first_step_is_said():
    strip = reading(0, 0.25, 0.5)
    hot = {**WATER, "ph": reading(8.5, unit="[pH]")}
    (found,) = cautions([checkin(ammonia=strip, **hot)])
    assert "the ammonia kit's first step is too coarse" in found.text
    between = reading(0.25, 0.3, 0.5)
    (found,) = cautions([checkin(ammonia=between, **hot)])
    assert "a kit's step is too coarse" in found.text


def test_open_reading_has_no_upper_bound():
    (found,) = cautions([checkin(ammonia=reading(8.0, 8.0, math.inf))])
    assert "or more" in found.text
    assert "inf" not in found.text


def test_livestock_added_while_ammonia_is_high():
    rows = [checkin(ammonia=reading(1.5 * CHRONIC_TOTAL), **WATER)]
    found = cautions(rows, [event("livestock_added", 3, 5)])
    assert [c.level for c in found] == ["urgent", "care"]
    assert "Livestock added" in found[0].title
    assert "None was logged" not in found[1].text
    assert [c.level for c in cautions(rows, [event("livestock_added", 15, 5)])] == ["care"]
    assert "None was logged" in cautions(rows)[0].text
    fine = [checkin(ammonia=reading(0.0), **WATER)]
    assert cautions(fine, [event("livestock_added", 3, 5)]) == ()


def test_ammonium_chloride_in_a_young_empty_tank():
    rows = [checkin(ammonia=reading(2.0), **WATER)]

    def handled(found):
        return [c for c in found if "ICSC 1051" in c.authority]

    (one,) = handled(cautions(rows, which=tank(weeks=3)))
    assert "gloves" in one.text
    assert "eye" in one.text
    assert not handled(cautions(rows, which=tank(weeks=8)))
    assert not handled(cautions(rows, [event("livestock_added", 20)], which=tank(weeks=3)))
    assert not handled(cautions([checkin(ammonia=reading(0.9), **WATER)], which=tank(weeks=3)))


def test_nitrite_alone():
    (found,) = cautions([checkin(nitrite=reading(1.0, unit="mg/L NO2"))])
    assert found.level == "care"
    assert "chloride" in found.text
    assert cautions([checkin(nitrite=reading(0.5, unit="mg/L NO2"))]) == ()
    assert cautions([checkin(nitrite=reading(0, 1.5, 3, "mg/L NO2"))]) == ()
    both = cautions([checkin(nitrite=reading(2.0), ammonia=reading(2.0), **WATER)])
    assert not [c for c in both if "Nitrite" in c.title]


@pytest.mark.parametrize("kind", ["sand_disturbed", "deep_clean"])
def test_deep_sand(kind):
    def gas(found):
        return [c for c in found if "sulphide" in c.title]

    (one,) = gas(cautions(events=[event(kind)], which=tank(sand=60)))
    assert "ventilated" in one.text
    assert not gas(cautions(events=[event(kind)], which=tank(sand=59)))
    assert gas(cautions(events=[event(kind)], which=tank(weeks=28)))
    assert not gas(cautions(events=[event(kind)], which=tank(weeks=20)))
    assert not gas(cautions(events=[event(kind, 15)], which=tank(sand=60)))


def test_crash_comes_first():
    found = cautions(events=[event("medication"), event("crash", 14)])
    assert [c.level for c in found] == ["urgent", "care"]
    assert "Remove dead animals" in found[0].text
    assert "residual-current" in found[0].text
    # It stands until ammonia was read again, for eight weeks at most.
    assert [c.title for c in cautions(events=[event("crash", 15)])] == ["After a crash"]
    assert cautions(events=[event("crash", 57)]) == ()
    read = checkin(14, ammonia=reading(0, 0.005, 0.01), **WATER)
    assert cautions([read], [event("crash", 15)]) == ()


def test_medication_defers_to_label_and_vet():
    (found,) = cautions(events=[event("medication")])
    for word in ("label", "vet", "do not combine", "Carbon"):
        assert word in found.text


def test_pods_gone():
    def looks(*days_and_seen, sign="amphipods"):
        return [checkin(d, {sign: s}) for d, s in days_and_seen]

    (found,) = cautions(looks((42, True), (20, False), (3, False)))
    assert "bad omen" in found.text
    assert found.authority == "common practice, no source"
    assert cautions(looks((42, True), (3, False), sign="copepods")) == ()
    assert cautions(looks((43, True), (20, False), (3, False))) == ()
    assert cautions(looks((30, False), (20, False), (3, False))) == ()
    assert cautions(looks((42, True), (20, False), (10, True), (3, False))) == ()
    # not checked is not the same as not seen
    rows = [*looks((30, True), (20, False)), checkin(10), checkin(3)]
    assert cautions(rows) == ()


@pytest.mark.parametrize(
    ("analyte", "bad", "good"),
    [
        ("temperature", 30.4, 30.0),
        ("temperature", 19.5, 20.0),
        ("salinity", 29.0, 30.0),
        ("salinity", 38.6, 38.0),
    ],
)
def test_usual_range(analyte, bad, good):
    (found,) = cautions([checkin(**{analyte: reading(bad)})])
    assert "out of the usual range" in found.title
    assert cautions([checkin(**{analyte: reading(good)})]) == ()
    # '<x' does not say that it is low
    assert cautions([checkin(**{analyte: reading(0, good / 2, good)})]) == ()


def test_deep_clean_speaks_of_hands():
    (found,) = cautions(events=[event("deep_clean")], which=tank(sand=20))
    assert "palytoxin" in found.text
    assert "MMWR" in found.authority


def everything():
    rows = [
        checkin(30, {"amphipods": True}),
        checkin(20, {"amphipods": False}),
        checkin(
            1,
            {"amphipods": False},
            ammonia=reading(4.0),
            temperature=reading(31.0),
            salinity=reading(29.0),
        ),
    ]
    kinds = ("crash", "sand_disturbed", "deep_clean", "medication", "livestock_added")
    return (
        *cautions(rows, [event(k) for k in kinds], tank(sand=80)),
        *cautions([checkin(nitrite=reading(2.0))]),
        *cautions([checkin(ammonia=reading(0, 0.3, 0.8))]),
        *cautions([checkin(ammonia=reading(3.0))], which=tank(weeks=2)),
    )


def test_every_caution_has_an_authority_and_no_dose():
    found = everything()
    assert len({c.title for c in found}) == 13
    for caution in found:
        assert caution.authority
        assert caution.text.endswith((".", ")."))
        # a number with a unit of mass or volume to put in would be a dose
        assert not re.search(r"\d\s?(ml|mg|g|drops|tablets)\b(?!/L)", caution.text)
        assert "diagnos" not in caution.text.lower()
    assert all("A vet" in c.text for c in found if c.level == "urgent")


def test_each_remedy_of_a_caution_is_a_rule():
    rows = [checkin(ammonia=reading(1.5 * CHRONIC_TOTAL), **WATER)]
    (care,) = cautions(rows)
    # Without animals its ammonia belongs to the cycle.
    assert care.remedies == ("measure_ammonia",)
    stocked = cautions(rows, [event("livestock_added", 15, 5)])
    assert stocked[0].remedies == ("change_water", "measure_ammonia", "stop_adding")
    nitrite = cautions([checkin(nitrite=reading(2.0))])
    assert "measure_ammonia" in nitrite[0].remedies
    both = cautions([checkin(nitrite=reading(2.0), ammonia=reading(0.0))])
    assert both[0].remedies == ("stop_adding",)
    assert {name for c in (*stocked, *nitrite) for name in c.remedies} <= set(load_decisions())
