"""Tables of log-likelihoods and loads of events in JAX, as in :mod:`.op_kernels`.

Written so that JAX can differentiate them: no infinity ever meets a zero slope.
"""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
from jax.scipy.special import erfc

#: ``jax.Array``; its type is not known where JAX is not installed.
Array = Any

#: Stands in for an infinite end of an interval: finite, and far beyond any reading.
FAR = 1e6


def bernoulli_table(logit: Array, shift: Array, row: Array, seen: Array) -> Array:
    """log P(answer | state) of C answers, shape (C, S); see :func:`.ops.bernoulli_table`."""
    return jax.nn.log_sigmoid(seen[:, None] * (logit[row] + shift[:, None]))


def between(low: Array, high: Array, mean: Array, sd: Array) -> Array:
    """P(low < N(mean, sd) < high), worked out in the tail that is small."""
    low, high = jnp.clip(low, -FAR, FAR), jnp.clip(high, -FAR, FAR)
    # Beyond 38 sd nothing is left in double precision.
    a = jnp.clip((low - mean) / sd, -38.0, 38.0)
    b = jnp.clip((high - mean) / sd, -38.0, 38.0)
    upper = a > 0.0
    # One side of the mean is the mirror image of the other.
    near, far = jnp.where(upper, a, -b), jnp.where(upper, b, -a)
    root = 0.7071067811865476
    return 0.5 * (erfc(near * root) - erfc(far * root))


def interval_table(
    low: Array,
    high: Array,
    mean: Array,
    sd: Array,
    wide_mean: Array,
    wide_sd: Array,
    outlier: Array,
) -> Array:
    """log P(value in its interval | state) of C readings, shape (C, S).

    As :func:`.ops.interval_table`; ``low, high`` (C,), ``mean, sd`` (C, S), and
    ``wide_mean, wide_sd`` (C,), with any further axes (draws) on all but the first two.
    """
    more = (1,) * (mean.ndim - 2)
    low, high = (x.reshape(-1, *more) for x in (low, high))
    noise = outlier * between(low, high, wide_mean, wide_sd)
    p = (1.0 - outlier) * between(low[:, None], high[:, None], mean, sd) + noise[:, None]
    return jnp.log(jnp.maximum(p, 1e-300 if p.dtype == jnp.float64 else 1e-37))


def loads(impulse: Array, pending: Array, decay: Array) -> Array:
    """Load of events on the move into each week.

    ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0.

    Parameters
    ----------
    impulse, pending : array, shape (T, N, E)
    decay : array, shape (E,)

    Returns
    -------
    array, shape (T, N, E)
    """
    before = jnp.concatenate([jnp.zeros_like(pending[:1]), pending[:-1]])

    def one(load: Array, new: Array) -> tuple[Array, Array]:
        load = new + decay * load
        return load, load

    return jax.lax.scan(one, jnp.zeros_like(impulse[0]), impulse + before)[1]
