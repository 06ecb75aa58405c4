"""Draws of the default population: their moments are the catalogue's numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from maturity_model.catalogue import LOOKS, Sign, load_catalogue
from maturity_model.catalogue.types import Marked
from maturity_model.population import PopulationMismatch, elicit_population, load_population
from maturity_model.population.constants import DEFAULT_DRAWS, DEFAULT_EVIDENCE_WEIGHT, DEFAULT_SEED
from maturity_model.population.elicit import draw_sign
from maturity_model.population.priors import start_distribution
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import DIMS, Population, take_draws

N = 40_000
YEAR = 365.2425 / 7


@cache
def many() -> Population:
    """Enough draws that a moment's error is far inside the tolerance."""
    return elicit_population(load_catalogue(), 0.5, n_draws=N, seed=3)


def moments(draws: np.ndarray, mean: float, sd: float) -> None:
    """Five standard errors of mean and of standard deviation (kurtosis of a normal, doubled)."""
    assert draws.mean() == pytest.approx(mean, abs=5 * sd / math.sqrt(N) + 1e-12)
    assert draws.std() == pytest.approx(sd, abs=5 * sd / math.sqrt(N) + 1e-12)


def own_sign(name: str = "feather_worms") -> Sign:
    return replace(
        load_catalogue().signs["bristle_worms"],
        name=name,
        own=True,
        detection=tuple(Marked(p, "club") for p in (0.02, 0.1, 0.4, 0.6)),
    )


def with_sign(sign: Sign, *, first: bool = False):
    catalogue = load_catalogue()
    own = {sign.name: sign}
    signs = own | catalogue.signs if first else catalogue.signs | own
    return replace(catalogue, signs=signs)


# -- moments -----------------------------------------------------------------------------


@pytest.mark.parametrize("k", range(4))
def test_hazards_of_advancing(k: int) -> None:
    phase = list(load_catalogue().phases.values())[k]
    # With weekly steps a stage of m weeks is left with chance 1/m = 1 - exp(-hazard).
    hazard = -math.log(1 - 1 / phase.stage_weeks.value)
    moments(many().log_advance[k], math.log(hazard), phase.certainty.value)
    stay = 1 - np.exp(-np.exp(np.median(many().log_advance[k])))
    assert 1 / stay == pytest.approx(phase.stage_weeks.value, rel=0.02)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_baseline_rates_of_slipping(k: int) -> None:
    phase = list(load_catalogue().phases.values())[k]
    moments(many().log_setback[k], math.log(phase.setback_per_year.value / YEAR), 0.5)
    moments(many().log_collapse[k], math.log(phase.collapse_per_year.value / YEAR), 0.5)


def test_the_first_phase_has_nothing_below_it() -> None:
    assert (many().log_setback[0] == -np.inf).all()
    assert (many().log_collapse[0] == -np.inf).all()


@pytest.mark.parametrize("e", range(7))
def test_event_effects(e: int) -> None:
    kind = list(load_catalogue().events.values())[e]
    sd = kind.certainty.value
    for part in ("advance", "setback", "collapse"):
        draws = getattr(many(), f"event_{part}")[e]
        centre = getattr(kind, part).value
        if centre == 0:
            assert (draws == 0).all()  # neutral stays neutral
        else:
            moments(draws, centre, sd)
    moments(np.log(many().event_memory[e]), math.log(kind.memory_weeks.value), sd / 2)


@pytest.mark.parametrize("j", range(2))
def test_husbandry(j: int) -> None:
    covariate = list(load_catalogue().husbandry.values())[j]
    for k, effect in enumerate(covariate.effect):
        draws = many().husbandry[j, k]
        if effect.value == 0:
            assert (draws == 0).all()
        else:
            moments(draws, effect.value, covariate.certainty.value)


