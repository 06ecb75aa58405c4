"""How far the gradient kernel is from what one core of this machine can do at most.

The peak of arithmetic is measured with independent fused multiply-adds on an array that
stays in the nearest cache, that of memory by copying an array far larger than the caches.
The operations of the kernel are counted by running its own source with numbers that count.
"""

from __future__ import annotations

import math
import operator
import time
from collections import Counter
from collections.abc import Callable
from types import FunctionType
from typing import Any, ClassVar, NamedTuple

import numpy as np

from maturity_model.lab.benchmarks.timing import exponent

_LANES, _CHAIN, _STEPS = 256, 16, 20_000
_COPY = 2**27  # bytes
#: Operations of ``lanes.exp_over`` and ``lanes.exponent``, counted in their source.
EXP, EXPONENT = 28, 3
#: At most this many times the time that the counted operations take at the peak.
TIMES = 5.0
SERIES, STEPS = 2000, 60
BY_SERIES, BY_STEPS = (500, 1000, 2000, 4000, 8000), (15, 30, 60, 120, 240)


class Peak(NamedTuple):
    """Of one core: floating-point operations and bytes, a second."""

    flops: float
    bytes: float


def _multiply_adds() -> Callable[..., Any]:
    from numba import njit

    lanes, chain = _LANES, _CHAIN

    @njit(fastmath={"contract"}, error_model="numpy")
    def run(x, a, b, steps):  # type: ignore[no-untyped-def]
        for _ in range(steps):
            for i in range(lanes):
                y = x[i]
                for _ in range(chain):
                    y = y * a + b
                x[i] = y
        return x[0]

    return run


