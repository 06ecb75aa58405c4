"""The ecology keeps its books: matter is conserved, and no stock turns negative."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maturity_model.lab.worlds.mechanistic import PRESETS, happenings
from maturity_model.lab.worlds.mechanistic.husbandry import Husbandry
from maturity_model.lab.worlds.mechanistic.ranges import RANGES, SHARES, draw
from maturity_model.lab.worlds.mechanistic.tank import ALKALINITY_PER_NITROGEN, Tanks, taken

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


def test_diatoms_stop_when_silicate_runs_out() -> None:
    t, rich = tanks(9), tanks(9)
    rich.silicate += 1000.0
    for _ in range(80):
        t.day(np.full(N, 0.1))
        rich.day(np.full(N, 0.1))
    assert np.median(t.silicate) < 0.8
    assert t.algae[0].mean() < 0.7 * rich.algae[0].mean()


def test_grazers_need_food_and_take_algae() -> None:
    fed, starved = tanks(10), tanks(10)
    for t in (fed, starved):
        t.arrives[:] = True
        t.bring(np.full_like(t.animals, 0.2))
    starved.p = dict(starved.p, light=np.zeros(N))
    starved.detritus[:] = 0.0
    for _ in range(90):
        fed.day(np.full(N, 0.15))
        starved.day(np.zeros(N))
    assert np.median(fed.animals[:2]) > 4 * np.median(starved.animals[:2])
    bare = tanks(10)
    bare.arrives[:] = False
    bare.animals[:] = 0.0
    bare.ledger = {"nitrogen": bare.nitrogen(), "phosphorus": bare.phosphorus()}
    for _ in range(90):
        bare.day(np.full(N, 0.15))
    assert bare.algae[1].mean() > 1.3 * fed.algae[1].mean()


def test_coralline_needs_spores_and_alkalinity() -> None:
    with_spores, without, acid = tanks(11), tanks(11), tanks(11)
    for t in (with_spores, acid):
        t.coralline[:] = 0.02
    without.coralline[:] = 0.0
    acid.p = dict(acid.p, alkalinity_set=np.full(N, 1.4))
    acid.alkalinity[:] = 1.4
    for _ in range(150):
        for t in (with_spores, without, acid):
            t.day(np.full(N, 0.08))
    assert (without.coralline == 0).all()
    assert np.median(with_spores.coralline) > 0.1
    assert np.median(acid.coralline) < 0.02


@given(st.floats(0, 1e3), st.floats(0, 1e6))
def test_no_more_is_taken_than_there_is(stock: float, wanted: float) -> None:
    got = float(taken(np.array([stock]), np.array([wanted]))[0])
    assert 0 <= got <= min(stock, wanted) * (1 + 1e-12)


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


def test_ammonia_holds_the_nitrite_oxidisers_back() -> None:
    clean, fouled = tanks(12), tanks(12)
    for t, ammonia in ((clean, 0.0), (fouled, 6.0)):
        t.nitrite[:], t.ammonia[:] = 1.0, ammonia
        t.ammonia_oxidiser[:] = 0.0
    before = clean.nitrite_oxidiser.copy()
    clean.nitrify(np.ones(N))
    fouled.nitrify(np.ones(N))
    assert (fouled.nitrate < clean.nitrate).all()
    assert (fouled.nitrite_oxidiser < clean.nitrite_oxidiser).all()
    assert (clean.nitrite_oxidiser > before).all()
