"""Ops of observations: values against SciPy and sums by hand, gradients by differences."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from fitting.op_checks import check, compiled, pt, pytensor
from scipy.stats import norm

from maturity_model._typing import Floats
from maturity_model.fitting.kernels import emission_kernels
from maturity_model.fitting.kernels import ops as op

pytestmark = pytest.mark.fit


def some_intervals(rng: np.random.Generator, c: int) -> tuple[Floats, Floats, dict[str, Floats]]:
    """Ends of intervals, some infinite, and the normals of 12 states and of noise."""
    low = rng.normal(size=c)
    high = low + rng.random(c) * 2
    low[::5], high[::7] = -np.inf, np.inf
    values = {
        "mean": rng.normal(0, 3, (c, 12)),
        "sd": rng.uniform(0.3, 2, (c, 12)),
        "wide_mean": rng.normal(size=c),
        "wide_sd": rng.uniform(1, 3, c),
        "outlier": np.array(0.03),
    }
    return low, high, values


def test_interval_table_against_scipy(rng: np.random.Generator) -> None:
    low, high, values = some_intervals(rng, 53)
    mean, sd, wide_mean, wide_sd, outlier = values.values()
    found = op.interval_table(low, high, *values.values()).eval(mode="NUMBA")

    def between(m: Floats, s: Floats) -> Floats:
        a, b = (low[:, None] - m) / s, (high[:, None] - m) / s
        return np.where(a > 0, norm.sf(a) - norm.sf(b), norm.cdf(b) - norm.cdf(a))

    p = (1 - outlier) * between(mean, sd) + outlier * between(wide_mean[:, None], wide_sd[:, None])
    np.testing.assert_allclose(found, np.log(p), rtol=0, atol=1e-12)


def test_gradient_of_intervals(rng: np.random.Generator) -> None:
    low, high, values = some_intervals(rng, 37)
    check(lambda *args: op.interval_table(low, high, *args), values)


# Rows of observations ------------------------------------------------------------------


class Rows(NamedTuple):
    """Observations of 20 rows, some with none and one with more than a product holds."""

    values: dict[str, Floats]
    observed: dict[str, Any]
    answers: dict[str, Any]

    def make(self, table: Any, logit: Any, shift: Any) -> Any:
        return op.row_log_likelihood(table, self.observed, logit, shift, self.answers)

    def expected(self) -> Floats:
        """Observation by observation."""
        table, logit, shift = self.values.values()
        out = np.zeros((20, table.shape[1]))
        for r in range(20):
            begin, code = self.observed["begin"], self.observed["code"]
            for c in code[begin[r] : begin[r + 1]]:
                out[r] += table[c]
            begin, code = self.answers["begin"], self.answers["code"]
            for a in code[begin[r] : begin[r + 1]]:
                x = self.answers["seen"][a] * (logit[self.answers["sign"][a]] + shift[a])
                out[r] -= self.answers["weight"] * np.logaddexp(0, -x)
        return out


def some_rows(rng: np.random.Generator, states: int = 12) -> Rows:
    a = 37
    n = rng.integers(0, 5, 20)
    many = n * (rng.random(20) > 0.3)
    many[7] = 2 * emission_kernels.MANY + 3
    return Rows(
        {
            "table": rng.normal(size=(9, states)),
            "logit": rng.normal(0, 2, (4, states)),
            "shift": rng.normal(size=a),
        },
        {"begin": np.append(0, np.cumsum(n)), "code": rng.integers(0, 9, n.sum())},
        {
            "sign": rng.integers(0, 4, a),
            "seen": rng.choice([-1.0, 1.0], a),
            "begin": np.append(0, np.cumsum(many)),
            "code": rng.integers(0, a, many.sum()),
            "weight": np.array(0.7),
        },
    )


def test_rows_are_sums_of_their_observations(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    found = rows.make(*rows.values.values()).eval(mode="NUMBA")
    np.testing.assert_allclose(found, rows.expected(), rtol=0, atol=1e-12)


def test_gradient_of_rows(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    check(rows.make, rows.values)


def test_far_out_log_odds_stay_finite(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    x = pt.matrix("x"), pt.vector("y")
    total = rows.make(rows.values["table"], *x).sum()
    run = compiled([*x], [total, *pytensor.grad(total, x)])
    for sign in (-1.0, 1.0):
        logit, shift = (np.full_like(rows.values[n], sign * 400.0) for n in ("logit", "shift"))
        for found in run(logit, shift):
            assert np.isfinite(found).all()


def test_not_a_number_is_no_number_in_its_rows(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    for name in ("logit", "shift"):
        bad = {k: v.copy() for k, v in rows.values.items()}
        bad[name][3] = np.nan
        found = rows.make(*bad.values()).eval(mode="NUMBA")
        answer = (rows.answers["sign"] == 3) if name == "logit" else np.arange(37) == 3
        begin, code = rows.answers["begin"], rows.answers["code"]
        hit = [answer[code[begin[r] : begin[r + 1]]].any() for r in range(20)]
        np.testing.assert_array_equal(np.isnan(found).any(axis=1), hit)
