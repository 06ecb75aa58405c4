"""Drift of the phases: what must be found, and what must not."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from fitting.fitted_example import CATALOGUE, PRIORS, example, fitted, panel, truth

from maturity_model.fitting.drift import (
    judged_agreement,
    overlap_of,
    phase_distances,
    phase_drift,
)
from maturity_model.fitting.tank_likelihood import smoothed_without_judgements
from maturity_model.panel import Panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

pytestmark = pytest.mark.fit
BLOOM, COLONISING = 1, 2


@pytest.mark.parametrize("distance", [0.0, 0.5, 2.0, 6.0])
def test_overlap_of_two_normals(distance: float) -> None:
    # Inman and Bradley 1989, Communications in Statistics 18: 3851-3874 (from memory):
    # two unit normals d apart share 2 Phi(-d / 2).
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=40_000), rng.normal(distance, 1, size=40_000)
    assert overlap_of(a, b) == pytest.approx(2 * NormalDist().cdf(-distance / 2), abs=0.03)


def test_overlap_of_a_narrow_posterior() -> None:
    rng = np.random.default_rng(2)
    wide, narrow = rng.normal(size=4000), rng.normal(0, 0.1, size=4000)
    # Where the densities cross: the area of the wide one inside, of the narrow outside.
    z, n = NormalDist(), NormalDist(0, 0.1)
    x = np.sqrt(2 * np.log(10) / (1 / 0.01 - 1))
    expected = (2 * z.cdf(x) - 1) + 2 * n.cdf(-x)
    assert overlap_of(wide, narrow) == pytest.approx(expected, abs=0.03)


def test_distance_is_bhattacharyya_by_numbers() -> None:
    population = elicit_population(CATALOGUE, 1.0, n_draws=2, seed=1)
    to, within, known = phase_distances(population, PRIORS)
    k, j, d = 1, 3, 1
    p = 1 / (1 + np.exp(-population.sign_logit[:, k, d]))
    q = 1 / (1 + np.exp(-PRIORS.sign_logit[:, j]))
    expected = -np.log(np.sqrt(p * q) + np.sqrt((1 - p) * (1 - q))).sum()
    x = np.linspace(-40, 40, 400_001)
    for a in range(len(PRIORS.analytes)):
        one = NormalDist(population.reading_mean[a, k, d], population.reading_sd[a, k, d])
        two = NormalDist(PRIORS.reading_mean[a, j], PRIORS.reading_sd[a, j])
        left = np.exp(-0.5 * ((x - one.mean) / one.stdev) ** 2) / one.stdev
        right = np.exp(-0.5 * ((x - two.mean) / two.stdev) ** 2) / two.stdev
        affinity = np.sqrt(left * right / (2 * np.pi)).sum() * (x[1] - x[0])
        expected -= np.log(affinity)
    assert to[k, j, d] == pytest.approx(expected, rel=1e-6)
    np.testing.assert_allclose(np.diagonal(known), 0, atol=1e-12)
    np.testing.assert_allclose(within, within.transpose(1, 0, 2), rtol=1e-12)


def test_a_fit_that_learned_nothing_did_not_drift() -> None:
    found = example().drift
    assert found.problems == ()
    assert found.overlaps["shift"].abs().max() < 0.3
    assert found.overlaps["overlap"].min() > 0.8
    assert found.phases["moved"].max() < 0.3
    assert found.phases["own_share"].min() > 0.8


def swapped(population: Population) -> Population:
    order = [0, COLONISING, BLOOM, 3]
    return replace(
        population,
        **{n: getattr(population, n)[:, order] for n in ("sign_logit", "reading_mean")},
        reading_sd=population.reading_sd[:, order],
    )


def test_swapped_phases_are_found() -> None:
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=100, seed=3)
    phases, _ = phase_drift(swapped(drawn), PRIORS)
    assert phases.loc[BLOOM, "nearest_other"] == "colonising"
    assert phases.loc[BLOOM, "margin"] < 0
    result = fitted(swapped(drawn), panel())
    said = " ".join(result.drift.problems)
    assert "phase bloom looks more like the catalogue's colonising" in said
    assert "phase colonising looks more like the catalogue's bloom" in said
    assert not result.diagnostics.ok


def test_merged_phases_are_found() -> None:
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=100, seed=3)
    logit, mean, sd = (x.copy() for x in (drawn.sign_logit, drawn.reading_mean, drawn.reading_sd))
    for x in (logit, mean, sd):
        x[:, COLONISING] = x[:, BLOOM]
    merged = replace(drawn, sign_logit=logit, reading_mean=mean, reading_sd=sd)
    said = " ".join(fitted(merged, panel()).drift.problems)
    assert "bloom and colonising can hardly be told apart" in said


def test_a_parameter_that_left_its_prior_is_found() -> None:
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=100, seed=3)
    far = drawn.log_advance.copy()
    far[0] += 6 * PRIORS.log_advance_sd[0]
    (said,) = fitted(replace(drawn, log_advance=far), panel()).drift.problems
    assert said.startswith("1 parameters left what practice allows, farthest log_advance[cycling]")


def agreement(population: Population, of: Panel) -> object:
    return judged_agreement(of, PRIORS, smoothed_without_judgements(of, population, 1.0))


def test_judgements_agree_with_the_truth_and_not_with_swapped_phases() -> None:
    of = panel(16, 40, 0.6)
    true = agreement(truth(), of)
    assert true.judgements > 100
    assert true.tanks == 16
    assert not true.disagrees
    assert abs(true.observed - true.expected) < 3 * true.standard_error
    wrong = agreement(swapped(truth()), of)
    assert wrong.disagrees
    assert wrong.observed < true.observed - 0.1


def test_a_log_without_judgements_says_so() -> None:
    assert agreement(truth(), panel(2, 8, 0.0)) is None
