"""The staged chain as peers would write it: a PyTensor scan that PyTensor differentiates."""

from __future__ import annotations

from typing import Any

import numpy as np


def routes(n_phases: int, n_stages: int) -> np.ndarray:
    """Where a state's four moves (stay, advance, setback, collapse) lead, shape (4 S, S)."""
    states = n_phases * n_stages
    route = np.zeros((4, states, states))
    for j in range(states):
        route[0, j, j] = 1
        route[1, j, min(j + 1, states - 1)] = 1
        route[2, j, max(j // n_stages - 1, 0) * n_stages] = 1
        route[3, j, 0] = 1
    return route.reshape(-1, states)


def scan_log_likelihood(
    log_initial: Any, log_hazards: Any, log_lik: Any, shape: tuple[int, int, int, int]
) -> Any:
    """Log-likelihood of N series of equal length by PyTensor's scan, in scaled probabilities.

    In logarithms, with structural zeros, its gradient would be NaN.

    Parameters
    ----------
    log_initial : tensor, shape (N, S)
    log_hazards : tensor, shape (N, T, 3, K)
        Of the move into a step; that into the first is not used.
    log_lik : tensor, shape (N, T, S)
    shape : tuple of int
        N, T, K and stages of a phase; known, because JAX wants to know them.

    Returns
    -------
    tensor, shape (N,)
    """
    import pytensor
    import pytensor.tensor as pt

    n, steps, phases, n_stages = shape
    states = phases * n_stages
    route = routes(phases, n_stages)
    able = np.ones((3, states))
    able[0, -1] = 0.0
    spread = np.repeat(np.eye(phases), n_stages, axis=1)
    hazard = pt.exp(log_hazards)[:, 1:].dimshuffle(1, 0, 2, 3)
    h = pt.dot(hazard.reshape((-1, phases)), spread).reshape((steps - 1, n, 3, states)) * able
    total = h.sum(axis=2)
    share = -pt.expm1(-total) / total
    weights = pt.concatenate(
        [pt.exp(-total)[:, :, None], h * share[:, :, None]], axis=2
    ).reshape((steps - 1, n, 4 * states))
    log_lik = log_lik.dimshuffle(1, 0, 2)
    top = log_lik.max(axis=2, keepdims=True)
    emission = pt.specify_shape(pt.exp(log_lik - top), (steps, n, states))

    def scaled(joint: Any) -> Any:
        scale = joint.sum(axis=1, keepdims=True)
        return joint / scale, pt.log(scale)[:, 0]

    def step(weights: Any, emission: Any, alpha: Any) -> Any:
        moved = pt.dot(pt.concatenate([alpha] * 4, axis=1) * weights, route)
        return scaled(moved * emission)

    alpha, value = scaled(pt.exp(log_initial) * emission[0])
    alpha = pt.specify_shape(alpha, (n, states))
    (_, values), _ = pytensor.scan(
        step, [weights, emission[1:]], [alpha, None], n_steps=steps - 1
    )
    return value + values.sum(axis=0) + top.sum(axis=(0, 2))
