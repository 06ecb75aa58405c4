"""What this machine can do at most: multiply-adds and bytes a second of one core.

The peak of arithmetic is that of independent fused multiply-adds on registers; of memory,
that of copying an array far larger than the caches (read + written bytes).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

#: Independent chains of SIMD lanes: more than latency times units of any processor today.
_LANES, _STEPS = 256, 20_000
_COPY = 2**27  # bytes


class Peak(NamedTuple):
    """Of one core: floating-point operations and bytes, a second."""

    flops: float
    bytes: float


def _multiply_adds() -> Callable[..., Any]:
    from numba import njit

    lanes = _LANES

    @njit(fastmath={"contract"}, error_model="numpy")
    def run(x, a, b, steps):  # type: ignore[no-untyped-def]
        # One array that stays in the nearest cache, four steps for each time it is loaded.
        for _ in range(steps):
            for i in range(lanes):
                y = x[i]
                for _ in range(16):
                    y = y * a + b
                x[i] = y
        return x[0]

    return run


def measure_peak(rounds: int = 7) -> Peak:
    """Best of some rounds, processor time."""
    run = _multiply_adds()
    x = np.linspace(0.1, 0.9, _LANES)
    run(x, 0.999, 1e-3, 10)
    flops = 0.0
    for _ in range(rounds):
        begin = time.process_time()
        run(x, 0.999, 1e-3, _STEPS)
        spent = time.process_time() - begin
        flops = max(flops, 2 * 16 * _LANES * _STEPS / spent)
    source = np.ones(_COPY // 8)
    target = np.zeros_like(source)
    moved = 0.0
    for _ in range(rounds):
        begin = time.process_time()
        np.copyto(target, source)
        moved = max(moved, 2 * _COPY / (time.process_time() - begin))
    return Peak(flops, moved)


class Count(NamedTuple):
    """Operations and bytes of value and gradient, for one series and one step.

    Attributes
    ----------
    arithmetic : int
        Additions, multiplications and comparisons; divisions count as one.
    exponentials, logarithms : int
    bytes : int
        Read and written once: what the caller gives and gets. What the kernel keeps of a
        block between its two passes stays in the cache.
    """

    arithmetic: int
    exponentials: int
    logarithms: int
    bytes: int

    def flops(self) -> int:
        """With an exponential as 35 operations and a logarithm as 36, as they are written."""
        return self.arithmetic + 35 * self.exponentials + 36 * self.logarithms


def count_operations(phases: int = 4, stages: int = 3) -> Count:
    """Operations of ``hmm.fixed.block``, line by line, by its formulas."""
    k, s = phases, phases * stages
    moves = 2 * k + 2 * (k - 1) + (k + 1) * (2 + 1 + 1 + 2 + 2 + 7 + 6 + 2)
    emit = 2 * (s - 1) + 1 + 3 * s
    scale = 2 * s + 2 + 2 + 2 * s
    # Stay; advance or what falls in; mass, and its two ways down.
    forward = s + (s - k) * 3 + (k - 1) * 3 + (s - 1) + 2 + (k - 1) * 4 + 3
    weigh, smooth = 2 * s, s
    backward = 2 * k + 3 * (k - 1) + 5 * (s - 1) + 4
    score = (s - 1) * 5 + k * 2 + 5 + (k - 1) * 20 + 9
    # Log hazards and their gradient; log-likelihoods and smoothed states.
    moved = 8 * (2 * 3 * k + 2 * s)
    exponentials = s + 3 * (k - 1) + 1 + (k + 1)
    return Count(
        moves + emit + scale + forward + weigh + smooth + backward + score,
        exponentials,
        1,
        moved,
    )
