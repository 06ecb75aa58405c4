"""The whole way from a logbook to probabilities, against a slow second implementation."""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import FIELDS, demo, draws, no_evidence, one, practice
from slow_reference import STATES, Answer, Slow, equal_weights, middle_weights
from small_logs import START, day, each_checkin, look, make_log, random_log

from maturity_model.assessment import Assessment, TankAssessment, assess
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.mixture import MIN_EFFECTIVE_SHARE, k_limit
from maturity_model.hmm.psis import trusted_weights
from maturity_model.logbook import CheckIn, Event, Logbook, Tank
from maturity_model.panel import build_panel
from maturity_model.population import Population


def still(index: int = 0, **changes: object) -> Population:
    """One draw in which no tank ever moves and all keepers are alike."""
    pop = draws(index)
    quiet = np.full_like(pop.log_advance, -690.0)
    return replace(
        pop,
        log_advance=quiet,
        log_setback=quiet,
        log_collapse=quiet,
        pace_sd=np.zeros(1),
        skill_sd=np.zeros(1),
        **changes,  # type: ignore[arg-type]
    )


# -- against the slow second implementation ----------------------------------------------


def compare(found: Assessment, wanted: dict[str, Answer], tolerance: float = 1e-10) -> None:
    for tank in found.tanks:
        for field in FIELDS:
            have, want = getattr(tank, field), getattr(wanted[tank.tank.name], field)
            said = f"{tank.tank.name}: {field}"
            np.testing.assert_allclose(have, want, rtol=0, atol=tolerance, err_msg=said)


def slow_answers(
    logbook: Logbook, population: Population, as_of: dt.date, power: float, weights=equal_weights
) -> dict[str, Answer]:
    """What the slow model says of each tank."""
    return {
        name: Slow(logbook, population, name, as_of, power).answer((5, 3), weights)
        for name in logbook.tanks
    }


@pytest.mark.parametrize(
    ("seed", "weeks", "index", "weight"),
    [
        *((seed, 9, (seed,), weight) for seed in range(6) for weight in (1.0, 0.5)),
        # Few draws are mixed with equal weights.
        (10, 6, (3, 50, 100), 0.7),
        (11, 6, (3, 50, 100), 0.7),
        # Without evidence, the forward marginal.
        (1, 9, (7, 8), 0.0),
    ],
)
def test_answers_equal_the_slow_model_s(
    seed: int, weeks: int, index: tuple[int, ...], weight: float
) -> None:
    logbook, as_of = random_log(seed, weeks)
    population = draws(*index)
    found = assess(
        build_panel(logbook, as_of=as_of), population, evidence_weight=weight, questions=False
    )
    assert len(found.tanks) == 3
    compare(found, slow_answers(logbook, population, as_of, weight))
    if weight and len(index) > 1:
        assert {t.reweighting.share for t in found.tanks} == {0.0}


@pytest.mark.slow
# Found, shares by tank: 0, 1, 0.16 and 0.21, 0.07, 1: reweighted in full, in part, not at all.
@pytest.mark.parametrize("seed", [26, 45])
def test_many_draws_are_reweighted_by_the_slow_model_s_likelihood(seed: int) -> None:
    logbook, as_of = random_log(seed, weeks=6)
    population = draws(*range(32))

    def weights(log_likelihood: np.ndarray) -> np.ndarray:
        return trusted_weights(log_likelihood, k_limit(32), MIN_EFFECTIVE_SHARE).weight

    panel = build_panel(logbook, as_of=as_of)
    found = assess(panel, population, evidence_weight=0.3)
    slow = slow_answers(logbook, population, as_of, 0.3, weights)
    assert max(t.reweighting.share for t in found.tanks) > 0.5
    # The weights are a fitted tail of exponentials: rounding grows a little in them.
    compare(found, slow, 1e-9)
    tables = make_tables(panel, population, 0.3)
    for n, name in enumerate(logbook.tanks):
        np.testing.assert_allclose(
            filter_tank(tables, n)[0].log_likelihood, slow[name].log_likelihood, rtol=0, atol=1e-10
        )


# -- persistent signs --------------------------------------------------------------------


def p_seen(population: Population, sign: str, level: float) -> np.ndarray:
    """P(seen) in each state at a careful look by a usual keeper."""
    g = population.signs.index(sign)
    gradual = np.array([middle_weights(j) for j in range(STATES)])
    logit = gradual @ population.sign_logit[g, :, 0] + level * population.persistence[g, 0]
    return 1 / (1 + np.exp(-logit))


def in_phases(states: np.ndarray) -> np.ndarray:
    return (states / states.sum()).reshape(4, 3).sum(axis=1)


def log_odds(tank: TankAssessment, phase: int, other: int) -> float:
    return float(np.log(tank.filtered[-1, phase] / tank.filtered[-1, other]))


