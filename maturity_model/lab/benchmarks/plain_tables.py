"""The pooled model's tables and event loads in plain PyTensor, without our Ops.

What a modeller writes who has PyTensor and no kernels: in the place of the functions of the
same names in :mod:`maturity_model.fitting.kernels.ops`. A test holds the two against each other.
"""

from __future__ import annotations

from typing import Any

import numpy as np

#: Stands in for an infinite end of an interval, whose slope would not be a number.
FAR = 1e6


def bernoulli_table(logit: Any, shift: Any, row: Any, seen: Any) -> Any:
    """log P(answer | state) of C answers, shape (C, S)."""
    import pytensor.tensor as pt

    return -pt.softplus(-seen[:, None] * (logit[row] + shift[:, None]))


def _between(low: Any, high: Any, mean: Any, sd: Any) -> Any:
    # P(low < N(mean, sd) < high), worked out in the tail that is small.
    import pytensor.tensor as pt

    a, b = (pt.clip((pt.clip(x, -FAR, FAR) - mean) / sd, -38.0, 38.0) for x in (low, high))
    upper = a > 0.0
    near, far = pt.switch(upper, a, -b), pt.switch(upper, b, -a)
    return 0.5 * (pt.erfc(near * np.sqrt(0.5)) - pt.erfc(far * np.sqrt(0.5)))


def interval_table(
    low: Any, high: Any, mean: Any, sd: Any, wide_mean: Any, wide_sd: Any, outlier: Any
) -> Any:
    """log P(value in its interval | state) of C readings, shape (C, S)."""
    import pytensor.tensor as pt

    noise = outlier * _between(low, high, wide_mean, wide_sd)
    p = (1.0 - outlier) * _between(low[:, None], high[:, None], mean, sd) + noise[:, None]
    return pt.log(pt.maximum(p, 1e-300))


def sum_codes(table: Any, take: Any, put: Any, size: Any) -> Any:
    """``out[put[o]] += table[take[o]]``, shape (size, S)."""
    import pytensor.tensor as pt

    # JAX wants to know shapes.
    return pt.inc_subtensor(pt.zeros((int(size.eval()), table.type.shape[1]))[put], table[take])


def event_load(impulse: Any, pending: Any, first: Any, decay: Any) -> Any:
    """Load of events on the move into each row's week, shape (R, E), by a scan over weeks."""
    import pytensor
    import pytensor.tensor as pt

    begins = first.get_value()
    n, steps, kinds = len(begins) - 1, int(begins[1]), impulse.get_value().shape[1]

    def by_week(x: Any) -> Any:
        return x.reshape((n, steps, kinds)).dimshuffle(1, 0, 2)

    late = by_week(pending)
    new = by_week(impulse) + pt.concatenate([pt.zeros_like(late[:1]), late[:-1]])
    loads = pytensor.scan(
        lambda now, load, decay: now + decay * load,
        [new], [pt.zeros_like(new[0])], [decay], n_steps=steps, return_updates=False,
    )  # fmt: skip
    return loads.dimshuffle(1, 0, 2).reshape((n * steps, kinds))