def measure_peak(rounds: int = 7) -> Peak:
    """Best of some rounds, processor time."""
    run = _multiply_adds()
    x = np.linspace(0.1, 0.9, _LANES)
    run(x, 0.999, 1e-3, 10)
    flops = moved = 0.0
    for _ in range(rounds):
        begin = time.process_time()
        run(x, 0.999, 1e-3, _STEPS)
        flops = max(flops, 2 * _CHAIN * _LANES * _STEPS / (time.process_time() - begin))
    source = np.ones(_COPY // 8)
    target = np.zeros_like(source)
    for _ in range(rounds):
        begin = time.process_time()
        np.copyto(target, source)
        moved = max(moved, 2 * _COPY / (time.process_time() - begin))
    return Peak(flops, moved)


# Counting ------------------------------------------------------------------------------------


class _Number:
    """A float that counts what is done with it."""

    __slots__ = ("x",)
    done: ClassVar[Counter[str]] = Counter()

    def __init__(self, x: float):
        self.x = x


def _counted(name: str, *, swapped: bool = False, number: bool = True) -> Callable[..., Any]:
    act = getattr(operator, name)

    def method(self: _Number, other: Any) -> Any:
        _Number.done[name] += 1
        a, b = self.x, other.x if isinstance(other, _Number) else float(other)
        value = act(b, a) if swapped else act(a, b)
        return _Number(value) if number else value

    return method


for _name in ("add", "sub", "mul", "truediv"):
    setattr(_Number, f"__{_name}__", _counted(_name))
    setattr(_Number, f"__r{_name}__", _counted(_name, swapped=True))
for _name in ("lt", "gt", "le", "ge"):
    setattr(_Number, f"__{_name}__", _counted(_name, number=False))
_Number.__neg__ = lambda self: _Number(-self.x)  # type: ignore[attr-defined]


def _function(name: str, of: Callable[[float], float]) -> Callable[..., _Number]:
    def call(x: Any, *_: Any) -> _Number:
        _Number.done[name] += 1
        return _Number(of(x.x if isinstance(x, _Number) else x))

    return call


def _where_above(x: Any, limit: Any, yes: Any, no: Any) -> Any:
    chosen = yes if x > limit else no
    return chosen if isinstance(chosen, _Number) else _Number(chosen)


def _put(array: np.ndarray, row: int, x: _Number, *_: Any) -> None:
    array[row] = x


class Count(NamedTuple):
    """Of value and gradient, for one series and one step.

    Attributes
    ----------
    arithmetic : float
        Additions, multiplications, divisions and comparisons: one each.
    exponentials : float
    bytes : int
        What the caller gives and gets, once each: log hazards, log-likelihoods, smoothed
        states, gradient. What the kernel keeps of a block between its two passes is not in it.
    """

    arithmetic: float
    exponentials: float
    bytes: int

    @property
    def flops(self) -> float:
        """All of them, an exponential as what it is made of."""
        return self.arithmetic + EXP * self.exponentials


def count_operations() -> Count:
    """Run ``chain_gradient_4x3.block`` for three and for four steps; the difference."""
    from maturity_model.fitting.kernels import chain_gradient_4x3 as fixed

    scope: dict[str, Any] = dict(vars(fixed))
    for name, found in vars(fixed).items():
        if hasattr(found, "py_func"):
            scope[name] = FunctionType(found.py_func.__code__, scope)
    # One lane, whose rows are the elements of an array.
    scope |= {
        "L": 1,
        "load": operator.getitem,
        "store": _put,
        "put": _put,
        "prefetch": lambda array, row: None,
        "spread": _Number,
        "where_above": _where_above,
        "exponent": _function("exponent", lambda x: math.floor(math.log2(x))),
        "exp_over": _function("exp", math.exp),
        "log_lanes": _function("log", math.log),
    }

    def numbers(size: int, x: float) -> np.ndarray:
        return np.array([_Number(x) for _ in range(size)], dtype=object)

    def run(steps: int) -> Counter[str]:
        states, moves = steps * fixed.S, (steps - 1) * fixed.H
        sizes = (a.size // fixed.L for a in fixed.workspace.py_func(steps))
        work = tuple(numbers(size, 1.0) for size in sizes)
        _Number.done.clear()
        scope["block"](
            numbers(fixed.S, 1 / 12), numbers(moves, -2.0), numbers(states, -1.0), work, 0, 1,
            numbers(1, 0.0), numbers(states, 0.0), numbers(moves, 0.0), False,
        )  # fmt: skip
        return Counter(_Number.done)

    each = run(4)
    each.subtract(run(3))
    exps, exponents = each.pop("exp"), each.pop("exponent")
    rows = 2 * fixed.H + 2 * fixed.S
    return Count(sum(each.values()) + EXPONENT * exponents, exps, 8 * rows)


# Measuring -----------------------------------------------------------------------------------


def _seconds(series: int, steps: int, rounds: int) -> float:
    """Best processor time of value and gradient, into arrays of an earlier call."""
    from maturity_model.fitting.kernels import chain_gradient_4x3 as fixed
    from maturity_model.fitting.kernels.chain_gradient import to_lanes, value_and_gradient

    rng = np.random.default_rng(0)
    arrays = [
        to_lanes(x, lanes=fixed.L)
        for x in (
            rng.dirichlet(np.ones(12), series),
            rng.normal(-2.0, 1.0, (series, steps - 1, 3, 4)),
            rng.normal(-3.0, 2.0, (series, steps, 12)),
        )
    ]
    kept = value_and_gradient(*arrays, 3)
    times = []
    for _ in range(rounds):
        begin = time.process_time()
        value_and_gradient(*arrays, 3, out=kept)
        times.append(time.process_time() - begin)
    return min(times)


def measure(rounds: int) -> list[str]:
    """Lines of the report."""
    peak, count = measure_peak(), count_operations()
    cells = SERIES * STEPS
    spent = _seconds(SERIES, STEPS, rounds) / cells
    bound, carried = count.flops / peak.flops, count.bytes / peak.bytes
    times = spent / bound
    by_series = exponent(BY_SERIES, [_seconds(n, STEPS, rounds) for n in BY_SERIES])
    by_steps = exponent(BY_STEPS, [_seconds(SERIES, t, rounds) for t in BY_STEPS])
    return [
        "One core, float64, processor time, best of all rounds.",
        "",
        f"- Peak: {peak.flops / 1e9:.1f} GFLOP/s in independent fused multiply-adds (two "
        f"operations each), {peak.bytes / 1e9:.1f} GB/s copied (read and written).",
        f"- Value and gradient, counted, for a series and a step: {count.arithmetic:.0f} "
        f"additions, multiplications, divisions and comparisons, {count.exponentials:.0f} "
        f"exponentials of {EXP} operations: {count.flops:,.0f} operations; {count.bytes} bytes "
        "in and out.",
        f"- At the peak these take {bound * 1e9:.1f} ns, and the bytes {carried * 1e9:.1f} ns; "
        f"measured: {spent * 1e9:.1f} ns for {SERIES:,} x {STEPS} ({count.flops / spent / 1e9:.1f} "
        f"GFLOP/s). Not every operation pairs into a multiply-add, and divisions are slower.",
        f"- Target, at most {TIMES:g} times the time of its operations at the peak: {times:.1f}, "
        + ("met." if times <= TIMES else "NOT MET."),
        f"- Time grows with series ({BY_SERIES[0]:,} to {BY_SERIES[-1]:,}) to the power "
        f"{by_series:.2f}, with steps ({BY_STEPS[0]} to {BY_STEPS[-1]}) to the power "
        f"{by_steps:.2f}.",
    ]