@pytest.mark.parametrize("g", range(12))
def test_signs(g: int) -> None:
    sign = list(load_catalogue().signs.values())[g]
    logit = many().sign_logit[g]
    for k, p in enumerate(sign.detection):
        moments(logit[k], math.log(p.value / (1 - p.value)), sign.certainty.value)
    # Half of the variance is common to the phases.
    correlation = np.corrcoef(logit)[np.triu_indices(4, 1)]
    np.testing.assert_allclose(correlation, 0.5, atol=5 / math.sqrt(N))
    assert (many().persistence[g] > 0).all()
    moments(many().persistence[g], sign.persistence.value, 0.3)
    assert many().small[g] == sign.small


@pytest.mark.parametrize("a", range(4))
def test_readings(a: int) -> None:
    catalogue = load_catalogue()
    analyte = catalogue.analytes[catalogue.informative[a]]
    assert many().offset[a] == analyte.offset
    for k in range(4):
        median = math.log(analyte.typical[k].value + analyte.offset)
        moments(many().reading_mean[a, k], median, analyte.certainty.value)
        moments(np.log(many().reading_sd[a, k]), math.log(analyte.spread[k].value), 0.15)
    correlation = np.corrcoef(many().reading_mean[a])[np.triu_indices(4, 1)]
    np.testing.assert_allclose(correlation, 0.5, atol=5 / math.sqrt(N))
    moments(many().carry[a], analyte.carry.value, 0.1)
    assert ((many().carry[a] > 0) & (many().carry[a] < 1)).all()


@pytest.mark.parametrize(
    ("field", "key"),
    [
        ("pace_sd", ("pace", "sd")),
        ("skill_sd", ("skill", "sd")),
        ("outlier", ("outlier", "reading")),
        ("judge_accuracy", ("judge", "accuracy")),
        ("judge_repeat", ("judge", "repeat")),
    ],
)
def test_observing(field: str, key: tuple[str, str]) -> None:
    draws, quantity = getattr(many(), field), load_catalogue().observing[key]
    moments(draws, quantity.value.value, quantity.spread.value)
    assert (draws > 0).all()
    if field not in ("pace_sd", "skill_sd"):
        assert (draws < 1).all()


def test_ways_of_looking() -> None:
    for i, look in enumerate(LOOKS):
        quantity = load_catalogue().observing["look", look]
        moments(many().look_effect[i], quantity.value.value, quantity.spread.value)
    assert (many().look_effect[LOOKS.index("careful")] == 0).all()


def test_starts() -> None:
    catalogue = load_catalogue()
    start = start_distribution(catalogue, 12)
    np.testing.assert_allclose(start.sum(axis=1), 1, rtol=0, atol=1e-14)
    for row, chances in zip(start, catalogue.starts.values(), strict=True):
        np.testing.assert_allclose(row[:5], [c.value for c in chances], rtol=1e-12)
        assert (row[5:] == 0).all()
    assert np.array_equal(many().start, start)


# -- reproducible ------------------------------------------------------------------------


def close(file: Population, made: Population) -> None:
    """The file was made on another machine, whose exp and log may differ in the last digit."""
    for name in DIMS:
        np.testing.assert_allclose(
            getattr(file, name), getattr(made, name), rtol=1e-13, atol=1e-14, err_msg=name
        )


def test_the_seed_decides_the_draws() -> None:
    catalogue = load_catalogue()
    first, again, other = (elicit_population(catalogue, 0.5, n_draws=32, seed=s) for s in (5, 5, 6))
    for name, dims in DIMS.items():
        assert np.array_equal(getattr(first, name), getattr(again, name)), name
        if dims[-1] == "draw":
            assert not np.array_equal(getattr(first, name), getattr(other, name)), name


def test_the_shipped_population_is_the_catalogue_s() -> None:
    shipped = load_population()
    made = elicit_population(
        load_catalogue(), DEFAULT_EVIDENCE_WEIGHT, n_draws=DEFAULT_DRAWS, seed=DEFAULT_SEED
    )
    assert shipped.evidence_weight == made.evidence_weight
    assert (shipped.kind, shipped.n_draws, shipped.n_stages) == ("elicited", DEFAULT_DRAWS, 3)
    for labels in ("phases", "signs", "analytes", "events", "covariates", "looks", "rocks"):
        assert getattr(shipped, labels) == getattr(made, labels)
    close(shipped, made)


