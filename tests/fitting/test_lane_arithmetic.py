"""Eight lanes as one number, and the gradient kernel that is made of them."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from maturity_model._typing import Floats
from maturity_model.fitting.kernels import chain_gradient
from maturity_model.fitting.kernels import chain_gradient_4x3 as fixed
from maturity_model.fitting.kernels.chain_gradient import (
    ValueAndGradient,
    from_lanes,
    to_lanes,
    value_and_gradient,
)
from maturity_model.fitting.kernels.simd_lanes import (
    WIDTH,
    aligned,
    exp_over,
    exponent,
    load,
    log_of,
    prefetch,
    put,
    rows,
    settle,
    spread,
    store,
    turned,
    where_above,
)


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


@njit
def _log_of(x, out):  # type: ignore[no-untyped-def]
    for row in range(len(x) // WIDTH):
        store(out, row, log_of(load(x, row)))


@njit
def _turned(x, out):  # type: ignore[no-untyped-def]
    made = turned(
        load(x, 0), load(x, 1), load(x, 2), load(x, 3), load(x, 4), load(x, 5), load(x, 6),
        load(x, 7),
    )  # fmt: skip
    for i, row in enumerate(made):
        store(out, i, row)


@njit(fastmath={"contract"})
def _multiply_and_add(x, y, z, out):  # type: ignore[no-untyped-def]
    store(out, 0, load(x, 0) * load(y, 0) + load(z, 0))


def fuses() -> bool:
    """Whether this processor rounds x y + z once."""
    x = np.full(WIDTH, 1.0 + 2.0**-30)
    out = rows.py_func(1)
    _multiply_and_add(x, 2.0 - x, np.full(WIDTH, -1.0), out)
    return bool(out[0] == -(2.0**-60))


@njit
def _copy(source, target, stream):  # type: ignore[no-untyped-def]
    for row in range(len(source) // WIDTH):
        prefetch(source, row + 1000)
        put(target, row, load(source, row), stream)
    settle()


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


@pytest.mark.parametrize("stream", [False, True])
def test_rows_are_stored(stream: bool) -> None:
    source, target = np.random.default_rng(3).normal(size=5 * WIDTH), rows.py_func(5)
    assert aligned(target)
    assert not aligned(target[1:])
    _copy(source, target, stream)
    np.testing.assert_array_equal(source, target)


def series(n: int, weeks: int) -> list[Floats]:
    rng = np.random.default_rng(4)
    return [
        rng.dirichlet(np.ones(fixed.S), n),
        rng.normal(-2.0, 1.5, (n, weeks - 1, 3, fixed.K)),
        rng.normal(-4.0, 2.0, (n, weeks, fixed.S)),
    ]


def in_lanes(given: list[Floats], lanes: int) -> list[Floats]:
    return [to_lanes(x, lanes=lanes) for x in given]


@pytest.mark.parametrize("groups", [2, 3, 4])
def test_blocks_of_several_groups(groups: int) -> None:
    given = series(50, 9)
    single = value_and_gradient(*in_lanes(given, fixed.L), fixed.R)
    several = value_and_gradient(*in_lanes(given, groups * fixed.L), fixed.R)
    for a, b in zip(single, several, strict=True):
        np.testing.assert_array_equal(from_lanes(a, 50), from_lanes(b, 50))


def test_arrays_begin_on_cache_lines() -> None:
    arrays = in_lanes(series(3, 5), fixed.L)
    assert all(aligned(x.reshape(-1)) for x in (*arrays, *value_and_gradient(*arrays, fixed.R)))


@pytest.mark.parametrize("at", [0, 1])
def test_large_outputs_wherever_they_lie(at: int) -> None:
    # More than is kept in caches: streamed where they begin on a cache line, else not.
    weeks = 40
    n = chain_gradient.STREAMED // (8 * 2 * weeks * fixed.S) + 40
    arrays = in_lanes(series(n, weeks), fixed.L)
    parts = [[x[b : b + 1] for x in arrays] for b in range(len(arrays[0]))]
    small = [value_and_gradient(*part, fixed.R) for part in parts]
    shapes = [(len(parts), *x.shape[1:]) for x in small[0]]
    flat = [rows.py_func(int(np.prod(shape)) // WIDTH + 1) for shape in shapes]
    out = ValueAndGradient(
        *(x[at : at + np.prod(s)].reshape(s) for x, s in zip(flat, shapes, strict=True))
    )
    assert out.smoothed.nbytes + out.hazards.nbytes > chain_gradient.STREAMED
    for whole, piece in zip(
        value_and_gradient(*arrays, fixed.R, out=out),
        zip(*small, strict=True),
        strict=True,
    ):
        np.testing.assert_array_equal(whole, np.concatenate(piece))


def test_logarithm() -> None:
    rng = np.random.default_rng(4)
    x = np.concatenate([
        np.exp(rng.uniform(-700, 700, 4000)), rng.uniform(0.5, 2.0, 4000),
        [1.0, np.sqrt(2.0), np.sqrt(0.5), 2.0, 0.5, np.nextafter(1, 2), np.nextafter(1, 0), 1e-300],
    ])  # fmt: skip
    found = np.empty_like(x)
    _log_of(x, found)
    exact = np.log(x.astype(np.longdouble))
    bound = 3e-16 + (1.2e-16 if fuses() else 2.3e-16) * np.abs(exact)
    assert (np.abs(found - exact) < bound).all()
    assert found[8000] == 0.0


def test_turned_is_the_transpose() -> None:
    x = np.random.default_rng(5).normal(size=WIDTH * WIDTH)
    found = np.empty_like(x)
    _turned(x, found)
    np.testing.assert_array_equal(found.reshape(WIDTH, WIDTH), x.reshape(WIDTH, WIDTH).T)
