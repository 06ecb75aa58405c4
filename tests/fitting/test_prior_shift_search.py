"""Practice tuned by judgements."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.handing_on.hand_on import hand_on
from maturity_model.fitting.handing_on.judgement_scores import judged_tanks, score_judgements
from maturity_model.fitting.handing_on.prior_shift_search import (
    COUNT,
    ShiftScore,
    judged_labels,
    optimise_shift,
    shift_by_judgements,
)
from maturity_model.fitting.handing_on.prior_shifts import catalogue_shifts
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import load_population
from maturity_model.population.priors import priors_from_catalogue
from maturity_model.population.types import Population, take_draws

CATALOGUE = load_catalogue()
SHIFTS = catalogue_shifts(priors_from_catalogue(CATALOGUE))


def _practice(n: int) -> Population:
    population = load_population()
    return take_draws(population, np.linspace(0, population.n_draws - 1, n).round().astype(int))


def _truth(moved: float) -> Population:
    # Tanks that pass the bloom at another rate, and show their first animals sooner.
    truth = take_draws(load_population(), np.zeros(1, dtype=np.int64))
    log_advance = load_population().log_advance.mean(axis=-1, keepdims=True)
    logit = load_population().sign_logit.mean(axis=-1, keepdims=True)
    log_advance[1] += moved
    logit[:3, 1] += 2 * moved
    return replace(truth, log_advance=log_advance, sign_logit=logit)


@cache
def _pool(moved: float, tanks: int, seed: int = 5, weeks: int = 30) -> Panel:
    rng = np.random.default_rng(seed)
    habits = Habits(weeks=weeks, judged=1.0, reading=0.5)
    book = simulate_logbook(_truth(moved), CATALOGUE, tanks, rng, habits, one_draw=True).logbook
    return judged_tanks(build_panel(book, CATALOGUE))


def test_slopes_are_differences() -> None:
    panel, population = _pool(1.0, 4), _practice(6)
    task = ShiftScore(panel, population, judged_labels(panel, population), SHIFTS)
    rng, step = np.random.default_rng(0), 1e-5
    at = rng.normal(0, 0.5, SHIFTS.size)
    _, slopes = task(at)
    first = 0
    for part in SHIFTS.parts:
        for i in rng.permutation(part.sd.size)[:4]:
            toward = np.zeros(SHIFTS.size)
            toward[first + i] = step
            found = (task(at + toward)[0] - task(at - toward)[0]) / (2 * step)
            assert found == pytest.approx(slopes[first + i], abs=1e-7), part.name
        first += part.sd.size
    assert first == SHIFTS.size


def test_what_practice_holds_at_nothing_stays_there() -> None:
    population = _practice(6)
    found = SHIFTS.apply(population, np.ones(SHIFTS.size))
    for name in ("husbandry", "event_advance", "event_setback", "event_collapse"):
        before, after = getattr(population, name), getattr(found, name)
        np.testing.assert_array_equal(after[before == 0], 0.0)
    assert np.isneginf(found.log_setback[0]).all()
    np.testing.assert_array_equal(SHIFTS.apply(population, np.zeros(SHIFTS.size)).pace_sd,
                                  population.pace_sd)  # fmt: skip
    # One unit is one prior standard deviation: as wide as practice's draws are spread.
    wide = load_population().log_advance.std(axis=1)
    np.testing.assert_allclose((found.log_advance - population.log_advance)[:, 0], wide, rtol=0.2)


def test_a_tanks_judgements_count_as_a_few_at_most() -> None:
    panel, population = _pool(1.0, 4), _practice(6)
    for most in (3.0, COUNT):
        for label in judged_labels(panel, population, most):
            n = len(label.week)
            assert label.weight * n == pytest.approx(min(n, most))
            assert label.likelihood.shape == (n, 4)


@pytest.mark.slow
def test_tanks_of_other_ways_are_told_better() -> None:
    panel, practice = _pool(1.8, 24), _practice(16)
    vector = optimise_shift(panel, practice, judged_labels(panel, practice), draws=16)
    # The bloom is passed sooner.
    shift = SHIFTS.split(vector)
    assert shift["log_advance"][1] > 0.2
    others = _pool(1.8, 40, seed=6)
    before = score_judgements(others, practice, (0.4,))
    after = score_judgements(others, SHIFTS.apply(practice, vector), (0.4,))
    assert after.better_than(before)
    # The judged tanks themselves are predicted better too.
    assert score_judgements(panel, SHIFTS.apply(practice, vector), (0.4,)).better_than(
        score_judgements(panel, practice, (0.4,))
    )


@pytest.fixture
def few_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """A few tanks are quickly tuned."""
    monkeypatch.setattr("maturity_model.fitting.handing_on.prior_shift_search.FEWEST", 10)


@pytest.mark.slow
@pytest.mark.usefixtures("few_are_enough")
def test_keepers_left_out_decide() -> None:
    moved = hand_on(_practice(8), _pool(2.5, 30), choose=True)
    assert moved.provenance["signs"] == moved.provenance["moves"] == "tuned"
    assert moved.evidence_weight == 0.4
    assert float(moved.provenance["tuned_score"]) > float(
        moved.provenance["judged_score_of_practice"]
    )
    # A weight that was asked for is kept.
    fitted = replace(_practice(8), evidence_weight=0.7)
    assert hand_on(fitted, _pool(2.5, 30), choose=False).evidence_weight == 0.7
    # Asked for practice's readings, nothing is tuned.
    asked = hand_on(_practice(8), _pool(2.5, 30), choose=True, readings="practice")
    assert "tuned_score" not in asked.provenance


@pytest.mark.slow
def test_few_tanks_tune_nothing() -> None:
    used = hand_on(_practice(8), _pool(2.5, 40), choose=True)
    assert "tuned_score" not in used.provenance


@pytest.mark.slow
@pytest.mark.usefixtures("few_are_enough")
def test_judgements_at_random_tune_nothing() -> None:
    panel = _pool(0.0, 12)
    rng = np.random.default_rng(8)
    book = panel.logbook
    checkins = tuple(
        replace(c, judged_phase=str(rng.choice(tuple(CATALOGUE.phases)))) if c.judged_phase else c
        for c in book.checkins
    )
    guessed = build_panel(replace(book, checkins=checkins), CATALOGUE)
    used = hand_on(_practice(8), guessed, choose=True)
    assert used.provenance["signs"] != "tuned"


@pytest.mark.usefixtures("few_are_enough")
def test_one_keeper_cannot_tell() -> None:
    panel = _pool(0.0, 12)
    book = panel.logbook
    alone = replace(book, tanks={n: replace(t, keeper="keeper-1") for n, t in book.tanks.items()})
    alone_panel = build_panel(alone, CATALOGUE)
    with pytest.raises(ValueError, match="one keeper"):
        shift_by_judgements(alone_panel, _practice(8))
    assert hand_on(_practice(8), alone_panel, choose=True).provenance["signs"] != "tuned"
    blank = replace(book, checkins=tuple(replace(c, judged_phase=None) for c in book.checkins))
    with pytest.raises(ValueError, match="no phase was judged"):
        shift_by_judgements(build_panel(blank, CATALOGUE), _practice(8))
