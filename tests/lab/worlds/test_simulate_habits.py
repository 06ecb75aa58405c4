"""Broken habits of the model's own world, and that the usual ones stay as they were."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.population import load_population

USUAL = Habits(weeks=50, judged=0.5)


def made(n: int = 40, **changes: object) -> Simulated:
    habits = replace(USUAL, **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng(12)
    return simulate_logbook(load_population(), load_catalogue(), n, rng, habits)


@pytest.mark.parametrize(
    "changes", [{"checkin_by_phase": (1.0, 1.0, 1.0, 1.0)}, {"judged_tanks": 1.0}]
)
def test_what_changes_nothing_leaves_the_streams_alone(changes: dict[str, object]) -> None:
    a, b = made(), made(**changes)
    assert a.logbook.checkins == b.logbook.checkins
    assert all(np.array_equal(x, y) for x, y in zip(a.states, b.states, strict=True))


def test_a_skipped_phase_is_entered_only_from_above() -> None:
    usual = made(200)
    assert any(((p[1:] == 1) & (p[:-1] == 0)).any() for p in usual.phases)
    found = made(200, skipped_phase=1)
    fallen = 0
    for p in found.phases:
        assert p[0] != 1
        assert not ((p[1:] == 1) & (p[:-1] == 0)).any()
        fallen += ((p[1:] == 1) & (p[:-1] == 2)).any()
    assert fallen > 0
    assert sum((p == 2).any() for p in found.phases) > 150


def test_check_ins_follow_the_phase() -> None:
    found = made(150, checkin_by_phase=(1.0, 1.0, 1.0, 0.2))
    at = {name: n for n, name in enumerate(found.logbook.tanks)}
    seen = np.zeros((150, 50), dtype=bool)
    for c in found.logbook.checkins:
        seen[at[c.tank], (c.date - found.logbook.tanks[c.tank].started).days // 7] = True
    phases = np.array(found.phases)
    for phase, expected in ((1, 0.75), (3, 0.15)):
        cells = seen[phases == phase]
        assert abs(cells.mean() - expected) < 5 * 0.5 / np.sqrt(len(cells))


def test_answers_of_a_coin() -> None:
    # With a coin for every answer half of them are yes, whatever the phase.
    found = made(answer_error=1.0).logbook.checkins
    answers = np.array([a for c in found for a in c.signs.values()])
    assert abs(answers.mean() - 0.5) < 5 * 0.5 / np.sqrt(len(answers))