@pytest.mark.parametrize(
    ("sign", "phase", "other"), [("hair_algae", 1, 3), ("coralline_algae", 3, 1)]
)
def test_ten_sightings_of_a_persistent_sign_are_not_ten_witnesses(
    sign: str, phase: int, other: int
) -> None:
    # The catalogue's own numbers, from an even start.
    signs = load_catalogue().signs.values()
    chance = np.array([[[p.value] for p in s.detection] for s in signs])
    population = still(
        start=np.full((len(practice().rocks), STATES), 1 / STATES),
        sign_logit=np.log(chance / (1 - chance)),
        persistence=np.array([[s.persistence.value] for s in signs]),
    )
    forgetful = replace(population, persistence=np.zeros_like(population.persistence))
    logbook = make_log([Tank("a", START)], [look(7 * t, f"{sign}=y") for t in range(10)])
    moved = log_odds(one(population, logbook), phase, other)
    independent = log_odds(one(forgetful, logbook), phase, other)
    # Ten independent witnesses: ten times the log likelihood ratio of one, state by state.
    p = p_seen(population, sign, 0.0) ** 10
    wanted = in_phases(p)
    assert independent == pytest.approx(np.log(wanted[phase] / wanted[other]), abs=1e-9)
    # Persistent: one look at level 0, two at a half, seven at full (closed form).
    by_level = [0.0, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    product = in_phases(np.prod([p_seen(population, sign, x) for x in by_level], axis=0))
    assert moved == pytest.approx(np.log(product[phase] / product[other]), abs=1e-9)
    assert 0 < moved < 0.5 * independent


# -- no evidence -------------------------------------------------------------------------


def test_weight_zero_returns_the_prior_forecast() -> None:
    panel, full = demo()
    blank = assess(panel, practice(), evidence_weight=0.0, questions=False)
    for tank, informed in zip(blank.tanks, full.tanks, strict=True):
        no_evidence(tank)
        # The forecast itself does not depend on the weight, to the bit.
        assert np.array_equal(tank.forecast_only, informed.forecast_only)
        assert tank.reweighting.khat == -np.inf
        assert tank.reweighting.share == 1.0
        assert tank.reweighting.ess == pytest.approx(practice().n_draws, rel=1e-12)
        assert tank.filtered[-1] != pytest.approx(informed.filtered[-1], abs=1e-3)


def test_a_log_with_every_sign_blank_returns_the_prior_forecast() -> None:
    panel, full = demo()
    kept = ("ph", "salinity", "temperature", "alkalinity")

    def emptied(c: CheckIn) -> CheckIn:
        readings = {k: v for k, v in c.readings.items() if k in kept}
        return replace(c, signs={}, judged_phase=None, readings=readings)

    logbook = each_checkin(panel.logbook, emptied)
    for blank, informed in zip(
        assess(build_panel(logbook), practice(), questions=False).tanks, full.tanks, strict=True
    ):
        no_evidence(blank)
        assert np.array_equal(blank.forecast_only, informed.forecast_only)
        assert blank.reach.share_signs_checked == 0.0
        assert blank.reach.readings == 0


def test_a_tank_without_any_row_gets_the_forecast() -> None:
    panel = build_panel(make_log([Tank("a", START, rock="dry")]), as_of=day(60))
    (found,) = assess(panel, practice(), questions=False).tanks
    no_evidence(found)
    assert found.filtered.shape == (9, 4)
    assert found.reach.last_checkin is None
    assert found.reach.weeks_since_checkin is None
    assert found.checkins == ()


@pytest.mark.parametrize("sign", ["diatoms", "coralline_algae"])
def test_blank_is_not_absence(sign: str) -> None:
    def filtered(signs: str) -> np.ndarray:
        # Week 14: from dry rock, late enough that a crust still missing says something.
        logbook = make_log([Tank("a", START, rock="dry")], [look(0), look(98, signs)])
        return one(practice(), logbook, 0.5).filtered[-1]

    # Found: missed moves a phase by 0.063 and 0.022, seen by 0.057 and 0.088.
    blank, seen, missed = filtered(""), filtered(f"{sign}=y"), filtered(f"{sign}=n")
    assert np.abs(blank - missed).max() > 0.01
    assert np.abs(blank - seen).max() > 0.01
    # And each pulls to its own side of the blank.
    pull, push = seen - blank, missed - blank
    assert np.sign(pull[np.abs(pull).argmax()]) == -np.sign(push[np.abs(pull).argmax()])


def test_a_weight_outside_zero_and_one_is_refused() -> None:
    panel = build_panel(make_log([Tank("a", START)]))
    for weight in (-0.1, 1.1, float("nan")):
        with pytest.raises(ValueError, match="between 0 and 1"):
            assess(panel, practice(), evidence_weight=weight, questions=False)


def test_more_rows_in_a_week_than_a_product_of_chances_can_carry() -> None:
    # A log is untrusted. Two hundred looks at twelve signs: the product underflows.
    names = list(load_catalogue().signs)
    logbook = make_log(
        [Tank("a", START, rock="dry")],
        [CheckIn("a", day(i % 7), signs=dict.fromkeys(names, bool(i % 2))) for i in range(200)]
        + [look(16, "diatoms=y")],
    )
    tank = one(practice(), logbook, 1.0)
    for values in (tank.filtered, tank.smoothed):
        np.testing.assert_allclose(values.sum(axis=1), 1.0, rtol=0, atol=1e-12)


@pytest.mark.parametrize("weight", [0.2, 1.0])
def test_logarithms_and_products_give_the_same(
    weight: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    logbook, as_of = random_log(2)
    panel = build_panel(logbook, as_of=as_of)
    plain = assess(panel, practice(), evidence_weight=weight, questions=False)
    # The package's attribute `assess` is the function, hence by the module's full name.
    monkeypatch.setattr(sys.modules["maturity_model.assessment.filtering"], "_SMALLEST", 2.0)
    again = assess(panel, practice(), evidence_weight=weight, questions=False)
    for a, b in zip(again.tanks, plain.tanks, strict=True):
        for field in FIELDS:
            np.testing.assert_allclose(getattr(a, field), getattr(b, field), rtol=0, atol=1e-10)


def test_hundreds_of_events_do_not_overflow() -> None:
    catalogue = load_catalogue()
    events = [
        Event("a", day(10 + i % 7), kind, kind_.default_amount, note=str(i))
        for kind, kind_ in catalogue.events.items()
        for i in range(400)
    ]
    tank = one(practice(), make_log([Tank("a", START)], [look(40, "diatoms=y")], events))
    np.testing.assert_allclose(tank.filtered.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    assert np.isfinite(tank.regression).all()
