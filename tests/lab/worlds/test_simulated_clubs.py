"""All worlds come out as ordinary logbooks, with a truth that fits the weekly grid."""

from __future__ import annotations

import csv
import datetime as dt
import io
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds import (
    BREAKABLE,
    BROKEN,
    PHASES,
    WORLDS,
    SimulatedClub,
    presets,
    simulate,
)
from maturity_model.logbook import read_logbook
from maturity_model.panel import build_panel

N, WEEKS = 24, 40


@cache
def club(world: str, *broken: str, **options: object) -> SimulatedClub:
    options = {"n": N, "seed": 5} | options
    n, seed = options.pop("n"), options.pop("seed")
    return simulate(world, n, WEEKS, seed, broken=broken, **options)  # type: ignore[arg-type]


def errors(c: SimulatedClub) -> list[str]:
    return [str(p) for p in c.logbook.problems if p.severity == "error"]


@pytest.mark.slow
@pytest.mark.parametrize("world", WORLDS)
def test_the_log_reads_without_errors_in_every_range(world: str) -> None:
    assert presets(world)
    for preset in presets(world):
        for seed in (1, 2):
            c = simulate(world, 12, 30, seed, preset=preset, judged=0.5)
            assert errors(c) == []
            assert all(r.read == r.used > 0 for r in c.logbook.rows)
            assert {r.file for r in c.logbook.rows} == set(c.files)
            assert len(c.logbook.tanks) == 12
            assert not c.logbook.refused_tanks
            judged = {k.tank for k in c.logbook.checkins if k.judged_phase}
            assert len(judged) == 6


@pytest.mark.parametrize("world", WORLDS)
def test_truth_lies_on_the_weekly_grid(world: str) -> None:
    c = club(world)
    assert c.truth.shape == (N, WEEKS + 1)
    assert set(np.unique(c.truth)) <= {0, 1, 2, 3}
    panel = build_panel(c.logbook, as_of=c.end)
    rows = c.truth_rows()
    assert list(rows[0]) == ["tank", "week", "date", "phase"]
    expected = [
        (t.name, str(week), date.isoformat(), PHASES[c.truth[n, week]])
        for n, t in enumerate(panel.tanks)
        for week, date in enumerate(panel.week_ends(n))
    ]
    assert [tuple(r.values()) for r in rows] == expected
    assert tuple(load_catalogue().phases) == PHASES


@pytest.mark.parametrize("world", WORLDS)
def test_the_seed_decides(world: str) -> None:
    a, b = club(world), simulate(world, N, WEEKS, 5)
    assert a.files == b.files
    assert np.array_equal(a.truth, b.truth)
    other = simulate(world, N, WEEKS, 6)
    assert a.files["checkins.csv"] != other.files["checkins.csv"]
    assert not np.array_equal(a.truth, other.truth)


@pytest.mark.parametrize("world", WORLDS)
def test_another_batch_holds_other_tanks(world: str) -> None:
    a, b = club(world), club(world, batch=1)
    assert not a.logbook.tanks.keys() & b.logbook.tanks.keys()
    assert not {t.keeper for t in a.logbook.tanks.values()} & {
        t.keeper for t in b.logbook.tanks.values()
    }
    assert errors(b) == []
    assert not np.array_equal(a.truth, b.truth)


def test_batches_and_sizes_share_the_world() -> None:
    from maturity_model.lab.worlds.mechanistic.ranges import PRESETS, RANGES, draw

    def middle(seed: int, batch: int, n: int) -> np.ndarray:
        world, tanks = np.random.default_rng([seed, 3]), np.random.default_rng([seed, 0, batch])
        p = draw(PRESETS["typical"], n, world, tanks, {})
        return np.array([np.log(p[name]).mean() for name in RANGES])

    spread = np.array([r.spread for r in RANGES.values()])
    near = np.abs(middle(1, 0, 3000) - middle(1, 1, 2000)) / spread
    far = np.abs(middle(1, 0, 3000) - middle(2, 0, 3000)) / spread
    assert np.median(near) < 0.05
    assert np.median(far) > 0.3


