"""The mechanistic ecology: matter is conserved, names and kits are those of the log format."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.catalogue import LOOKS as CATALOGUE_LOOKS
from maturity_model.catalogue import METHODS, ROCKS, load_catalogue
from maturity_model.lab.worlds.mechanistic import PRESETS, happenings, kits
from maturity_model.lab.worlds.mechanistic.husbandry import Husbandry
from maturity_model.lab.worlds.mechanistic.keepers import ANALYTES, LOOKS, SIGNS
from maturity_model.lab.worlds.mechanistic.phases import PHASES
from maturity_model.lab.worlds.mechanistic.ranges import RANGES, SHARES, draw
from maturity_model.lab.worlds.mechanistic.ranges import ROCKS as ECOLOGY_ROCKS
from maturity_model.lab.worlds.mechanistic.tank import ALKALINITY_PER_NITROGEN, Tanks
from maturity_model.logbook.units import find_unit

STOCKS = (
    "ammonia", "nitrite", "nitrate", "phosphate", "bound", "silicate", "detritus",
    "ammonia_oxidiser", "nitrite_oxidiser", "algae", "animals", "coralline", "snails", "hunters",
    "gas", "alkalinity", "salinity",
)  # fmt: skip
N = 40


def tanks(seed: int, preset: str = "typical", n: int = N) -> Tanks:
    rng = np.random.default_rng(seed)
    p = draw(PRESETS[preset], n, rng, rng, {})
    return Tanks(p, np.arange(n) % 3, np.full(n, 40.0), rng)


def books(t: Tanks) -> np.ndarray:
    """What is there, less what the ledger says, relative to all that came in."""
    return np.stack(
        [
            (t.nitrogen() - t.ledger["nitrogen"]) / (1 + t.nitrogen()),
            (t.phosphorus() - t.ledger["phosphorus"]) / (1 + t.phosphorus()),
        ]
    )


@pytest.mark.parametrize("preset", ["typical", "rough", "wide"])
def test_nitrogen_and_phosphorus_are_conserved_up_to_the_ledger(preset: str) -> None:
    t = tanks(3, preset)
    keepers = Husbandry(t, np.random.default_rng(4))
    for day in range(300):
        t.day(keepers.day(day))
        assert np.abs(books(t)).max() < 1e-9, day
        for name in STOCKS:
            stock = getattr(t, name)
            assert np.isfinite(stock).all(), (name, day)
            assert (stock >= 0).all(), (name, day)
        assert (t.algae.sum(0) + 0.7 * t.coralline < 1.05).all(), day
        assert (t.animals <= 1.2).all()
    kinds = {e.kind for e in keepers.events + keepers.unnoticed}
    assert kinds >= {"water_change", "overfeeding", "livestock_added", "sand_disturbed"}


@pytest.mark.parametrize(
    "act",
    [
        lambda t, w: happenings.change_water(t, w, np.full(len(w), 40.0)),
        lambda t, w: happenings.crash(t, w, np.full(len(w), 1.5)),
        lambda t, w: happenings.rot(t, w, np.full(len(w), 0.7)),
        lambda t, w: happenings.add_livestock(t, w, snails=True),
        lambda t, w: happenings.clean_deeply(t, w, np.full(len(w), 1.2)),
        lambda t, w: happenings.disturb_sand(t, w, np.full(len(w), 2.0)),
        lambda t, w: happenings.medicate(t, w, np.full(len(w), 1.0)),
    ],
)
def test_what_is_done_keeps_the_books_and_leaves_others_alone(act) -> None:
    t = tanks(5)
    for _ in range(60):
        t.day(np.full(N, 0.15))
    before = {name: getattr(t, name).copy() for name in STOCKS}
    where, others = np.arange(0, N, 2), np.arange(1, N, 2)
    act(t, where)
    assert np.abs(books(t)).max() < 1e-9
    changed = False
    for name in STOCKS:
        now = getattr(t, name)
        assert np.array_equal(now[..., others], before[name][..., others]), name
        assert (now >= 0).all(), name
        changed |= not np.array_equal(now, before[name])
    assert changed


def test_without_food_and_light_what_is_left_is_oxidised() -> None:
    t = tanks(6)
    t.p = dict(t.p, light=np.zeros(N), denitrified=np.zeros(N), exported=np.zeros(N))
    t.settles[:] = False
    t.arrives[:] = False
    total = t.nitrogen()
    for _ in range(400):
        t.day(np.zeros(N))
    assert np.allclose(t.nitrogen(), total, rtol=1e-9)
    # Starved nitrifiers leave a little standing.
    assert (t.ammonia + t.nitrite < 0.06).all()
    assert (t.nitrate / total > 0.85).all()


def test_ammonia_rises_before_nitrite_and_nitrite_before_nitrate() -> None:
    t = tanks(7)
    dry = np.arange(N) % 3 == 0
    series = []
    for _ in range(120):
        t.day(np.full(N, 0.03))
        series.append((t.ammonia[dry], t.nitrite[dry], t.nitrate[dry]))
    ammonia, nitrite, nitrate = (np.array(x) for x in zip(*series, strict=True))
    # The usual order of a new tank (common practice, no source).
    assert (np.argmax(nitrite, 0) > np.argmax(ammonia, 0)).all()
    assert (nitrite.max(0) > 0.4).mean() > 0.8
    assert (np.argmax(np.diff(nitrate, axis=0), 0) > np.argmax(np.diff(nitrite, axis=0), 0)).all()


def test_oxidising_uses_alkalinity() -> None:
    t = tanks(8)
    t.p = dict(t.p, dosing=np.zeros(N))
    alkalinity = t.alkalinity.copy()
    t.nitrify(np.ones(N))
    assert np.allclose(alkalinity - t.alkalinity, ALKALINITY_PER_NITROGEN * t.processed, atol=2e-3)
    # Two protons for each ammonium: 2 mol of alkalinity per 14.007 g of nitrogen.
    assert pytest.approx(0.14279, abs=1e-5) == ALKALINITY_PER_NITROGEN


def test_parameters_lie_in_their_ranges() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        p = draw(PRESETS["typical"], 400, rng, rng, {"load": 2.0})
        for name, (low, high, spread, source) in RANGES.items():
            factor = 2.0 if name == "load" else 1.0
            middle = np.exp(np.log(p[name]).mean()) / factor
            room = np.exp(4 * spread / np.sqrt(400)) * 1.02
            assert source
            assert middle < high * room
            if name not in SHARES:  # which are cut off at 1
                assert middle > low / room
            else:
                assert p[name].max() <= 0.98


# What is written down ------------------------------------------------------------------


def test_its_names_are_those_of_the_log_format() -> None:
    catalogue = load_catalogue()
    assert set(SIGNS) == set(catalogue.signs)
    assert set(ANALYTES) == set(catalogue.analytes)
    assert tuple(LOOKS) == tuple(CATALOGUE_LOOKS)
    assert tuple(PHASES) == tuple(catalogue.phases)
    assert tuple(ECOLOGY_ROCKS) == tuple(ROCKS)
    for analyte, choices in kits.KITS.items():
        assert sum(share for share, _ in choices) == pytest.approx(1)
        for _, kit in choices:
            assert kit.analyte == analyte
            assert kit.method in METHODS
            unit = find_unit(analyte, kit.unit)
            assert unit is not None
            assert not unit.assumed
            if kit.unit != "sg 25/25":
                # The kit's own factor agrees with the one place where units are converted.
                element = kits.ION.get(analyte, 1.0)
                assert unit.convert(kit.factor) == pytest.approx(element, rel=1e-4)


def test_a_kit_without_error_reads_the_nearest_step() -> None:
    class Still:
        def normal(self, size: int) -> np.ndarray:
            return np.zeros(size)

        def random(self) -> float:
            return 0.9

    def read(kit: kits.Kit, truth: float, shift: int = 0) -> str:
        return kits.read(kit, truth, 0.0, 0.0, Still(), shift)  # type: ignore[arg-type]

    chart = kits.KITS["ammonia"][0][1]
    # 0.4 mg/L of nitrogen is 0.515 mg/L of ammonium.
    assert [read(chart, x) for x in (0.0, 0.09, 0.1, 0.4, 99.0)] == ["0", "0", "0.25", "0.5", "8"]
    assert [read(chart, x, 1) for x in (0.0, 0.4, 99.0)] == ["0.25", "1", "8"]
    assert read(kits.KITS["ammonia"][3][1], 0.4) == "0.40"
    assert read(kits.KITS["salinity"][1][1], 35.0) == "1.026"
    assert read(kits.KITS["alkalinity"][0][1], 2.5, 1) == "7.0"  # only nutrients are shifted
