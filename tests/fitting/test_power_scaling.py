"""Power-scaling: against exact answers of a conjugate model, and against the fitted model."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.power_scaling import (
    DELTA,
    cumulative_distance,
    diagnosis,
    power_scaling,
    sensitivity,
)
from maturity_model.population.constants import READING_SD_SD
from maturity_model.population.priors import priors_from_catalogue

PRIORS = priors_from_catalogue(load_catalogue())


def test_three_draws_by_hand() -> None:
    x, weight = np.array([0.0, 1.0, 3.0]), np.array([0.5, 0.3, 0.2])
    assert cumulative_distance(x, np.full(3, 1 / 3)) == pytest.approx(0.0)

    def one_way(p: tuple[float, float], q: tuple[float, float], width: tuple[int, int]) -> float:
        total = 0.0
        for a, b, w in zip(p, q, width, strict=True):
            middle = (a + b) / 2
            total += w * (a * math.log2(a / middle) + b * math.log2(b / middle))
        area = sum((a + b) * w for a, b, w in zip(p, q, width, strict=True))
        return math.sqrt(total / area)

    up = one_way((1 / 3, 2 / 3), (0.5, 0.8), (1, 2))
    down = one_way((1 / 3, 2 / 3), (0.2, 0.5), (2, 1))
    assert cumulative_distance(x, weight) == pytest.approx(max(up, down))
    # The order in which the draws come, and the unit, do not matter.
    shuffled = np.array([2, 0, 1])
    assert cumulative_distance(1000 * x[shuffled], weight[shuffled]) == pytest.approx(max(up, down))
    assert cumulative_distance(np.ones(3), weight) == 0.0


def _exact(mean: float, sd: float, other_mean: float, other_sd: float, seen: np.ndarray) -> float:
    """Distance of two normals over the range of some draws, on a fine grid."""
    best = 0.0
    for sign in (1, -1):
        grid = np.linspace((sign * seen).min(), (sign * seen).max(), 20_001)
        p, q = (
            np.array([0.5 * math.erfc(-(g - sign * m) / s / math.sqrt(2)) for g in grid])
            for m, s in ((mean, sd), (other_mean, other_sd))
        )
        middle = (p + q) / 2
        total = (p * np.log2(p / middle) + q * np.log2(q / middle)).sum()
        best = max(best, math.sqrt(total / (p + q).sum()))
    return best


@pytest.mark.parametrize("part", ["prior", "likelihood"])
def test_a_conjugate_model(part: str) -> None:
    # theta ~ N(0, 1); five values with mean 1.5 and sd 1: all powers of both are normal.
    n, mean = 5, 1.5

    def posterior(prior_power: float, data_power: float) -> tuple[float, float]:
        precision = prior_power + n * data_power
        return n * data_power * mean / precision, precision**-0.5

    rng = np.random.default_rng(1)
    theta = rng.normal(*posterior(1, 1), size=20_000)
    density = {"prior": -(theta**2) / 2, "likelihood": -n * (theta - mean) ** 2 / 2}[part]
    wanted = 0.0
    for power in (1 / (1 + DELTA), 1 + DELTA):
        powers = (power, 1.0) if part == "prior" else (1.0, power)
        wanted += _exact(*posterior(1, 1), *posterior(*powers), theta)
    wanted /= 2 * math.log2(1 + DELTA)
    found, khat = sensitivity(theta[None], density)
    assert found[0] == pytest.approx(wanted, rel=0.05)
    assert khat < 0.5


def test_what_a_posterior_leans_on_is_told_apart() -> None:
    # A prior that knows all about the first phase, data that know all about one other thing, and
    # one that never varies.
    rng = np.random.default_rng(2)
    advance, other = rng.normal(size=(2, 2000))
    posterior = xr.Dataset(
        {
            "log_advance": (("chain", "draw", "phase"), advance.reshape(2, 1000, 1)),
            "outlier": (("chain", "draw"), 1 / (1 + np.exp(-other.reshape(2, 1000)))),
            "event_memory": (("chain", "draw"), np.ones((2, 1000))),
        },
        {"phase": ["cycling"]},
    )
    likelihood = np.stack([-0.5 * other**2, np.zeros(2000)])
    found = power_scaling(posterior, -0.5 * advance**2, likelihood)
    assert found.table["parameter"].tolist() == ["log_advance[cycling]", "outlier"]
    by_name = found.table.set_index("parameter")
    advance = by_name.loc["log_advance[cycling]"]
    assert advance.prior_sensitivity > 0.05 > advance.likelihood_sensitivity
    assert advance.diagnosis == "the prior decides"
    assert by_name.loc["outlier"].likelihood_sensitivity > 0.05
    strong, weak = np.array([0.2, 0.2, 0.01]), np.array([0.2, 0.01, 0.2])
    assert diagnosis(strong, weak) == ["prior and data disagree", "the prior decides", ""]


@pytest.mark.fit
def test_the_log_prior_of_a_fit_is_that_of_its_priors() -> None:
    import pymc as pm
    import pytensor
    from scipy.stats import beta, lognorm, norm
    from small_logs import random_log

    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.pooled_fit import log_prior
    from maturity_model.panel import build_panel

    book, end = random_log(1)
    with pytensor.config.change_flags(mode="NUMBA", cxx=""):
        model = build_model(build_panel(book, as_of=end), PRIORS, evidence_weight=1.0)
        names = [v.name for v in model.free_RVs]
        values = pm.draw([model[n] for n in names], random_seed=4, mode="FAST_COMPILE")
        point = dict(zip(names, values, strict=True))
        # One draw, and five that differ from it in one parameter each.
        moved = {
            "log_advance": norm(PRIORS.log_advance, PRIORS.log_advance_sd),
            "sign_logit_z": norm(0, 1),
            "reading_sd": lognorm(READING_SD_SD, scale=PRIORS.reading_sd),
            "outlier": beta(*PRIORS.outlier.beta()),
            "pace_z": None,
        }
        draws = [point, *(point | {n: 0.9 * point[n]} for n in moved)]
        posterior = xr.Dataset(
            {n: (("chain", "draw", *(f"{n}_{i}" for i in range(np.ndim(point[n])))),
                 np.array([[d[n] for d in draws]])) for n in names}
        )  # fmt: skip
        found = log_prior(model, posterior)
    expected = [
        0.0 if law is None else np.sum(law.logpdf(0.9 * point[n]) - law.logpdf(point[n]))
        for n, law in moved.items()
    ]
    # What a single tank is like does not count.
    assert expected[-1] == 0
    np.testing.assert_allclose(found[1:] - found[0], expected, rtol=1e-8, atol=1e-8)