@pytest.mark.parametrize("world", WORLDS)
def test_what_is_written_reads_back(world: str, tmp_path: Path) -> None:
    c = club(world)
    out = tmp_path / "club"
    c.write(out)
    assert {p.name for p in out.iterdir()} == {*c.files, "truth.csv"}
    again = read_logbook(out)
    assert not [p for p in again.problems if p.severity == "error"]
    assert again.tanks == c.logbook.tanks
    assert again.checkins == c.logbook.checkins
    assert again.events == c.logbook.events
    found = list(csv.DictReader(io.StringIO((out / "truth.csv").read_text("utf-8"))))
    assert found == c.truth_rows()


# -- broken assumptions ------------------------------------------------------------------


@pytest.mark.parametrize("world", BREAKABLE)
@pytest.mark.parametrize("name", BROKEN)
def test_every_broken_world_reads_without_errors_and_differs(world: str, name: str) -> None:
    c = club(world, name)
    assert errors(c) == []
    assert c.files["checkins.csv"] != club(world).files["checkins.csv"]
    if name in ("persistence", "observers", "kit_bias", "skipping") and world == "mechanistic":
        # Who looks changes nothing in the tanks.
        assert np.array_equal(c.truth, club(world).truth)
        assert c.files["tanks.csv"] == club(world).files["tanks.csv"]


@pytest.mark.parametrize("world", BREAKABLE)
def test_a_missing_sign(world: str) -> None:
    for given, sign in (("missing_sign", "spirorbid_worms"), ("missing_sign=diatoms", "diatoms")):
        plain = [k.signs[sign] for k in club(world).logbook.checkins if sign in k.signs]
        found = [k.signs[sign] for k in club(world, given).logbook.checkins if sign in k.signs]
        assert len(found) > 100
        # Look-alikes still deceive keepers of the mechanistic world.
        assert np.mean(found) <= (0.0 if world == "model" else 0.15)
        assert np.mean(plain) > np.mean(found) + 0.1


@pytest.mark.parametrize("world", BREAKABLE)
def test_a_kit_one_step_off(world: str) -> None:
    def readings(c: SimulatedClub) -> dict[tuple[str, dt.date, str], float]:
        return {
            (k.tank, k.date, a): r.best
            for k in c.logbook.checkins
            for a, r in k.readings.items()
            if a in ("ammonia", "nitrite", "nitrate", "phosphate")
        }

    plain, off = readings(club(world)), readings(club(world, "kit_bias"))
    if world == "mechanistic":
        assert plain.keys() == off.keys()
        same = [off[k] == plain[k] for k in plain]
        assert all(off[k] >= plain[k] for k in plain)
        assert np.mean(same) < 0.1  # the last step of a chart is the last
    else:
        # The previous reading pulls, so streams part; nothing is read as zero any more.
        assert min(off.values()) > 0
        assert min(plain.values()) == 0
    assert np.mean(list(off.values())) > np.mean(list(plain.values()))


