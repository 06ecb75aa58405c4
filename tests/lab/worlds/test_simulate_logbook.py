"""Simulated logs: reproducible, and what the model says they are."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from slow_reference import middle_weights, transition

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.lab.worlds.simulate_logbook import Habits, Simulated, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import Population, load_population
from maturity_model.population.tables import reading_table, tank_hazards
from maturity_model.population.types import take_draws

HABITS = Habits(weeks=60, judged=0.4, events_per_year=1.0)


@cache
def truth() -> Population:
    return take_draws(load_population(), np.array([17]))


@cache
def club() -> tuple[Simulated, Panel]:
    rng = np.random.default_rng(8)
    simulated = simulate_logbook(truth(), load_catalogue(), 150, rng, HABITS)
    end = max(c.date for c in simulated.logbook.checkins)
    assert end <= dt.date(2024, 1, 1) + dt.timedelta(days=7 * 60 - 1)
    panel = build_panel(simulated.logbook, as_of=dt.date(2024, 1, 1) + dt.timedelta(days=419))
    return simulated, panel


def states(simulated: Simulated) -> np.ndarray:
    """True state of each row of the panel."""
    return np.concatenate(simulated.states)


def surprise(happened: np.ndarray, p: np.ndarray) -> float:
    """Standardised difference of a count from its expectation."""
    return float((happened - p).sum() / np.sqrt((p * (1 - p)).sum()))


def test_shapes_and_the_grid() -> None:
    simulated, panel = club()
    for states, phases in zip(simulated.states, simulated.phases, strict=True):
        assert states.shape == (60,)
        assert np.array_equal(phases, states // 3)
    assert np.diff(panel.first).tolist() == [60] * 150
    # Events come early in a week, looks late: none is pending, and water is known.
    assert not panel.pending.any()
    assert panel.water_known.all()


def test_one_draw_is_shared_and_otherwise_each_tank_has_its_own() -> None:
    # Two draws that differ grossly in one sign tell whose a tank is.
    two = take_draws(load_population(), np.array([0, 1]))
    logit = two.sign_logit.copy()
    g = two.signs.index("diatoms")
    logit[g, :, 0], logit[g, :, 1] = -30.0, 30.0
    two = replace(two, sign_logit=logit)

    def ever(*, one_draw: bool) -> list[bool]:
        found = simulate_logbook(
            two, load_catalogue(), 30, np.random.default_rng(4), Habits(weeks=20), one_draw=one_draw
        ).logbook
        return [
            any(c.signs.get("diatoms") for c in found.checkins if c.tank == t) for t in found.tanks
        ]

    assert len(set(ever(one_draw=True))) == 1
    assert 5 <= sum(ever(one_draw=False)) <= 25


# -- what the model says -----------------------------------------------------------------


def sign_chances() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Seen, P(seen | true state, pace of the log, skill), sign, state of every answer."""
    simulated, panel = club()
    pop = truth()
    codes = panel.signs.codes[panel.signs.code]
    state = states(simulated)[panel.signs.row]
    tank = np.searchsorted(panel.first, panel.signs.row, side="right") - 1
    weights = np.array([middle_weights(j) for j in range(12)])
    g = codes["sign"]
    logit = np.einsum("nk,nk->n", weights[state], pop.sign_logit[g, :, 0])
    logit += codes["level"] * pop.persistence[g, 0]
    logit += pop.small[g] * (
        pop.look_effect[codes["look"], 0] + simulated.skill[tank] * pop.skill_sd[0]
    )
    return codes["seen"], 1 / (1 + np.exp(-logit)), g, state


