"""What a population expects, against dense matrices and against an empty log."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_logs import START, day, make_log

from maturity_model.assessment import assess
from maturity_model.assessment.expected import phases_by_week, seen_by_phase, slip_by_phase
from maturity_model.hmm.staged import move_probabilities, transition_matrices
from maturity_model.logbook import Tank
from maturity_model.panel import build_panel
from maturity_model.population import load_population
from maturity_model.population.types import Population, thin_draws

POPULATION = load_population()


def plain() -> Population:
    """Two draws, of one pace."""
    two = thin_draws(POPULATION, 2)
    return replace(two, pace_sd=np.zeros_like(two.pace_sd))


def test_a_sign_is_seen_as_its_log_odds_say() -> None:
    low, p, high = seen_by_phase(POPULATION)
    assert p.shape == (len(POPULATION.signs), 4)
    assert (low < p).all()
    assert (p < high).all()
    odds = p / (1 - p)
    assert np.log(odds) == pytest.approx(np.median(POPULATION.sign_logit, axis=-1), abs=0.01)


def dense(pop: Population, event: str | None, week: int) -> list[np.ndarray]:
    """Transition matrices of the move into a week to come, one for each draw."""
    kind = pop.events.index(event) if event else 0
    load = np.exp(-week / pop.event_memory[kind]) if event else np.zeros(pop.n_draws)
    hazards = (
        np.exp(pop.log_advance + pop.event_advance[kind] * load),
        np.exp(pop.log_setback + pop.event_setback[kind] * load),
        np.exp(pop.log_collapse + pop.event_collapse[kind] * load),
    )
    moves = move_probabilities(*hazards)
    return [transition_matrices(moves[:, d], pop.chain) for d in range(pop.n_draws)]


@pytest.mark.parametrize("event", [None, "crash", "overfeeding"])
def test_a_slip_is_what_has_ever_been_below(event: str | None) -> None:
    population = plain()
    chances = []
    for d in range(population.n_draws):
        for k in range(1, 4):
            state = np.zeros(12)
            state[3 * k + 1] = 1.0
            slipped = 0.0
            for week in range(8):
                state = state @ dense(population, event, week)[d]
                slipped += state[: 3 * k].sum()
                state[: 3 * k] = 0.0
            chances.append(slipped)
    by_draw = np.array(chances).reshape(-1, 3)
    found = slip_by_phase(population, event, 8)
    assert found[:, 0] == pytest.approx(0.0)
    assert found[1, 1:] == pytest.approx(np.median(by_draw, axis=0), rel=1e-9)
    assert found[0, 1:] == pytest.approx(np.quantile(by_draw, 0.05, axis=0), rel=1e-9)


@pytest.mark.parametrize(("rock", "live"), [("dry", 0.0), ("live", 1.0)])
def test_phases_by_week_are_what_an_empty_log_says(rock: str, live: float) -> None:
    weeks = 60
    log = make_log([Tank("a", START, rock=rock)])
    (tank,) = assess(build_panel(log, as_of=day(7 * weeks)), POPULATION, questions=False).tanks
    found = phases_by_week(POPULATION, rock, live, weeks)
    assert found.sum(axis=1) == pytest.approx(1.0)
    assert found == pytest.approx(tank.filtered, abs=0.01)  # the assessment takes fewer draws
