"""Arithmetic of the compiled kernels: functions that vectorise, and bounds of numbers."""

from __future__ import annotations

import numpy as np
from numba import njit

# Kernels handle division by zero; contraction to fused multiply-add changes only rounding.
JIT = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract"}}

#: A step less likely than this under every state counts as impossible.
TINY = 1e-300
#: Upper bound on ratios of likelihoods in backward passes, so that 0 * inf cannot arise. They
#: get this large only in states that the data so far all but rule out.
HUGE = 1e250
#: Log hazards are bounded: a greater one is a sure move, with a lesser one nothing moves.
MOST_LOG_HAZARD, LEAST_LOG_HAZARD = 100.0, -500.0


@njit(**JIT)
def exp_lanes(x):
    """exp(x) in arithmetic that vectorises; relative error below 4e-16.

    Cody and Waite's reduction and a polynomial of degree 11 on [-ln2/2, ln2/2] that
    interpolates (exp(x) - 1 - x) / x^2 at the Chebyshev nodes (error 1e-17). Arguments are
    clipped to [-700, 700], so that exp(-inf) is 1e-304, practically zero. NaN counts as -inf.
    """
    x = x if x > -700.0 else -700.0
    x = x if x < 700.0 else 700.0
    shifted = x * 1.4426950408889634 + 6755399441055744.0
    n = shifted - 6755399441055744.0
    y = x - n * 0.6931471803691238 - n * 1.9082149292705877e-10
    p = 2.510038549551032e-08
    p = p * y + 2.7620088445409746e-07
    p = p * y + 2.7557268459997064e-06
    p = p * y + 2.4801521295954376e-05
    p = p * y + 0.00019841269863053618
    p = p * y + 0.0013888888917213717
    p = p * y + 0.008333333333330062
    p = p * y + 0.04166666666662413
    p = p * y + 0.16666666666666669
    p = p * y + 0.5000000000000001
    p = p * y + 1.0
    p = p * y + 1.0
    bits = np.float64(p).view(np.int64) + (np.float64(shifted).view(np.int64) << 52)
    return np.int64(bits).view(np.float64)


@njit(**JIT)
def log_lanes(x):
    """log(x) for normal x > 0 in arithmetic that vectorises; absolute error below 3e-16 + eps.

    The series of atanh about the mantissa brought to [sqrt(1/2), sqrt(2)].
    """
    bits = np.float64(x).view(np.int64) - 0x3FE6A09E667F3BCD
    n = np.float64(bits >> 52)
    m = np.int64((bits & 0x000FFFFFFFFFFFFF) + 0x3FE6A09E667F3BCD).view(np.float64)
    s = (m - 1.0) / (m + 1.0)
    z = s * s
    p = 1.0 / 23.0
    p = p * z + 1.0 / 21.0
    p = p * z + 1.0 / 19.0
    p = p * z + 1.0 / 17.0
    p = p * z + 1.0 / 15.0
    p = p * z + 1.0 / 13.0
    p = p * z + 1.0 / 11.0
    p = p * z + 1.0 / 9.0
    p = p * z + 1.0 / 7.0
    p = p * z + 1.0 / 5.0
    p = p * z + 1.0 / 3.0
    return n * 0.6931471805599453 + 2.0 * s + 2.0 * s * z * p


# Inlined because a call would keep the caller's loop from vectorising.
@njit(inline="always", **JIT)
def scaled_tail_lanes(x):
    """exp(x^2) P(N(0,1) > sqrt(2) x) for x >= 0, half of erfcx(x); relative error below 2e-15.

    Times 1 + 2 x it is a smooth function of (x - 4) / (x + 4): its interpolant at the 24
    Chebyshev nodes.
    """
    y = (x - 4.0) / (x + 4.0)
    p = 4.827704112741432e-10
    p = p * y + 7.856076819159532e-10
    p = p * y - 6.272412701927759e-09
    p = p * y - 8.178691991062384e-09
    p = p * y + 5.341721463372293e-08
    p = p * y + 3.5559562140052115e-08
    p = p * y - 4.109010327406522e-07
    p = p * y + 1.4902980276613844e-07
    p = p * y + 2.8536197868466286e-06
    p = p * y - 5.612570177224829e-06
    p = p * y - 1.2199058971039975e-05
    p = p * y + 7.531155892581035e-05
    p = p * y - 9.962850206092407e-05
    p = p * y - 0.00037888685709194423
    p = p * y + 0.0025159850162743474
    p = p * y - 0.00809886698996213
    p = p * y + 0.0185837577659216
    p = p * y - 0.033165182910251834
    p = p * y + 0.04686641749932586
    p = p * y - 0.05051953301792647
    p = p * y + 0.0340485271273431
    p = p * y + 0.007689826051305081
    p = p * y - 0.06981055842028125
    p = p * y + 0.6164975593127763
    return p / (1.0 + 2.0 * x)


@njit(inline="always", **JIT)
def tail_lanes(z):
    """P(N(0,1) > z) in arithmetic that vectorises; relative error below (4 + z^2) 3e-16.

    The tail stops at z = 37, where it is 1e-300.
    """
    size = z if z > 0.0 else -z
    x = 0.7071067811865476 * (size if size < 37.0 else 37.0)
    tail = scaled_tail_lanes(x) * exp_lanes(-x * x)
    return tail if z > 0.0 else 1.0 - tail


@njit(**JIT)
def hazard_share(stay, total):
    """(1 - exp(-total)) / total, given stay = exp(-total); 1 at 0. Relative error below 1e-12."""
    cubic = 1.0 / 6.0 - total * (1.0 / 24.0 - total * (1.0 / 120.0))
    series = 1.0 - total * (0.5 - total * cubic)
    return (1.0 - stay) / total if total > 1e-3 else series


@njit(**JIT)
def bounded_hazard(log_hazard):
    """exp(log_hazard), kept where products neither overflow nor become slow subnormals.

    Above :data:`MOST_LOG_HAZARD` it is exp of that, below :data:`LEAST_LOG_HAZARD` it is 0.
    """
    hazard = exp_lanes(log_hazard if log_hazard < MOST_LOG_HAZARD else MOST_LOG_HAZARD)
    return hazard if log_hazard > LEAST_LOG_HAZARD else 0.0