@pytest.mark.slow
def test_sign_frequencies_are_the_model_s() -> None:
    seen, p, g, state = sign_chances()
    assert len(seen) > 30_000
    # 12 signs by 4 phases, 48 comparisons: beyond 4.5 by chance less than once in 3000 runs.
    for sign in range(12):
        for phase in range(4):
            here = (g == sign) & (state // 3 == phase)
            assert abs(surprise(seen[here], p[here])) < 4.5, (sign, phase)
    # And the chances are used over their whole range.
    for low in np.arange(0, 1, 0.1):
        here = (p >= low) & (p < low + 0.1)
        assert here.sum() > 500
        assert abs(surprise(seen[here], p[here])) < 4.5, low


@pytest.mark.slow
def test_reading_frequencies_are_the_model_s() -> None:
    # Read every week, and strongly pulled, so that the last reading matters.
    population = replace(truth(), carry=np.full((4, 1), 0.7))
    habits = Habits(weeks=50, checkin=1.0, sign=0.0, reading=0.9)
    simulated = simulate_logbook(
        population, load_catalogue(), 100, np.random.default_rng(6), habits
    )
    panel = build_panel(simulated.logbook, as_of=dt.date(2024, 1, 1) + dt.timedelta(days=349))
    # For every observed reading, the chance of each step of the chart.
    row, code = panel.readings.row, panel.readings.code
    state = states(simulated)[row]
    for a, name in enumerate(panel.catalogue.informative):
        codes = panel.readings.codes[code]
        here = codes["analyte"] == a
        steps = sorted({(float(c["low"]), float(c["high"])) for c in codes[here]})
        assert len(steps) >= 4
        for low, high in steps:
            asked = panel.readings.codes.copy()
            asked["low"], asked["high"] = low, high
            other = replace(panel, readings=replace(panel.readings, codes=asked))
            table = reading_table(other, population, 1.0)[:, :, 0]
            p = table[code[here], state[here]]
            hit = codes[here]["low"] == low
            assert abs(surprise(hit, p)) < 4.5, (name, low)
            # Those whose last reading was this step, too: how strongly it pulls.
            pulled = (codes[here]["previous"] >= low) & (codes[here]["previous"] < high)
            if pulled.sum() > 30:
                assert abs(surprise(hit[pulled], p[pulled])) < 4.5, (name, low, "again")


@pytest.mark.slow
def test_judgement_frequencies_are_the_model_s() -> None:
    simulated, panel = club()
    codes = panel.judgements.codes[panel.judgements.code]
    true = states(simulated)[panel.judgements.row] // 3
    fresh = codes["previous"] < 0
    accuracy, repeat = truth().judge_accuracy[0], truth().judge_repeat[0]
    right = codes["phase"] == true
    assert abs(surprise(right[fresh], np.full(fresh.sum(), accuracy))) < 4.5
    # A repeat of the last one, or afresh.
    stale = ~fresh & (codes["previous"] != true)
    p = np.full(stale.sum(), (1 - repeat) * accuracy)
    assert abs(surprise(right[stale], p)) < 4.5
    agree = ~fresh & (codes["previous"] == true)
    p = np.full(agree.sum(), repeat + (1 - repeat) * accuracy)
    assert abs(surprise(right[agree], p)) < 4.5


@pytest.mark.slow
def test_moves_are_the_model_s() -> None:
    simulated, panel = club()
    moved = {"stay": [], "advance": [], "down": []}
    chance = {"stay": [], "advance": [], "down": []}
    for n, path in enumerate(simulated.states):
        hazards = tank_hazards(panel, n, truth(), simulated.pace[n : n + 1])
        pop, load = truth(), hazards.load[:, :, 0]
        for t in range(1, 60):
            matrix = transition(
                hazards.advance[t, :, 0, 0] * np.exp(load[t] @ pop.event_advance[:, 0]),
                np.exp(pop.log_setback[:, 0] + load[t] @ pop.event_setback[:, 0]),
                np.exp(pop.log_collapse[:, 0] + load[t] @ pop.event_collapse[:, 0]),
            )
            j, to = path[t - 1], path[t]
            assert matrix[j, to] > 0
            for name, where in (
                ("stay", [j]),
                ("advance", [j + 1] if j < 11 else []),
                ("down", range(3 * (j // 3))),
            ):
                chance[name].append(matrix[j, list(where)].sum())
                moved[name].append(to in where)
    for name in moved:
        assert sum(moved[name]) > 50
        assert abs(surprise(np.array(moved[name]), np.array(chance[name]))) < 4.5, name


@pytest.mark.slow
def test_starts_are_the_model_s() -> None:
    simulated = simulate_logbook(
        truth(), load_catalogue(), 1500, np.random.default_rng(2), Habits(weeks=2, checkin=0)
    )
    kinds = list(load_catalogue().starts)
    first = np.array([s[0] for s in simulated.states])
    rock = np.array([kinds.index(t.rock or "") for t in simulated.logbook.tanks.values()])
    for r in set(rock):
        for j in range(12):
            p = np.full((rock == r).sum(), truth().start[r, j])
            if p[0] == 0:
                assert not (first[rock == r] == j).any()
            else:
                assert abs(surprise(first[rock == r] == j, p)) < 4.5


# -- the true parameters are the likeliest -----------------------------------------------


def log_likelihood(population: Population) -> np.ndarray:
    _, panel = club()
    tables = make_tables(panel, population, 1.0, nodes=(5, 5))
    return np.array(
        [filter_tank(tables, n)[0].log_likelihood[-1, 0] for n in range(len(panel.tanks))]
    )


@cache
def of_the_truth() -> np.ndarray:
    return log_likelihood(truth())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("sign_logit", lambda x: x + 0.4),
        ("persistence", lambda x: 0 * x),
        ("skill_sd", lambda x: 3 * x),
        ("reading_mean", lambda x: x + 0.25),
        ("carry", lambda x: 0 * x + 1e-6),
        ("judge_accuracy", lambda x: 0 * x + 0.5),
        ("log_advance", lambda x: x + 0.5),
        ("log_setback", lambda x: x + 2.0),
        ("event_setback", lambda x: -x),
        ("pace_sd", lambda x: 0 * x),
        ("husbandry", lambda x: -x),
    ],
)
def test_the_true_parameters_are_likelier_than_changed_ones(field: str, change) -> None:
    # In expectation by Gibbs' inequality; here over 150 tanks by more than two standard errors.
    changed = replace(truth(), **{field: change(getattr(truth(), field))})
    gain = of_the_truth() - log_likelihood(changed)
    assert gain.mean() > 2 * gain.std() / np.sqrt(len(gain))
