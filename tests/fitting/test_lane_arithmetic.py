"""Eight lanes as one number."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from maturity_model.fitting.kernels.simd_lanes import (
    WIDTH,
    exp_over,
    exponent,
    load,
    rows,
    spread,
    store,
    where_above,
)

pytestmark = pytest.mark.fit


@njit
def _arithmetic(a, b, out):  # type: ignore[no-untyped-def]
    x, y = load(a, 0), load(b, 0)
    total = spread(0.5)
    total += x
    total *= y
    total -= 1.0
    total /= 2.0
    made = (
        x + y, x - y, x * y, x / y, -x, 2.0 + x, 2.0 - x, 2.0 * x, 2.0 / x,
        x + 2.0, x - 2.0, x * 2.0, x / 2.0, total, exponent(y),
        where_above(x, y, x, -1.0), where_above(0.5, x, 7.0, y),
    )  # fmt: skip
    for i in range(len(made)):
        store(out, i, made[i])


@njit
def _exp_over(x, n, out):  # type: ignore[no-untyped-def]
    for row in range(len(x) // WIDTH):
        store(out, row, exp_over(load(x, row), load(n, row)))


@njit(fastmath={"contract"})
def _multiply_and_add(x, y, z, out):  # type: ignore[no-untyped-def]
    store(out, 0, load(x, 0) * load(y, 0) + load(z, 0))


def fuses() -> bool:
    """Whether this processor rounds x y + z once."""
    x = np.full(WIDTH, 1.0 + 2.0**-30)
    out = rows.py_func(1)
    _multiply_and_add(x, 2.0 - x, np.full(WIDTH, -1.0), out)
    return bool(out[0] == -(2.0**-60))


def test_arithmetic_is_that_of_each_lane() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.normal(size=WIDTH), rng.lognormal(sigma=9.0, size=WIDTH)
    y[:3] = 1.0, 2.0, 0.75
    found = rows.py_func(17)
    _arithmetic(x, y, found)
    expected = (
        x + y, x - y, x * y, x / y, -x, 2.0 + x, 2.0 - x, 2.0 * x, 2.0 / x,
        x + 2.0, x - 2.0, x * 2.0, x / 2.0, ((0.5 + x) * y - 1.0) / 2.0, np.floor(np.log2(y)),
        np.where(x > y, x, -1.0), np.where(x < 0.5, 7.0, y),
    )  # fmt: skip
    np.testing.assert_array_equal(found.reshape(-1, WIDTH), expected)


def test_nan_is_above_nothing() -> None:
    x = np.full(WIDTH, np.nan)
    out = rows.py_func(17)
    _arithmetic(x, np.ones(WIDTH), out)
    assert (out.reshape(-1, WIDTH)[15:] == [[-1.0], [1.0]]).all()


@pytest.mark.parametrize(
    ("low", "high"), [(-0.35, 0.35), (-30.0, 0.0), (-700.0, 0.0), (0.0, 700.0)]
)
def test_exp(low: float, high: float) -> None:
    rng = np.random.default_rng(2)
    x = rng.uniform(low, high, 2**17)
    x[:2] = low, high
    n = np.floor(rng.uniform(-9.0, 3.0, x.size))
    found = np.empty_like(x)
    _exp_over(x, n, found)
    truth = np.exp(x.astype(np.longdouble)) / np.exp2(n)
    error = np.abs(found - truth) / truth
    # Rounded twice, the product of reduction is off by half of its last bit too.
    assert (error < 5e-16 + (4e-17 if fuses() else 1.5e-16) * np.abs(x)).all()
