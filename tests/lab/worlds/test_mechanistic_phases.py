"""The true phase follows from what a tank does, by the rules that are written down."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from maturity_model.lab.worlds.mechanistic.phases import (
    BLOOM,
    COLONISING,
    CYCLING,
    MATURE,
    Rules,
    read_phases,
    trailing_mean,
    trailing_range,
)

DAYS = 400
#: What all of it takes, from the first day.
GOOD = {
    "ammonia": 0.01, "nitrite": 0.01, "load": 0.2, "nitrate": 2.0, "temperature": 25.0,
    "salinity": 35.0, "alkalinity": 2.7, "coralline": 0.5,
}  # fmt: skip
ALL = slice(None)


def tank(*changes: tuple[str, object, object]) -> SimpleNamespace:
    """One tank that can be mature, but for changes: of what, when (or where), to which value."""
    t = SimpleNamespace(
        series={name: np.full((DAYS, 1), value) for name, value in GOOD.items()},
        algae=np.full((DAYS, 4, 1), 0.02),
        animals=np.full((DAYS, 6, 1), 0.4),
    )
    for what, where, value in changes:
        (t.series[what] if what in t.series else getattr(t, what))[where] = value
    return t


def phases(t: SimpleNamespace, arrives: tuple[bool, ...] = (True,) * 6) -> np.ndarray:
    return read_phases(t, np.array(arrives)[:, None])[:, 0]


def test_the_best_of_tanks_still_has_to_show_it_for_a_month() -> None:
    found, r = phases(tank()), Rules()
    assert found[0] == CYCLING
    assert found[-1] == MATURE
    assert np.argmax(found >= BLOOM) == r.cleared_days - 1
    assert np.argmax(found >= COLONISING) == r.days - 1
    assert np.argmax(found >= MATURE) == r.month + r.days - 1


@pytest.mark.parametrize(
    ("changes", "days", "phase"),
    [
        # Half a day's load that stands is not processed within the day, though none piles up.
        ([("ammonia", ALL, 0.2)], slice(0, None), CYCLING),
        ([("nitrite", ALL, 0.2)], slice(0, None), CYCLING),
        ([("nitrite", slice(0, 60), 1.0)], slice(0, 60), CYCLING),
        # Surfaces held by algae; between the two bounds nothing changes.
        ([("algae", (ALL, 2), 0.6)], slice(10, None), BLOOM),
        (
            [("algae", (ALL, 2), 0.6), ("algae", (slice(100, None), 2), 0.44)],
            slice(10, None),
            BLOOM,
        ),
        ([("algae", (slice(150, None), 2), 0.44)], slice(170, None), COLONISING),
        ([("algae", (slice(200, None), 2), 0.6)], slice(220, None), BLOOM),
        # A haze on the glass is no bloom.
        ([("algae", (ALL, 1), 0.35)], slice(-1, None), MATURE),
        # Pods alone are two kinds, worms alone no grazers.
        ([("animals", (ALL, slice(2, 6)), 0.0)], slice(10, None), BLOOM),
        ([("animals", (ALL, slice(0, 2)), 0.0)], slice(10, None), BLOOM),
        ([("animals", (ALL, [2, 3, 5]), 0.0)], slice(-1, None), MATURE),
        # Losing the animals sets it back.
        ([("animals", slice(200, None), 0.01)], slice(-1, None), BLOOM),
        # Unsteady water, and coralline that neither spreads nor is everywhere.
        ([("temperature", slice(None, None, 20), 29.0)], slice(100, None), COLONISING),
        ([("salinity", slice(None, None, 20), 32.0)], slice(100, None), COLONISING),
        ([("alkalinity", slice(None, None, 20), 1.2)], slice(100, None), COLONISING),
        ([("nitrate", slice(None, None, 20), 30.0)], slice(100, None), COLONISING),
        ([("coralline", ALL, 0.2)], slice(100, None), COLONISING),
        ([("coralline", slice(300, None), 0.03)], slice(-1, None), COLONISING),
    ],
)
def test_what_a_tank_does_decides(
    changes: list[tuple[str, object, object]], days: slice, phase: int
) -> None:
    assert (phases(tank(*changes))[days] == phase).all()


def test_a_short_spike_is_no_relapse_and_a_long_one_is() -> None:
    r = Rules()
    for days, relapse in ((r.fouled_days - 1, False), (r.fouled_days, True)):
        found = phases(tank(("ammonia", slice(200, 200 + days), 2.0)))
        assert (found[200:300] == CYCLING).any() == relapse
    # It climbs again through every phase.
    assert sorted(set(found[200:].tolist())) == [0, 1, 2, 3]
    assert found[-1] == MATURE


def test_where_pods_can_never_live_they_are_not_asked_for() -> None:
    podless = tank(("animals", (ALL, slice(0, 2)), 0.0))
    assert phases(podless, (False, False, True, True, True, True))[-1] == MATURE


def test_spreading_coralline_has_to_pass_a_tenth_of_the_surface() -> None:
    cover = np.linspace(0.0, 0.35, DAYS)
    found = phases(tank(("coralline", (ALL, 0), cover)))
    # For fourteen days on end.
    assert np.argmax(found == MATURE) == np.argmax(cover > 0.1) + 13


def test_trailing_windows_match_a_plain_loop() -> None:
    x = np.random.default_rng(1).normal(size=(30, 4))
    for days in (1, 7, 28, 40):
        windows = [x[max(0, d - days + 1) : d + 1] for d in range(30)]
        assert np.allclose(trailing_mean(x, days), [w.mean(0) for w in windows])
        assert np.allclose(trailing_range(x, days), [np.ptp(w, axis=0) for w in windows])