@pytest.mark.parametrize("world", BREAKABLE)
def test_skipping_leaves_out_what_is_well(world: str) -> None:
    def rate(c: SimulatedClub, wanted: tuple[int, ...]) -> float:
        tanks = list(c.logbook.tanks)
        weeks = np.zeros(c.truth.shape, dtype=bool)
        for k in c.logbook.checkins:
            start = c.logbook.tanks[k.tank].started
            weeks[tanks.index(k.tank), (k.date - start).days // 7] = True
        return float(weeks[np.isin(c.truth, wanted)].mean())

    plain, broken = club(world, n=60), club(world, "skipping", n=60)
    early = rate(broken, (0, 1)) / rate(plain, (0, 1))
    late = rate(broken, (2, 3)) / rate(plain, (2, 3))
    assert late < 0.75
    assert late < 0.8 * early


@pytest.mark.parametrize("world", BREAKABLE)
def test_the_bloom_is_passed_over(world: str) -> None:
    def through(c: SimulatedClub) -> float:
        # Tank-weeks of bloom on the first way up, per tank that leaves cycling.
        weeks = [
            np.sum(row[: np.argmax(row >= 2)] == 1) if (row >= 2).any() else np.sum(row == 1)
            for row in c.truth
        ]
        return float(np.mean(weeks))

    plain, broken = through(club(world, n=60)), through(club(world, "phase_skipped", n=60))
    assert plain > 5
    assert broken < (0.15 if world == "model" else 0.5) * plain


@pytest.mark.parametrize("world", BREAKABLE)
def test_observers_who_are_worse_miss_and_mistake_more(world: str) -> None:
    def contrast(c: SimulatedClub) -> float:
        # How much likelier copepods are said to be there in late phases than in the first.
        tanks = list(c.logbook.tanks)
        said: dict[bool, list[bool]] = {True: [], False: []}
        for k in c.logbook.checkins:
            week = (k.date - c.logbook.tanks[k.tank].started).days // 7
            phase = c.truth[tanks.index(k.tank), week]
            if phase != 1:
                said[bool(phase > 1)] += [
                    k.signs[s] for s in ("copepods", "amphipods") if s in k.signs
                ]
        return float(np.mean(said[True]) - np.mean(said[False]))

    assert contrast(club(world, "observers", n=60)) < 0.8 * contrast(club(world, n=60))


@pytest.mark.parametrize("world", BREAKABLE)
def test_twice_as_persistent(world: str) -> None:
    def alike(c: SimulatedClub) -> float:
        last: dict[tuple[str, str], bool] = {}
        same = []
        for k in c.logbook.checkins:
            for sign, seen in k.signs.items():
                if (k.tank, sign) in last:
                    same.append(last[k.tank, sign] == seen)
                last[k.tank, sign] = seen
        return float(np.mean(same))

    assert alike(club(world, "persistence", n=60)) > alike(club(world, n=60)) + 0.02


def test_assumptions_can_be_broken_together() -> None:
    c = club("mechanistic", "kit_bias", "skipping", "missing_sign=amphipods")
    assert errors(c) == []
    assert len(c.logbook.checkins) < 0.8 * len(club("mechanistic").logbook.checkins)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"world": "other"}, "is not a world"),
        ({"preset": "nice"}, "is not a preset"),
        ({"preset": "club"}, "is not a preset of the mechanistic world"),
        ({"world": "microcosm", "preset": "typical"}, "is not a preset of the microcosm world"),
        ({"world": "mesocosm", "preset": "typical"}, "is not a preset of the mesocosm world"),
        ({"world": "microcosm", "broken": ["kit_bias"]}, "no assumptions to break"),
        ({"world": "mesocosm", "broken": ["kit_bias"]}, "no assumptions to break"),
        ({"broken": ["all"]}, "is not an assumption"),
        ({"broken": ["skipping", "skipping"]}, "named twice"),
        ({"broken": ["skipping=2"]}, "takes no value"),
        ({"broken": ["missing_sign=coralline_algae"]}, "cannot be missing"),
        ({"n_tanks": 0}, "needs a tank"),
        ({"weeks": 521}, "1 to 520 weeks"),
        ({"seed": -1}, "of at least 0"),
        ({"batch": -1}, "of at least 0"),
        ({"judged": 1.5}, "are shares"),
        ({"judge_accuracy": float("nan")}, "are shares"),
    ],
)
def test_nonsense_is_refused(change: dict[str, object], message: str) -> None:
    asked = {"world": "mechanistic", "n_tanks": 3, "weeks": 5, "seed": 1} | change
    with pytest.raises(ValueError, match=message):
        simulate(**asked)  # type: ignore[arg-type]


@pytest.mark.slow
def test_the_longest_log_ends_in_the_past() -> None:
    c = simulate("mechanistic", 1, 520, 1)
    assert errors(c) == []
    assert c.end < dt.date(2026, 1, 1)
