"""The rule that reads phases off the ecology, on histories made by hand.

The expected days are counted from the rule as the module's docstring states it.
"""

from __future__ import annotations

import numpy as np

from maturity_model.lab.worlds.mesocosm.phases import read_phases

DAYS = 200


def held(*spans: tuple[int, int]) -> np.ndarray:
    """Yes on the days of the spans (first, end); shape (DAYS, 1)."""
    out = np.zeros((DAYS, 1), np.bool_)
    for first, end in spans:
        out[first:end] = True
    return out


ALWAYS = held((0, DAYS))
NEVER = held()


def changes(phases: np.ndarray) -> list[tuple[int, int]]:
    """(day, phase) wherever it changes, and the first day."""
    one = phases[:, 0]
    return [(d, int(one[d])) for d in range(len(one)) if d == 0 or one[d] != one[d - 1]]


def test_a_tank_begins_in_cycling_and_stays_until_it_copes() -> None:
    assert changes(read_phases(NEVER, ALWAYS, ALWAYS, ALWAYS, ALWAYS)) == [(0, 0)]
    # Copes from day 30: 6 of 7 days on day 35.
    assert changes(read_phases(held((30, DAYS)), NEVER, NEVER, NEVER, NEVER)) == [(0, 0), (35, 1)]


def test_it_climbs_one_phase_at_a_time_with_two_weeks_between() -> None:
    climbed = changes(read_phases(ALWAYS, ALWAYS, ALWAYS, ALWAYS, ALWAYS))
    assert [phase for _, phase in climbed] == [0, 1, 2, 3]
    days = [day for day, _ in climbed]
    assert days[1] == 5
    assert min(np.diff(days[1:])) >= 14


def test_colonising_needs_twelve_days_of_fourteen() -> None:
    # Settled from day 60: the 12th such day is day 71.
    settled = held((60, DAYS))
    assert changes(read_phases(ALWAYS, settled, settled, NEVER, NEVER))[-1] == (71, 2)
    # Every third day is missed: 9 or 10 of 14 are too few.
    patchy = settled & (np.arange(DAYS) % 3 > 0)[:, None]
    assert changes(read_phases(ALWAYS, patchy, patchy, NEVER, NEVER))[-1] == (5, 1)


def test_mature_needs_three_weeks_of_four() -> None:
    ripe = held((100, DAYS))
    assert changes(read_phases(ALWAYS, ALWAYS, ALWAYS, ripe, ripe))[-1] == (120, 3)
    short = held((100, 115))
    assert changes(read_phases(ALWAYS, ALWAYS, ALWAYS, short, short))[-1][1] == 2


def test_a_few_bad_days_do_not_make_it_flicker() -> None:
    copes = held((0, 100), (104, DAYS))
    ripe = held((0, 120), (126, DAYS))
    found = changes(read_phases(copes, ALWAYS, ALWAYS, ripe, ripe))
    assert [phase for _, phase in found] == [0, 1, 2, 3]


def test_failing_for_five_days_of_seven_drops_it_to_cycling() -> None:
    copes = held((0, 150), (160, DAYS))
    found = changes(read_phases(copes, ALWAYS, ALWAYS, ALWAYS, ALWAYS))
    assert (154, 0) in found
    # Copes again from day 160, on 6 of 7 days on day 165; but 14 days pass after a move.
    assert found[found.index((154, 0)) + 1] == (169, 1)


def test_lost_animals_set_it_back_by_one_and_lost_ripeness_too() -> None:
    kept = held((0, 120))
    found = changes(read_phases(ALWAYS, kept, kept, NEVER, NEVER))
    # Not settled from day 120: ten of fourteen days on day 129.
    assert found[-1] == (129, 1)
    ripe = held((0, 120))
    assert changes(read_phases(ALWAYS, ALWAYS, ALWAYS, ripe, ripe))[-1] == (129, 2)


def test_milder_conditions_keep_what_was_reached() -> None:
    found = changes(read_phases(ALWAYS, held((0, 60)), ALWAYS, held((0, 90)), ALWAYS))
    assert found[-1][1] == 3


def test_tanks_do_not_touch_each_other() -> None:
    rng = np.random.default_rng(4)
    many = [np.repeat(rng.random((20, 9)) < 0.8, 10, axis=0) for _ in range(5)]
    together = read_phases(*many)
    for i in range(9):
        alone = read_phases(*(part[:, [i]] for part in many))
        np.testing.assert_array_equal(together[:, [i]], alone)
