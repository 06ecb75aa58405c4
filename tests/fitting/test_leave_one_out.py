"""Leaving tanks out: against ArviZ, an exact answer, and the weekly path."""

from __future__ import annotations

import warnings
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
az = pytest.importorskip("arviz")
xr = pytest.importorskip("xarray")

from fitting.fitted_example import CATALOGUE, fitted, panel

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.fitting.command import idata_path, save_posterior
from maturity_model.fitting.leave_one_out import leave_one_out, loo_by_tank
from maturity_model.fitting.tank_likelihood import (
    NODES,
    smoothed_without_judgements,
    tank_log_likelihood,
)
from maturity_model.panel import build_panel
from maturity_model.population.elicit import elicit_population

pytestmark = pytest.mark.fit


def arviz_loo(posterior: Any, log_likelihood: Any) -> Any:
    groups = {"posterior": posterior, "log_likelihood": log_likelihood}
    if az.__version__.startswith("0."):
        data = az.InferenceData(**groups)
    else:
        data = xr.DataTree.from_dict({f"/{k}": v for k, v in groups.items()})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return az.loo(data, pointwise=True, reff=1.0)


def test_same_as_arviz_from_the_file(tmp_path: Any) -> None:
    # More draws than a population holds.
    result = fitted(elicit_population(CATALOGUE, 1.0, n_draws=2 * 270, seed=3), panel())
    loo = loo_by_tank(result.panel, result.population)
    path = idata_path(tmp_path / "club.nc")
    save_posterior(result, path, loo)
    with xr.open_datatree(path, engine="h5netcdf") as tree:
        log_likelihood = tree["log_likelihood"].to_dataset().load()
        posterior = tree["posterior"].to_dataset().sel(draw=log_likelihood.draw).load()
    # Its scores are of the draws that the population holds, in its order.
    outlier = result.population.outlier
    np.testing.assert_array_equal(posterior["outlier"].values.ravel(), outlier)
    np.testing.assert_array_equal(
        log_likelihood["log"].stack(sample=("chain", "draw")), loo.log_likelihood
    )
    found = arviz_loo(posterior, log_likelihood)
    # There the score is at the fit's own weight.
    elpd, _, khat = leave_one_out(loo.log_likelihood)
    each = getattr(found, "loo_i", None)
    each = found.elpd_i if each is None else each
    # ArviZ 1 takes a tail of floor(3 sqrt(512)) draws, 0.23 and R's loo one more.
    exact = az.__version__.startswith("0.")
    np.testing.assert_allclose(np.asarray(each), elpd, rtol=1e-6 if exact else 1e-3)
    limits = {"rtol": 1e-6} if exact else {"atol": 0.2}
    np.testing.assert_allclose(np.asarray(found.pareto_k), khat, **limits)
    np.testing.assert_allclose(loo.table["khat"], khat)


def test_exact_answer_of_a_normal_mean() -> None:
    # y ~ N(mu, 1), flat prior: leaving one out is N(mean of the others, 1 + 1 / (n - 1)).
    rng = np.random.default_rng(5)
    n, draws = 30, 20_000
    y = rng.normal(size=n)
    mu = rng.normal(y.mean(), n**-0.5, size=draws)
    density = -0.5 * (y[:, None] - mu) ** 2 - 0.5 * np.log(2 * np.pi)
    elpd, in_sample, khat = leave_one_out(density)
    others = (y.sum() - y) / (n - 1)
    variance = 1 + 1 / (n - 1)
    exact = -0.5 * (y - others) ** 2 / variance - 0.5 * np.log(2 * np.pi * variance)
    np.testing.assert_allclose(elpd, exact, atol=0.01)
    assert (in_sample > elpd).all()
    assert (khat < 0.5).all()


def test_phases_without_judgements() -> None:
    of = panel()
    population = elicit_population(CATALOGUE, 0.7, n_draws=70, seed=8)
    found = smoothed_without_judgements(of, population, 0.7)
    blank = tuple(replace(c, judged_phase=None) for c in of.logbook.checkins)
    tables = make_tables(
        build_panel(replace(of.logbook, checkins=blank), CATALOGUE), population, nodes=NODES
    )
    for n in (0, 3):
        weekly, _ = filter_tank(tables, n)
        expected = weekly.mix(weekly.smooth()[0], np.full(70, 1 / 70))
        np.testing.assert_allclose(found[of.first[n] : of.first[n + 1]], expected, atol=1e-9)
    np.testing.assert_allclose(found.sum(axis=1), 1)


def test_scores_at_the_plain_likelihood() -> None:
    of = panel()
    population = elicit_population(CATALOGUE, 0.4, n_draws=128, seed=8)
    loo = loo_by_tank(of, population)
    plain = tank_log_likelihood(of, population, 1.0)
    expected = leave_one_out(loo.log_likelihood, plain)
    np.testing.assert_allclose(loo.table["elpd"], expected[0])
    assert loo.total == pytest.approx(expected[0].sum())
    error = np.sqrt(len(expected[0])) * expected[0].std(ddof=1)
    assert loo.standard_error == pytest.approx(error)
    assert (loo.table["weeks_with_checkin"] > 0).all()
    assert loo.unreliable == (expected[2] > loo.limit).sum()
