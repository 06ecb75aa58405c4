"""From population and panel to tables and hazards, one number at a time."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.stats import norm
from slow_reference import middle_weights, transition
from small_logs import START, day, look, make_log, reading

from maturity_model.hmm.staged import transition_matrices
from maturity_model.logbook import Event, Logbook, Tank
from maturity_model.panel import build_panel
from maturity_model.population import Population, load_population
from maturity_model.population.tables import (
    judgement_table,
    reading_table,
    sign_table,
    tank_hazards,
)

G = np.array([middle_weights(j) for j in range(12)])
GLANCE, CAREFUL, TORCH = 0, 1, 2


@pytest.fixture(scope="module")
def population() -> Population:
    return load_population()


def sigmoid(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-x))


def log_of(*checkins: object, events: tuple[Event, ...] = (), rock: str | None = "dry") -> Logbook:
    return make_log([Tank("a", START, keeper="k", rock=rock)], checkins, events)  # type: ignore[arg-type]


# -- signs -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["diatoms", "amphipods", "spirorbid_worms"])
@pytest.mark.parametrize(("way", "i"), [("glance", GLANCE), ("careful", CAREFUL), ("torch", TORCH)])
def test_a_sighting_by_look_and_skill(population: Population, name: str, way: str, i: int) -> None:
    skill = np.array([-1.7, 0.0, 1.7])
    panel = build_panel(log_of(look(0, f"{name}=y", look=way), look(7, f"{name}=n", look=way)))
    table = sign_table(panel, population, skill, 1.0)
    assert table.shape == (2, 12, 3, 256)
    g = population.signs.index(name)
    base = G @ population.sign_logit[g]
    small = population.small[g]
    for q, z in enumerate(skill):
        logit = base + small * (population.look_effect[i] + z * population.skill_sd)
        np.testing.assert_allclose(table[0, :, q], sigmoid(logit), rtol=1e-13)
        # One sighting a week ago: half the persistence.
        logit = logit + 0.5 * population.persistence[g]
        np.testing.assert_allclose(table[1, :, q], sigmoid(-logit), rtol=1e-12)


def test_seen_and_not_seen_sum_to_one(population: Population) -> None:
    panel = build_panel(log_of(look(0, "diatoms=y"), look(0, "hair_algae=n")))
    other = build_panel(log_of(look(0, "diatoms=n"), look(0, "hair_algae=y")))
    skill = np.array([0.3])
    both = sign_table(panel, population, skill, 1.0) + sign_table(other, population, skill, 1.0)
    np.testing.assert_allclose(both, 1, rtol=0, atol=1e-14)


# -- readings ----------------------------------------------------------------------------


def between(low: float, high: float, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    return norm.cdf(high, mean, sd) - norm.cdf(low, mean, sd)


def test_readings_are_intervals_never_densities(population: Population) -> None:
    found = {
        "first step": (0.0, 2.5, 0.0),
        "a step": (7.5, 15.0, 10.0),
        "beyond the last": (120.0, math.inf, 160.0),
    }
    for low, high, best in found.values():
        panel = build_panel(log_of(look(0, readings={"nitrate": reading(low, high, best)})))
        table = reading_table(panel, population, 1.0)
        a = population.analytes.index("nitrate")
        mean, sd = G @ population.reading_mean[a], G @ population.reading_sd[a]
        ends = (-np.inf if low == 0 else np.log(low + 1), np.log(high + 1))  # offset of nitrate
        wide = between(
            *ends, population.reading_mean[a].mean(axis=0), 2 * population.reading_sd[a].max(axis=0)
        )
        want = (1 - population.outlier) * between(*ends, mean, sd) + population.outlier * wide
        np.testing.assert_allclose(table[0], want, rtol=1e-10, atol=1e-14)


def test_the_intervals_of_a_chart_sum_to_one(population: Population) -> None:
    edges = [0, 0.125, 0.375, 0.75, 1.5, math.inf]
    steps = [reading(a, b, a) for a, b in itertools.pairwise(edges)]
    total = sum(
        reading_table(build_panel(log_of(look(0, readings={"ammonia": r}))), population, 1.0)
        for r in steps
    )
    np.testing.assert_allclose(total, 1, rtol=0, atol=1e-14)
    # Also given what was read two weeks before.
    first = reading(0.125, 0.375, 0.25)
    total = sum(
        reading_table(
            build_panel(
                log_of(look(0, readings={"ammonia": first}), look(14, readings={"ammonia": r}))
            ),
            population,
            1.0,
        )[-1]
        for r in steps[:1] + steps[2:]
    )
    same = reading_table(
        build_panel(
            log_of(look(0, readings={"ammonia": first}), look(14, readings={"ammonia": first}))
        ),
        population,
        1.0,
    )[-1]
    np.testing.assert_allclose(total + same, 1, rtol=0, atol=1e-14)


def test_the_previous_reading_pulls(population: Population) -> None:
    r = reading(2.5, 7.5, 5.0)
    a = population.analytes.index("nitrate")
    for days, weeks in ((3, 1.0), (7, 1.0), (14, 2.0), (28, 4.0), (29, None)):
        panel = build_panel(
            log_of(look(0, readings={"nitrate": r}), look(days, readings={"nitrate": r}))
        )
        table = reading_table(panel, population, 1.0)[panel.readings.code[1]]
        mean, sd = G @ population.reading_mean[a], G @ population.reading_sd[a]
        pull = population.carry[a] ** weeks if weeks else 0.0
        mean = mean + pull * (np.log(6.0) - mean)
        sd = sd * np.sqrt(1 - pull**2)
        wide = between(
            np.log(3.5),
            np.log(8.5),
            population.reading_mean[a].mean(axis=0),
            2 * population.reading_sd[a].max(axis=0),
        )
        want = between(np.log(3.5), np.log(8.5), mean, sd)
        want = (1 - population.outlier) * want + population.outlier * wide
        np.testing.assert_allclose(table, want, rtol=1e-10, atol=1e-14, err_msg=str(days))


def test_ph_and_the_like_say_nothing_of_the_phase(population: Population) -> None:
    panel = build_panel(log_of(look(0, readings={"ph": reading(8.0, 8.2, 8.1)})))
    assert reading_table(panel, population, 1.0).shape == (0, 12, 256)


# -- judgements --------------------------------------------------------------------------


def test_judgements(population: Population) -> None:
    panel = build_panel(
        log_of(
            look(0, judged_phase="bloom"),
            look(7, judged_phase="bloom"),
            look(14, judged_phase="mature"),
        )
    )
    table = judgement_table(panel, population, 1.0)
    a, r = population.judge_accuracy, population.judge_repeat
    # P(bloom named | true phase): others halve with distance, and sum to 1 - a.
    first = [
        (1 - a) * (1 / 2) / (1 / 2 + 1 / 4 + 1 / 8),
        a,
        (1 - a) * (1 / 2) / (1 / 4 + 1 / 2 + 1 / 2),
        (1 - a) * (1 / 4) / (1 / 8 + 1 / 4 + 1 / 2),
    ]
    for k in range(4):
        for j in (3 * k, 3 * k + 1, 3 * k + 2):
            np.testing.assert_allclose(table[0, j], first[k], rtol=1e-14)
            np.testing.assert_allclose(table[1, j], r + (1 - r) * first[k], rtol=1e-14)
    np.testing.assert_allclose(table[2, 11], (1 - r) * a, rtol=1e-14)


def test_the_chances_of_all_judgements_sum_to_one(population: Population) -> None:
    total = sum(
        judgement_table(
            build_panel(log_of(look(0, judged_phase="bloom"), look(7, judged_phase=named))),
            population,
            1.0,
        )[-1]
        for named in ("cycling", "bloom", "colonising", "mature")
    )
    np.testing.assert_allclose(total, 1, rtol=0, atol=1e-14)


def test_the_evidence_weight_is_a_power(population: Population) -> None:
    panel = build_panel(
        log_of(
            look(0, "diatoms=y amphipods=n", judged_phase="bloom"),
            look(7, "diatoms=y", readings={"nitrite": reading(0.1, 0.4, 0.25)}),
        )
    )
    skill = np.array([-1.0, 1.0])
    for make in (
        lambda w: sign_table(panel, population, skill, w),
        lambda w: reading_table(panel, population, w),
        lambda w: judgement_table(panel, population, w),
    ):
        np.testing.assert_allclose(make(0.3), make(1.0) ** 0.3, rtol=1e-12)
        assert (make(0.0) == 1.0).all()


# -- hazards -----------------------------------------------------------------------------


def hazards_of(population: Population, logbook: Logbook, weeks: int, pace: float = 0.0):
    panel = build_panel(logbook, as_of=day(7 * weeks - 1))
    return tank_hazards(panel, 0, population, np.array([pace]))


def test_moves_without_events(population: Population) -> None:
    for pace in (0.0, -1.3):
        moves = hazards_of(population, log_of(rock="live"), 4, pace).moves()
        assert moves.shape == (3, 19, 1, 256)
        matrices = transition_matrices(np.moveaxis(moves[:, :, 0], 1, 2), population.chain)
        np.testing.assert_allclose(matrices.sum(axis=-1), 1, rtol=0, atol=1e-13)
        live = population.husbandry[population.covariates.index("live_rock")]
        for d in (0, 100):
            want = transition(
                np.exp(population.log_advance[:, d] + live[:, d] + pace * population.pace_sd[d]),
                np.exp(population.log_setback[:, d]),
                np.exp(population.log_collapse[:, d]),
            )
            np.testing.assert_allclose(matrices[:, d], [want] * 3, rtol=1e-12, atol=1e-16)


def test_a_load_fades_and_adds_up(population: Population) -> None:
    events = (
        Event("a", day(8), "overfeeding", 4.0),
        Event("a", day(22), "overfeeding", 2.0),
        Event("a", day(9), "deep_clean"),
    )
    found = hazards_of(population, log_of(events=events), 6).load
    over = population.events.index("overfeeding")
    memory = population.event_memory[over]
    # Amount 2 is one unit, 1 is neutral: 4 is three.
    want = [0 * memory, 3 + 0 * memory, 3 * np.exp(-1 / memory)]
    want += [3 * np.exp(-2 / memory) + 1, 3 * np.exp(-3 / memory) + np.exp(-1 / memory)]
    np.testing.assert_allclose(found[:5, over], want, rtol=1e-13)
    clean = population.events.index("deep_clean")
    np.testing.assert_allclose(
        found[4, clean], np.exp(-3 / population.event_memory[clean]), rtol=1e-13
    )
    assert (found[:, population.events.index("crash")] == 0).all()


def test_an_event_after_the_last_look_acts_a_week_later(population: Population) -> None:
    crash = population.events.index("crash")
    event = (Event("a", day(10), "crash"),)
    before = hazards_of(population, log_of(look(11), events=event), 4)
    unseen = hazards_of(population, log_of(look(20), events=event), 4)
    after = hazards_of(population, log_of(look(8), events=event), 4)
    memory = population.event_memory[crash]
    for found in (before, unseen):
        np.testing.assert_allclose(found.load[1, crash], 1)
        np.testing.assert_allclose(found.load[2, crash], np.exp(-1 / memory), rtol=1e-13)
    np.testing.assert_allclose(after.load[1, crash], 0)
    np.testing.assert_allclose(after.load[2, crash], 1)
    np.testing.assert_allclose(after.load[3, crash], np.exp(-1 / memory), rtol=1e-13)
    # Seen from its own week, it acts on the next move in full.
    _, setback, _ = after.ahead(2)
    effect = population.event_setback[crash]
    np.testing.assert_allclose(
        np.log(setback[1, 0, 1]), population.log_setback[1] + effect, rtol=1e-12
    )
    np.testing.assert_allclose(
        np.log(setback[1, 1, 1]),
        population.log_setback[1] + effect * np.exp(-1 / memory),
        rtol=1e-12,
    )


def test_what_lies_ahead_agrees_with_what_came(population: Population) -> None:
    # Without further events, the hazards seen ahead are those that later weeks had.
    event = (Event("a", day(10), "crash"), Event("a", day(15), "livestock_added", 6.0))
    hazards = hazards_of(population, log_of(look(16), events=event), 9)
    factor, setback, collapse = hazards.ahead(4)
    moves = hazards.moves()
    for t in range(3, 4):
        for h in range(4):
            want = np.exp(
                population.log_setback
                + np.einsum("ed,ed->d", population.event_setback, hazards.load[t + h + 1])
            )
            np.testing.assert_allclose(setback[t, h], want, rtol=1e-12)
            total = hazards.advance[t + h + 1, 2, 0] * factor[t, h, 0] + setback[t, h, 2]
            total = total + collapse[t, h, 2]
            np.testing.assert_allclose(moves[t + h, 2, 0], np.exp(-total), rtol=1e-12)


def test_a_hypothetical_event_now(population: Population) -> None:
    hazards = hazards_of(population, log_of(), 3)
    extra = np.zeros(len(population.events))
    crash = population.events.index("crash")
    extra[crash] = 1.0
    _, plain, _ = hazards.ahead(3)
    _, struck, _ = hazards.ahead(3, extra)
    np.testing.assert_allclose(
        np.log(struck[-1, 0, 1:] / plain[-1, 0, 1:]),
        np.broadcast_to(population.event_setback[crash], (3, 256)),
        rtol=1e-10,
    )
    assert (struck[-1, 0, 1:] > struck[-1, 2, 1:]).mean() > 0.99
