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


def tank(days: int = DAYS) -> SimpleNamespace:
    """One tank that has all it takes to be mature, from the first day."""
    series = {
        "ammonia": np.full((days, 1), 0.01),
        "nitrite": np.full((days, 1), 0.01),
        "load": np.full((days, 1), 0.2),
        "nitrate": np.full((days, 1), 2.0),
        "temperature": np.full((days, 1), 25.0),
        "salinity": np.full((days, 1), 35.0),
        "alkalinity": np.full((days, 1), 2.7),
        "coralline": np.full((days, 1), 0.5),
    }
    return SimpleNamespace(
        series=series, algae=np.full((days, 4, 1), 0.02), animals=np.full((days, 6, 1), 0.4)
    )


def phases(t: SimpleNamespace, arrives: tuple[bool, ...] = (True,) * 6) -> np.ndarray:
    return read_phases(t, np.array(arrives)[:, None])[:, 0]


def test_the_best_of_tanks_still_has_to_show_it_for_a_month() -> None:
    found = phases(tank())
    assert found[0] == CYCLING
    assert found[-1] == MATURE
    r = Rules()
    assert np.argmax(found >= BLOOM) == r.cleared_days - 1
    assert np.argmax(found >= COLONISING) == r.days - 1
    assert np.argmax(found >= MATURE) == r.month + r.days - 1


@pytest.mark.parametrize("what", ["ammonia", "nitrite"])
def test_standing_ammonia_or_nitrite_is_cycling(what: str) -> None:
    t = tank()
    t.series[what][:60] = 1.0
    found = phases(t)
    assert (found[:60] == CYCLING).all()
    assert found[64] > CYCLING
    # A day's load that stands is not processed within the day, but nothing piles up.
    t = tank()
    t.series[what][:] = 0.2
    assert (phases(t) == CYCLING).all()


def test_a_short_spike_is_no_relapse_and_a_long_one_is() -> None:
    r = Rules()
    for days, relapse in ((r.fouled_days - 1, False), (r.fouled_days, True)):
        t = tank()
        t.series["ammonia"][200 : 200 + days] = 2.0
        found = phases(t)
        assert (found[200:300] == CYCLING).any() == relapse
        if relapse:
            # It climbs again through every phase.
            assert sorted(set(found[200:].tolist())) == [0, 1, 2, 3]
            assert found[-1] == MATURE


def test_algae_hold_the_surfaces_in_bloom() -> None:
    t = tank()
    t.algae[:, 2] = 0.6
    found = phases(t)
    assert (found[10:] == BLOOM).all()
    # Between the two bounds nothing changes: what is bloom stays so, what is not stays too.
    t.algae[100:, 2] = 0.44
    assert (phases(t)[10:] == BLOOM).all()
    t = tank()
    t.algae[150:, 2] = 0.44
    assert (phases(t)[170:] == COLONISING).all()
    t.algae[200:, 2] = 0.6
    assert phases(t)[200] == COLONISING
    assert (phases(t)[220:] == BLOOM).all()


def test_animals_make_the_difference_between_bloom_and_colonising() -> None:
    t = tank()
    t.animals[:, 2:] = 0.0
    assert (phases(t)[10:] == BLOOM).all()  # pods alone are two kinds
    t.animals[:, 4] = 0.3
    assert phases(t)[-1] == MATURE
    t.animals[:, :2] = 0.0  # worms alone are no grazers
    t.animals[:, 2:] = 0.5
    assert (phases(t)[10:] == BLOOM).all()
    # Where pods can never live, nobody can ask for them.
    assert phases(t, (False, False, True, True, True, True))[-1] == MATURE


def test_losing_the_animals_is_a_setback() -> None:
    t = tank()
    t.animals[200:] = 0.01
    found = phases(t)
    assert found[199] == MATURE
    assert found[-1] == BLOOM


@pytest.mark.parametrize(
    ("change", "value"),
    [("temperature", 29.0), ("salinity", 32.0), ("alkalinity", 1.2), ("nitrate", 30.0)],
)
def test_unsteady_water_is_not_mature(change: str, value: float) -> None:
    t = tank()
    t.series[change][::20] = value
    assert phases(t).max() == COLONISING


def test_coralline_must_spread() -> None:
    t = tank()
    t.series["coralline"][:] = 0.2  # neither growing nor everywhere
    assert phases(t).max() == COLONISING
    t.series["coralline"][:, 0] = np.linspace(0.0, 0.35, DAYS)
    found = phases(t)
    assert found[-1] == MATURE
    # Not before it has passed a tenth of the surface, for so many days on end.
    assert np.argmax(found == MATURE) == np.argmax(t.series["coralline"][:, 0] > 0.1) + 13
    t.series["coralline"][300:] = 0.03
    assert phases(t)[-1] == COLONISING


def test_trailing_windows_match_a_plain_loop() -> None:
    x = np.random.default_rng(1).normal(size=(30, 4))
    for days in (1, 7, 28, 40):
        windows = [x[max(0, d - days + 1) : d + 1] for d in range(30)]
        assert np.allclose(trailing_mean(x, days), [w.mean(0) for w in windows])
        assert np.allclose(trailing_range(x, days), [np.ptp(w, axis=0) for w in windows])
