"""Keepers look imperfectly, each in their own way, and not at random."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from functools import cache

import numpy as np
import pytest

from maturity_model.catalogue import LOOKS as CATALOGUE_LOOKS
from maturity_model.catalogue import METHODS, ROCKS, load_catalogue
from maturity_model.lab.worlds.mechanistic import Club, kits, live
from maturity_model.lab.worlds.mechanistic.judges import Judge
from maturity_model.lab.worlds.mechanistic.keepers import (
    ANALYTES,
    LOOKS,
    SIGNS,
    Broken,
    Keepers,
)
from maturity_model.lab.worlds.mechanistic.phases import PHASES, nuisance
from maturity_model.lab.worlds.mechanistic.ranges import PRESETS, draw
from maturity_model.lab.worlds.mechanistic.ranges import ROCKS as ECOLOGY_ROCKS
from maturity_model.logbook.units import find_unit

START = dt.date(2015, 1, 5)
DAYS, N = 7 * 45, 120


@cache
def club(**options: object) -> Club:
    return live(N, DAYS, 77, START, **options)  # type: ignore[arg-type]


def keepers(n: int = 400, seed: int = 1) -> Keepers:
    rng = np.random.default_rng(seed)
    return Keepers(draw(PRESETS["typical"], n, rng, rng, {}), np.arange(n), rng, Broken())


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


# -- looking -----------------------------------------------------------------------------


def test_seeing_rises_with_abundance_and_with_the_way_of_looking() -> None:
    k = keepers()
    grid = np.linspace(0, 1, 21)
    for i in range(20):
        for look in range(3):
            p = np.array([k.seen_chance(np.full(12, a), i, look) for a in grid])
            assert (p[0] == 0).all()
            assert (np.diff(p, axis=0) >= 0).all()
            assert (p < 1).all()
        by_look = np.array([k.seen_chance(np.full(12, 0.1), i, look) for look in range(3)])
        assert (np.diff(by_look, axis=0) > 0).all()
        small, plain = by_look[2, :6] / by_look[0, :6], by_look[2, 6:] / by_look[0, 6:]
        assert np.median(small) > np.median(plain)


def test_what_is_not_there_is_seldom_seen_and_then_again_and_again() -> None:
    c = live(N, DAYS, 78, START, missing="syconoid_sponges")
    assert (c.history.animals[:, 3] == 0).all()
    answers: dict[str, list[bool]] = {}
    for r in c.checkins:
        if "syconoid_sponges" in r:
            answers.setdefault(r["tank"], []).append(r["syconoid_sponges"] == "y")
    flat = np.concatenate(list(answers.values()))
    assert 0.005 < flat.mean() < 0.2
    # Look-alikes: false sightings gather in few tanks.
    wrong = np.array([np.sum(a) for a in answers.values()])
    assert wrong.var() > 2.5 * wrong.mean()


def test_worried_keepers_look_harder_and_more_often() -> None:
    c = club()
    worry = keepers(N).worry(c.history)
    assert np.corrcoef(worry.ravel(), nuisance(c.history).ravel())[0, 1] > 0.3
    worried: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    for r in c.checkins:
        day = (dt.date.fromisoformat(r["date"]) - START).days
        z = worry[day, int(r["tank"][5:])]
        if z < 0.1 or z > 0.4:
            worried[bool(z > 0.4)][r["look"]] += 1
    shares = {z: n["torch"] / n.total() for z, n in worried.items()}
    assert min(n.total() for n in worried.values()) > 200
    assert shares[True] > 1.3 * shares[False]


def test_one_checkin_a_week_at_most_and_gaps() -> None:
    c = club()
    weeks = Counter(
        (r["tank"], (dt.date.fromisoformat(r["date"]) - START).days // 7) for r in c.checkins
    )
    assert max(weeks.values()) == 1
    share = len(c.checkins) / (N * DAYS // 7)
    assert 0.35 < share < 0.85
    assert [r["date"] for r in c.checkins] == sorted(r["date"] for r in c.checkins)


# -- kits --------------------------------------------------------------------------------


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
    meter = kits.KITS["ammonia"][3][1]
    assert (read(meter, 0.4), read(meter, 0.4, 1)) == ("0.40", "0.60")
    assert read(kits.KITS["salinity"][1][1], 35.0) == "1.026"
    assert read(kits.KITS["alkalinity"][0][1], 2.5) == "7.0"
    assert read(kits.KITS["alkalinity"][0][1], 2.5, 1) == "7.0"  # nutrients only


def test_kits_are_biased_and_scatter() -> None:
    rng = np.random.default_rng(1)
    meter = kits.KITS["nitrite"][3][1]
    low, high = (
        np.mean([float(kits.read(meter, 0.5, b, 0.1, rng)) for _ in range(300)])
        for b in (-0.2, 0.2)
    )
    assert high / low == pytest.approx(np.exp(0.4), rel=0.05)
    values = [float(kits.read(meter, 0.5, 0.0, 0.2, rng)) for _ in range(2000)]
    assert np.std(np.log(values)) == pytest.approx(0.2, rel=0.1)


# -- events ------------------------------------------------------------------------------


def test_a_share_of_events_goes_unlogged_and_some_are_misdated() -> None:
    c = club()
    for kind in ("overfeeding", "livestock_added", "deep_clean"):
        real = {(e.tank, e.day) for e in c.happened if e.kind == kind}
        logged = [
            (int(r["tank"][5:]), (dt.date.fromisoformat(r["date"]) - START).days)
            for r in c.events
            if r["event"] == kind
        ]
        assert 0.5 < len(logged) / len(real) < 0.97, kind
        wrong = np.mean([e not in real for e in logged])
        assert 0.02 < wrong < 0.3, kind
        for tank, day in logged:
            assert any(t == tank and abs(d - day) <= 10 for t, d in real)
    kinds = {r["event"] for r in c.events}
    assert "hidden_death" not in kinds
    assert "neglect" not in kinds
    assert {e.kind for e in c.unnoticed} >= {"hidden_death", "neglect"}


# -- judges ------------------------------------------------------------------------------


def test_a_judge_errs_to_the_neighbours_and_sticks_to_what_was_said() -> None:
    phases = np.repeat([0, 1, 2, 3], 100)
    said: dict[int, Counter[str]] = {k: Counter() for k in range(4)}
    blank = 0
    for seed in range(400):
        judge = Judge(0.7, np.random.default_rng(seed))
        for k in range(4):
            word = judge.judge(100 * k + 60, phases)  # too far apart to stick
            said[k][word] += 1
            blank += not word
    assert 0.35 < blank / 1600 < 0.45
    for k in range(4):
        named = {PHASES.index(w): n for w, n in said[k].items() if w}
        total = sum(named.values())
        assert named[k] / total == pytest.approx(0.7, abs=0.09)
        assert set(named) <= {k - 1, k, k + 1}
    repeats = []
    for seed in range(600):
        judge = Judge(0.0, np.random.default_rng(seed))
        words = [judge.judge(day, np.full(400, 1)) for day in (300, 307)]
        if all(words):
            repeats.append(words[0] == words[1])
    # Never right, so one of two neighbours: half alike afresh, and always when stuck to.
    assert np.mean(repeats) == pytest.approx(0.4 + 0.6 * 0.5, abs=0.1)
