"""The staged chain in JAX: scan over steps, series or members of a mixture in lanes.

The same recursions as in :mod:`.chain_gradient`, for machines
where JAX finds a GPU. Moves are applied as what they are (stay, advance, setback, collapse).
Importing this module switches JAX to double precision; lanes in single precision stay so.
Nothing of the weekly command imports it.

Arrays have their lanes last, as everywhere in the engine; any number of lane axes is
allowed, and they broadcast: moves may be shared by lanes that differ in emissions only.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

jax.config.update("jax_enable_x64", True)

#: ``jax.Array``; its type is not known where JAX is not installed.
Array = Any


class Rates(NamedTuple):
    """Hazards of one step, and what follows from them.

    Attributes
    ----------
    hazard : array, shape (3, K, ...)
        Of advance, setback and collapse; the last two are 0 in phase 0.
    stay, share, slope : array, shape (K + 1, ...)
        Of each phase, then of the last state, which does not advance: ``exp(-h)``;
        ``(1 - exp(-h)) / h``, which turns a hazard into a probability; its derivative.
    """

    hazard: Array
    stay: Array
    share: Array
    slope: Array


def rates(log_hazards: Array) -> Rates:
    """Rates from log hazards, shape (3, K, ...); bounded as in :func:`.arithmetic.bounded_hazard`.

    One array of shape (K, ...) for each move may be given instead, to be broadcast.
    """
    advance, setback, collapse = (
        jnp.where(x > -500.0, jnp.exp(jnp.minimum(x, 100.0)), 0.0) for x in log_hazards
    )
    return rates_of(advance, setback, collapse)


def rates_of(advance: Array, setback: Array, collapse: Array) -> Rates:
    """Rates from hazards, each of shape (K, ...) and broadcast against each other."""
    advance, setback, collapse = jnp.broadcast_arrays(advance, setback, collapse)
    setback, collapse = (jnp.concatenate([0.0 * x[:1], x[1:]]) for x in (setback, collapse))
    down = setback + collapse
    total = jnp.concatenate([advance + down, down[-1:]])
    stay = jnp.exp(-total)
    small = total <= 1e-3
    safe = jnp.where(small, 1.0, total)
    # Their series; the errors are below 1e-14.
    near = 1.0 - total * (0.5 - total * (1 / 6 - total * (1 / 24 - total * (1 / 120))))
    flat = total * (1 / 3 - total * (0.125 - total * (1 / 30))) - 0.5
    share = jnp.where(small, near, -jnp.expm1(-total) / safe)
    slope = jnp.where(small, flat, (stay - share) / safe)
    return Rates(jnp.stack([advance, setback, collapse]), stay, share, slope)


def _by_state(phases: Array, n_stages: int) -> Array:
    # (K + 1, ...) by phase and of the last state -> (S, ...).
    return jnp.concatenate([jnp.repeat(phases[:-1], n_stages, axis=0)[:-1], phases[-1:]])


def _split(states: Array, n_stages: int) -> Array:
    return states.reshape(-1, n_stages, *states.shape[1:])


def step(prev: Array, moves: Rates, n_stages: int) -> Array:
    """``prev @ (transition matrix)``, shape (S, ...)."""
    hazard, stay, share, _ = moves
    ahead = jnp.repeat(hazard[0] * share[:-1], n_stages, axis=0)[:-1] * prev[:-1]
    out = _by_state(stay, n_stages) * prev + jnp.concatenate([jnp.zeros_like(ahead[:1]), ahead])
    mass = _split(_by_state(share, n_stages) * prev, n_stages).sum(axis=1)
    back = hazard[1, 1:] * mass[1:]
    fall = (hazard[2, 1:] * mass[1:]).sum(axis=0)
    entry = jnp.concatenate([back[:1] + fall, back[1:], jnp.zeros_like(back[:1])])
    first = np.arange(n_stages) == 0
    return out + jnp.where(
        first.reshape(1, n_stages, *[1] * (prev.ndim - 1)), entry[:, None], 0.0
    ).reshape(out.shape)


def downward_risk(
    states: Array, ahead: Callable[[Array], Rates], horizons: tuple[int, ...], n_stages: int
) -> Array:
    """P(some phase in the next h steps is lower than the present one), as of :mod:`.risk_kernels`.

    Parameters
    ----------
    states : array, shape (S, ..., D)
        P(state now).
    ahead : callable
        Rates of the move h + 1 steps ahead, for h from 0; their lanes are those of
        ``states`` with an axis of length 1 before the last.
    horizons : tuple of int
    n_stages : int

    Returns
    -------
    array, shape (len(horizons), ..., D)
    """
    phase = np.arange(states.shape[0]) // n_stages
    start = np.arange(1, phase[-1] + 1)
    # Present phases lie in an axis of their own, before the last.
    shape = (-1, *[1] * (states.ndim - 2), len(start), 1)
    below = jnp.asarray((phase[:, None] < start).reshape(shape))
    inside = jnp.asarray((phase[:, None] == start).reshape(shape))
    present = jnp.where(inside, states[..., None, :], 0.0)

    def one(carry: Any, h: Array) -> Any:
        present, gone = carry
        new = step(present, ahead(h), n_stages)
        gone = gone + jnp.where(below, new, 0.0).sum(axis=(0, -2))
        return (jnp.where(below, 0.0, new), gone), gone

    nothing = jnp.zeros_like(states[0])
    steps = jnp.arange(max(horizons))
    _, gone = jax.lax.scan(one, (present, nothing), steps)
    return gone[np.array(horizons) - 1]


def step_back(g: Array, moves: Rates, n_stages: int) -> Array:
    """``(transition matrix) @ g``, shape (S, ...)."""
    hazard, stay, share, _ = moves
    ahead = jnp.repeat(hazard[0] * share[:-1], n_stages, axis=0)[:-1] * g[1:]
    down = jnp.repeat(_down(g, hazard, n_stages), n_stages, axis=0)
    out = _by_state(stay, n_stages) * g + _by_state(share, n_stages) * down
    return out + jnp.concatenate([ahead, jnp.zeros_like(ahead[:1])])


def _down(g: Array, hazard: Array, n_stages: int) -> Array:
    # Hazard-weighted g of where setback and collapse lead, shape (K, ...).
    below = jnp.concatenate([g[:1], g[::n_stages][:-1]])
    return hazard[1] * below + hazard[2] * g[0]


def _score(alpha: Array, g: Array, moves: Rates, n_stages: int) -> Array:
    # Gradient of one step by its log hazards, shape (3, K, ...): Fisher's identity.
    (advance, setback, collapse), stay, share, slope = moves
    end, rest = alpha[-1], alpha.at[-1].set(0.0)
    stays = stay[:-1] * _split(rest * g, n_stages).sum(axis=1)
    up = jnp.concatenate([g[1:], jnp.zeros_like(g[:1])])
    ups = _split(rest * up, n_stages).sum(axis=1)
    mass = _split(rest, n_stages).sum(axis=1)
    down = _down(g, moves.hazard, n_stages)
    common = slope[:-1] * (advance * ups + mass * down) - stays
    by_advance = advance * (share[:-1] * ups + common)
    common = common.at[-1].add(end * (slope[-1] * down[-1] - stay[-1] * g[-1]))
    mass = (mass * share[:-1]).at[-1].add(end * share[-1])
    below = jnp.concatenate([g[:1], g[::n_stages][:-1]])
    by_setback = setback * (mass * below + common)
    by_collapse = collapse * (mass * g[0] + common)
    return jnp.stack([by_advance, by_setback, by_collapse])


def relative(log_lik: Array) -> tuple[Array, Array]:
    """Likelihoods (S, ...) relative to the largest, and the logarithm of that."""
    top = log_lik.max(axis=0)
    top = jnp.where(top > -jnp.inf, top, 0.0)
    x = log_lik - top
    return jnp.where(x > -700.0, jnp.exp(x), 0.0), top


def _normalise(joint: Array) -> tuple[Array, Array]:
    # Scaled to sum to 1, and 1 / sum; both 0 where a step is impossible.
    total = joint.sum(axis=0)
    possible = total > _tiny(joint.dtype)
    inverse = jnp.where(possible, 1.0 / jnp.where(possible, total, 1.0), 0.0)
    return joint * inverse, inverse


def _tiny(dtype: Any) -> float:
    # A step less likely than this counts as impossible.
    return 1e-300 if dtype == jnp.float64 else 1e-37


def _huge(dtype: Any) -> float:
    # Ratios of likelihoods stop here, so that 0 * inf cannot arise.
    return 1e250 if dtype == jnp.float64 else 1e30


class ValueAndGradient(NamedTuple):
    """Log-likelihood and its gradient.

    Attributes
    ----------
    log_likelihood : array, shape (N,)
        -inf where the data are impossible, and then the gradient is 0.
    smoothed : array, shape (T, S, N)
        P(state at t | all observations): the gradient by the log-likelihoods; its first
        row is that by the log of the initial distribution.
    hazards : array, shape (T-1, 3, K, N)
        Gradient by the log hazards.
    """

    log_likelihood: Array
    smoothed: Array
    hazards: Array


def _forward(log_initial: Array, log_hazards: Array, log_lik: Array, n_stages: int) -> Any:
    def scaled(predicted: Array, log_lik: Array) -> Any:
        emission, top = relative(log_lik)
        alpha, inverse = _normalise(predicted * emission)
        value = jnp.where(inverse > 0, top - jnp.log(jnp.where(inverse > 0, inverse, 1)), -jnp.inf)
        return alpha, inverse, value

    def one(carry: Any, at: Any) -> Any:
        alpha, value = carry
        log_h, log_lik = at
        alpha, inverse, more = scaled(step(alpha, rates(log_h), n_stages), log_lik)
        return (alpha, value + more), (alpha, inverse)

    first, _, value = scaled(jnp.exp(log_initial), log_lik[0])
    (_, value), (alphas, inverses) = jax.lax.scan(one, (first, value), (log_hazards, log_lik[1:]))
    return value, first, alphas, inverses


@partial(jax.jit, static_argnames="n_stages")
def value_and_gradient(
    log_initial: Array, log_hazards: Array, log_lik: Array, n_stages: int
) -> ValueAndGradient:
    """Log-likelihood of N series of T steps and its exact gradient.

    Parameters
    ----------
    log_initial : array, shape (S, N)
        log P(state at step 0).
    log_hazards : array, shape (T-1, 3, K, N)
        Log hazards of advance, setback and collapse on the move from t to t+1.
    log_lik : array, shape (T, S, N)
        log P(observations at t | state). Shorter series are padded with zeros here and
        -inf in the log hazards.
    n_stages : int

    Returns
    -------
    ValueAndGradient
    """
    value, first, alphas, inverses = _forward(log_initial, log_hazards, log_lik, n_stages)
    before = jnp.concatenate([first[None], alphas[:-1]])
    possible = value > -jnp.inf

    def one(beta: Array, at: Any) -> Any:
        alpha, inverse, log_h, log_lik = at
        emission, _ = relative(log_lik)
        g = jnp.minimum(emission * inverse * beta, _huge(beta.dtype))
        moves = rates(log_h)
        d = _score(alpha, g, moves, n_stages)
        beta = step_back(g, moves, n_stages)
        return beta, (jnp.where(possible, alpha * beta, 0.0), jnp.where(possible, d, 0.0))

    last = alphas[-1] if len(alphas) else first
    given = (before[: len(inverses)], inverses, log_hazards, log_lik[1:])
    _, (smoothed, d) = jax.lax.scan(one, jnp.ones_like(last), given, reverse=True)
    last = jnp.where(possible, last, 0.0)
    return ValueAndGradient(value, jnp.concatenate([smoothed, last[None]]), d)


@partial(jax.custom_vjp, nondiff_argnums=(3,))
def log_likelihood(log_initial: Array, log_hazards: Array, log_lik: Array, n_stages: int) -> Array:
    """Log-likelihood of N series, shape (N,); arguments as of :func:`value_and_gradient`.

    JAX differentiates it by the smoothed expectation, not through the steps.
    """
    return _forward(log_initial, log_hazards, log_lik, n_stages)[0]


def _with_slopes(
    log_initial: Array, log_hazards: Array, log_lik: Array, n_stages: int
) -> tuple[Array, tuple[Array, Array]]:
    found = value_and_gradient(log_initial, log_hazards, log_lik, n_stages)
    return found.log_likelihood, (found.smoothed, found.hazards)


def _pull(n_stages: int, slopes: tuple[Array, Array], g: Array) -> tuple[Array, Array, Array]:
    smoothed, hazards = slopes
    return g * smoothed[0], g * hazards, g * smoothed


log_likelihood.defvjp(_with_slopes, _pull)
