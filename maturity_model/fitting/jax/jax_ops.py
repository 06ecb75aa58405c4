"""What the pooled fit's Ops become where PyTensor compiles to JAX.

Importing this module teaches PyTensor's JAX linker the Ops of :mod:`.ops`, so that PyMC's
JAX samplers run on the model as it is. Their first outputs may be differentiated by JAX;
the others are the derivatives, for PyTensor's own gradient.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from pytensor.graph.basic import Apply, Constant, Variable
from pytensor.link.jax.dispatch.basic import jax_funcify

from maturity_model.fitting.jax import jax_chain, jax_tables
from maturity_model.fitting.jax.jax_likelihood import Lanes
from maturity_model.fitting.kernels import ops

#: ``jax.Array``; its type is not known where JAX is not installed.
Array = Any


def _known(variable: Variable, storage_map: Any, what: str) -> np.ndarray:
    # A value that must be there when the graph is compiled, because shapes depend on it.
    if isinstance(variable, Constant):
        return np.asarray(variable.data)
    held = (storage_map or {}).get(variable, [None])[0]
    if held is not None:
        # The model's own data.
        return np.asarray(held)
    if variable.owner is not None:
        # A cast of it, or its shape.
        node = variable.owner
        inputs = [_known(x, storage_map, what) for x in node.inputs]
        cells: list[list[Any]] = [[None] for _ in node.outputs]
        node.op.perform(node, inputs, cells)
        return np.asarray(cells[node.outputs.index(variable)][0])
    raise NotImplementedError(f"JAX must know {what} when it compiles: make it data or a constant")


@jax_funcify.register(ops.BernoulliTable)
def _bernoulli(op: Any, **kwargs: Any) -> Callable[..., Any]:
    def bernoulli(logit: Array, shift: Array, row: Array, seen: Array) -> tuple[Array, Array]:
        x = seen[:, None] * (logit[row] + shift[:, None])
        slope = seen[:, None] * jax.nn.sigmoid(-x)
        return jax_tables.bernoulli_table(logit, shift, row, seen), jax.lax.stop_gradient(slope)

    return bernoulli


def _density(z: Array) -> Array:
    return 0.3989422804014327 * jnp.exp(-0.5 * jnp.clip(z, -38.0, 38.0) ** 2)


def _with_slopes(low: Array, high: Array, mean: Array, sd: Array) -> tuple[Array, Array, Array]:
    # P(low < N(mean, sd) < high), and its derivatives by mean and sd.
    far = jax_tables.FAR
    a = (jnp.clip(low, -far, far) - mean) / sd
    b = (jnp.clip(high, -far, far) - mean) / sd
    a, b = jnp.clip(a, -38.0, 38.0), jnp.clip(b, -38.0, 38.0)
    dense_a, dense_b = _density(a), _density(b)
    p = jax_tables.between(low, high, mean, sd)
    return p, (dense_a - dense_b) / sd, (a * dense_a - b * dense_b) / sd


@jax_funcify.register(ops.IntervalTable)
def _interval(op: Any, **kwargs: Any) -> Callable[..., Any]:
    def interval(
        low: Array, high: Array, mean: Array, sd: Array, wide_mean: Array, wide_sd: Array,
        outlier: Array,
    ) -> tuple[Array, ...]:  # fmt: skip
        table = jax_tables.interval_table(low, high, mean, sd, wide_mean, wide_sd, outlier)
        _, by_mean, by_sd = _with_slopes(low[:, None], high[:, None], mean, sd)
        inverse = jnp.exp(-table)
        share = (1.0 - outlier) * inverse
        wide = jnp.stack(_with_slopes(low, high, wide_mean, wide_sd))
        slopes = jax.lax.stop_gradient((share * by_mean, share * by_sd, inverse, wide))
        return table, *slopes

    return interval


@jax_funcify.register(ops.SumCodes)
def _sum_codes(op: Any, node: Apply, storage_map: Any = None, **kwargs: Any) -> Callable[..., Any]:
    def sum_codes(table: Array, take: Array, put: Array, size: Any) -> Array:
        # A shape is known while JAX traces; what is computed from data is not.
        if isinstance(size, jax.core.Tracer):
            size = _known(node.inputs[3], storage_map, "the number of rows")
        return jnp.zeros((int(size), table.shape[1])).at[put].add(table[take])

    return sum_codes


@jax_funcify.register(ops.EventLoad)
def _event_load(op: Any, node: Apply, storage_map: Any = None, **kwargs: Any) -> Callable[..., Any]:
    lanes = Lanes.of(_known(node.inputs[2], storage_map, "the first row of each tank"))

    def event_load(impulse: Array, pending: Array, first: Array, decay: Array) -> Any:
        def whole(decay: Array) -> Array:
            new, late = (lanes.spread(x, 0.0).swapaxes(1, 2) for x in (impulse, pending))
            return lanes.gather(jax_tables.loads(new, late, decay).swapaxes(1, 2))

        # Each kind of event has a decay of its own: one tangent gives all derivatives.
        load, slope = jax.jvp(whole, (decay,), (jnp.ones_like(decay),))
        return load, jax.lax.stop_gradient(slope)

    return event_load


@jax_funcify.register(ops.TankLogLikelihood)
def _tanks(op: Any, node: Apply, storage_map: Any = None, **kwargs: Any) -> Callable[..., Any]:
    lanes = Lanes.of(_known(node.inputs[3], storage_map, "the first row of each tank"))
    n_stages = int(_known(node.inputs[5], storage_map, "the number of stages"))

    def laid_out(initial: Array, hazards: Array, log_lik: Array) -> tuple[Array, Array, Array]:
        return (
            initial.T,
            lanes.spread(hazards, -jnp.inf)[1:],
            lanes.spread(log_lik, 0.0),
        )

    @jax.custom_vjp
    def with_slopes(initial: Array, hazards: Array, log_lik: Array) -> tuple[Array, Array, Array]:
        found = jax_chain.value_and_gradient(*laid_out(initial, hazards, log_lik), n_stages)
        none = jnp.zeros_like(found.hazards, shape=(1, *found.hazards.shape[1:]))
        by_hazard = lanes.gather(jnp.concatenate([none, found.hazards]))
        return found.log_likelihood, lanes.gather(found.smoothed), by_hazard

    def forward(initial: Array, hazards: Array, log_lik: Array) -> Any:
        out = with_slopes(initial, hazards, log_lik)
        return out, out[1:]

    def pull(slopes: tuple[Array, Array], g: tuple[Array, ...]) -> tuple[Array, Array, Array]:
        smoothed, by_hazard = slopes
        by_row = g[0][lanes.tank]
        return (
            g[0][:, None] * smoothed[lanes.first[:-1]],
            by_row[:, None, None] * by_hazard,
            by_row[:, None] * smoothed,
        )

    with_slopes.defvjp(forward, pull)

    def tanks(initial: Array, hazards: Array, log_lik: Array, *rest: Any) -> Any:
        return with_slopes(initial, hazards, log_lik)

    return tanks