# -- a club's own sign -------------------------------------------------------------------


@pytest.mark.parametrize("first", [False, True])
def test_an_own_sign_leaves_all_other_draws_alone(first: bool) -> None:
    catalogue = load_catalogue()
    plain = elicit_population(catalogue, 0.5, n_draws=64, seed=11)
    extended = elicit_population(with_sign(own_sign(), first=first), 0.5, n_draws=64, seed=11)
    for name, dims in DIMS.items():
        if dims[0] == "sign":
            keep = [extended.signs.index(s) for s in plain.signs]
            assert np.array_equal(getattr(extended, name)[keep], getattr(plain, name)), name
        else:
            assert np.array_equal(getattr(extended, name), getattr(plain, name)), name


def test_fitting_to_a_catalogue_with_an_own_sign_draws_it_from_its_prior() -> None:
    catalogue = with_sign(own_sign(), first=True)
    shipped = load_population()
    fitted = fit_to_catalogue(shipped, catalogue)
    assert fitted.signs == tuple(catalogue.signs)
    np.testing.assert_array_equal(fitted.sign_logit[1:], shipped.sign_logit)
    logit, persistence = draw_sign(catalogue.signs["feather_worms"], shipped.n_draws)
    np.testing.assert_array_equal(fitted.sign_logit[0], logit)
    np.testing.assert_array_equal(fitted.persistence[0], persistence)
    # The same as if the sign had been known when the population was elicited.
    close(fitted, elicit_population(catalogue, shipped.evidence_weight))
    other = fit_to_catalogue(shipped, with_sign(own_sign("sea_hares")))
    assert not np.array_equal(other.sign_logit[-1], logit)


def test_signs_are_brought_into_the_catalogue_s_order() -> None:
    catalogue = load_catalogue()
    turned = replace(catalogue, signs=dict(reversed(catalogue.signs.items())))
    population = fit_to_catalogue(load_population(), turned)
    np.testing.assert_array_equal(population.sign_logit[::-1], load_population().sign_logit)
    np.testing.assert_array_equal(population.small[::-1], load_population().small)
    assert fit_to_catalogue(load_population(), catalogue) is not population


@pytest.mark.parametrize(
    ("field", "what"),
    [
        ("phases", "phases"),
        ("analytes", "analytes"),
        ("events", "events"),
        ("covariates", "husbandry"),
        ("rocks", "rock"),
        ("looks", "ways of looking"),
    ],
)
def test_what_differs_is_named(field: str, what: str) -> None:
    population = load_population()
    changed = replace(population, **{field: ("odd", *getattr(population, field)[1:])})
    with pytest.raises(PopulationMismatch, match=what) as caught:
        fit_to_catalogue(changed, load_catalogue())
    assert "odd" in str(caught.value)


def test_a_missing_sign_of_the_trade_is_a_mismatch() -> None:
    population = load_population()
    lacking = replace(
        population,
        signs=population.signs[:-1],
        sign_logit=population.sign_logit[:-1],
        persistence=population.persistence[:-1],
        small=population.small[:-1],
    )
    with pytest.raises(PopulationMismatch, match="coralline_algae"):
        fit_to_catalogue(lacking, load_catalogue())


def test_taking_draws() -> None:
    population = load_population()
    some = take_draws(population, np.array([5, 5, 2]))
    assert some.n_draws == 3
    for name, dims in DIMS.items():
        have, whole = getattr(some, name), getattr(population, name)
        want = whole[..., [5, 5, 2]] if dims[-1] == "draw" else whole
        np.testing.assert_array_equal(have, want)
        assert have.flags.c_contiguous
