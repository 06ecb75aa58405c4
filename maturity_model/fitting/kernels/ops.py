"""PyTensor Ops of the pooled fit: tables, event loads and the tanks' log-likelihood.

Each Op computes its value together with its derivatives, as further outputs, in one
compiled pass; the pullback only multiplies them with the incoming gradient. Only the
first output may be differentiated: use the functions at the end, which return it alone.
No C compiler is needed: everything runs through numba.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

import llvmlite.binding
import numba
import numpy as np
import pytensor.tensor as pt
from numba import carray, types
from pytensor.gradient import DisconnectedType, disconnected_type
from pytensor.graph.basic import Apply, Variable
from pytensor.graph.op import Op
from pytensor.link.numba.dispatch.basic import register_funcify_default_op_cache_key

from maturity_model.fitting.kernels import op_kernels as kernels

_VERSION = kernels.version(sys.modules[__name__])


class KernelOp(Op):
    """An Op of a compiled kernel: its first output is a value, its others serve the slopes."""

    __props__ = ()
    #: (name, dtype, number of dimensions) of each input; int64 inputs have no gradient.
    takes: tuple[tuple[str, str, int], ...] = ()
    #: Inputs that have a gradient.
    by: tuple[int, ...] = ()
    #: Number of dimensions of each output.
    gives: tuple[int, ...] = ()

    def make_node(self, *inputs: Any) -> Apply:
        """Check number, dtype and dimensions of the inputs."""
        if len(inputs) != len(self.takes):
            raise TypeError(f"{type(self).__name__} takes {len(self.takes)} inputs")
        variables = []
        for value, (name, dtype, ndim) in zip(inputs, self.takes, strict=True):
            x = pt.as_tensor(value)
            if x.ndim != ndim or (dtype == "int64") != (x.dtype in _WHOLE):
                raise TypeError(f"{name} is {x.type}; it must be {dtype} with {ndim} dimensions")
            variables.append(x if x.dtype == dtype else pt.cast(x, dtype))
        outputs = [pt.tensor(dtype="float64", shape=(None,) * ndim) for ndim in self.gives]
        return Apply(self, variables, outputs)

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """Only some inputs have a gradient."""
        return [[i in self.by] * len(node.outputs) for i in range(len(node.inputs))]

    #: Values of all outputs from all inputs; plain numba.
    compute: Callable[..., tuple[Any, ...]]

    def perform(self, node: Apply, inputs: Sequence[Any], output_storage: list[list[Any]]) -> None:
        """Run the kernel."""
        outputs = type(self).compute(*(np.ascontiguousarray(x) for x in inputs))
        for cell, value in zip(output_storage, outputs, strict=True):
            cell[0] = value

    def slopes(
        self, inputs: Sequence[Variable], outputs: Sequence[Variable], g: Variable
    ) -> dict[int, Variable]:
        """Gradient by each input of :attr:`by`, given that by the first output."""
        raise NotImplementedError

    def pullback(
        self,
        inputs: Sequence[Variable],
        outputs: Sequence[Variable],
        cotangents: Sequence[Variable],
    ) -> list[Variable]:
        """Vector-Jacobian product; derivatives of derivatives are not known."""
        if any(not isinstance(c.type, DisconnectedType) for c in cotangents[1:]):
            raise NotImplementedError(f"{type(self).__name__} has first derivatives only")
        found = self.slopes(inputs, outputs, cotangents[0])
        return [found.get(i, disconnected_type()) for i in range(len(inputs))]

    L_op = pullback


_WHOLE = ("int8", "int16", "int32", "int64", "uint8", "uint16", "uint32")


@numba.njit
def _bernoulli(logit, shift, row, seen):
    shape = (len(row), logit.shape[1])
    table, slope = np.empty(shape), np.empty(shape)
    kernels.bernoulli_tables(logit, shift, row, seen, table, slope)
    return table, slope


class BernoulliTable(KernelOp):
    """Log-likelihood of yes/no answers by state; see :func:`bernoulli_table`."""

    takes = (
        ("logit", "float64", 2),
        ("shift", "float64", 1),
        ("row", "int64", 1),
        ("seen", "float64", 1),
    )
    by = (0, 1)
    gives = (2, 2)
    compute = staticmethod(_bernoulli)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        logit, _, row, _ = inputs
        by_cell = g * outputs[1]
        # Not pt.arange: JAX counts it in 8 bits.
        every = pt.cumsum(pt.ones_like(row)) - 1
        by_logit = sum_codes(by_cell, every, row, logit.shape[0])
        return {0: by_logit, 1: by_cell.sum(axis=1)}


@numba.njit
def _interval(low, high, mean, sd, wide_mean, wide_sd, outlier):
    table, by_mean = np.empty(mean.shape), np.empty(mean.shape)
    by_sd, inverse = np.empty(mean.shape), np.empty(mean.shape)
    wide = np.empty((3, len(low)))
    kernels.interval_tables(
        low, high, mean, sd, wide_mean, wide_sd, outlier.item(),
        table, by_mean, by_sd, inverse, wide,
    )  # fmt: skip
    return table, by_mean, by_sd, inverse, wide


class IntervalTable(KernelOp):
    """Log-likelihood of values known to lie in intervals; see :func:`interval_table`."""

    takes = (
        ("low", "float64", 1),
        ("high", "float64", 1),
        ("mean", "float64", 2),
        ("sd", "float64", 2),
        ("wide_mean", "float64", 1),
        ("wide_sd", "float64", 1),
        ("outlier", "float64", 0),
    )
    by = (2, 3, 4, 5, 6)
    gives = (2, 2, 2, 2, 2)
    compute = staticmethod(_interval)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        outlier = inputs[6]
        _, by_mean, by_sd, inverse, wide = outputs
        noise = (g * inverse).sum(axis=1)
        return {
            2: g * by_mean,
            3: g * by_sd,
            4: outlier * noise * wide[1],
            5: outlier * noise * wide[2],
            6: ((noise * wide[0]).sum() - g.sum()) / (1 - outlier),
        }


@numba.njit
def _sum(table, take, put, size):
    out = np.zeros((size.item(), table.shape[1]))
    kernels.sum_codes(table, take, put, out)
    return (out,)


class SumCodes(KernelOp):
    """Sums of table rows; see :func:`sum_codes`. Its transpose is itself, the other way."""

    takes = (
        ("table", "float64", 2),
        ("take", "int64", 1),
        ("put", "int64", 1),
        ("size", "int64", 0),
    )
    by = (0,)
    gives = (2,)
    compute = staticmethod(_sum)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        table, take, put, _ = inputs
        return {0: sum_codes(g, put, take, table.shape[0])}


@numba.njit
def _load(impulse, pending, first, decay):
    load, by_decay = np.empty(impulse.shape), np.empty(impulse.shape)
    kernels.loads(impulse, pending, first, decay, load, by_decay)
    return load, by_decay


class EventLoad(KernelOp):
    """Load of past events on each week; see :func:`event_load`."""

    takes = (
        ("impulse", "float64", 2),
        ("pending", "float64", 2),
        ("first", "int64", 1),
        ("decay", "float64", 1),
    )
    by = (3,)
    gives = (2, 2)
    compute = staticmethod(_load)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        return {3: (g * outputs[1]).sum(axis=0)}


# Numba compiles a callee again inside every caller, and the chain's kernel is large. So it
# is called through a symbol: compiled once, then kept by numba's own cache.
_F, _I = types.CPointer(types.float64), types.CPointer(types.int64)
_SIGNATURE = types.void(_F, _F, _F, _I, _I, *[types.int64] * 5, _F, _F, _F)


@numba.cfunc(_SIGNATURE, cache=True)
def _chain_by_pointer(initial, h, lik, first, order, n, s, k, rows, n_stages, value, smoothed, d):
    kernels.chain_gradient(
        carray(initial, (n, s)), carray(h, (rows, 3, k)), carray(lik, (rows, s)),
        carray(first, (n + 1,)), carray(order, (n,)), n_stages,
        carray(value, (n,)), carray(smoothed, (rows, s)), carray(d, (rows, 3, k)),
    )  # fmt: skip


_SYMBOL = f"maturity_model_chain_gradient_{_VERSION:x}"
llvmlite.binding.add_symbol(_SYMBOL, _chain_by_pointer.address)
_call_chain = types.ExternalFunction(_SYMBOL, _SIGNATURE)


@numba.njit
def _chain(log_initial, log_hazards, log_lik, first, order, n_stages):
    n, s = log_initial.shape
    rows, _, k = log_hazards.shape
    value = np.empty(n)
    smoothed, by_hazard = np.empty((rows, s)), np.empty((rows, 3, k))
    # Pointers know no strides.
    initial, h = np.ascontiguousarray(log_initial), np.ascontiguousarray(log_hazards)
    lik = np.ascontiguousarray(log_lik)
    a, b = np.ascontiguousarray(first), np.ascontiguousarray(order)
    _call_chain(
        initial.ctypes, h.ctypes, lik.ctypes, a.ctypes, b.ctypes, n, s, k, rows, n_stages.item(),
        value.ctypes, smoothed.ctypes, by_hazard.ctypes,
    )  # fmt: skip
    return value, smoothed, by_hazard


class TankLogLikelihood(KernelOp):
    """Log-likelihood of each tank; see :func:`tank_log_likelihood`."""

    takes = (
        ("log_initial", "float64", 2),
        ("log_hazards", "float64", 3),
        ("log_likelihood", "float64", 2),
        ("first", "int64", 1),
        ("order", "int64", 1),
        ("n_stages", "int64", 0),
    )
    by = (0, 1, 2)
    gives = (1, 2, 3)
    compute = staticmethod(_chain)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        first, rows = inputs[3], inputs[2].shape[0]
        # Not pt.repeat: JAX could not know how long its result is.
        begins = pt.zeros(rows, dtype="int64")[first[1:-1]]
        by_row = g[pt.cumsum(pt.inc_subtensor(begins, pt.ones_like(first[1:-1])))]
        return {
            0: g[:, None] * outputs[1][first[:-1]],
            1: by_row[:, None, None] * outputs[2],
            2: by_row[:, None] * outputs[1],
        }


def register(op: type[KernelOp], version: int) -> None:
    """Tell PyTensor's numba linker of an Op, and when its compiled form is out of date."""

    @register_funcify_default_op_cache_key(op)
    def dispatch(op: KernelOp, **kwargs: Any) -> tuple[Any, int]:
        compute = type(op).compute
        if len(op.gives) > 1:
            return compute, version

        @numba.njit
        def only(*inputs):
            return compute(*inputs)[0]

        return only, version


for _op in (BernoulliTable, IntervalTable, SumCodes, EventLoad, TankLogLikelihood):
    register(_op, _VERSION)


def bernoulli_table(logit: Any, shift: Any, row: Any, seen: Any) -> Variable:
    """log P(answer | state) of C distinct yes/no answers.

    Parameters
    ----------
    logit : tensor, shape (G, S)
        Log-odds by state.
    shift : tensor, shape (C,)
        Added to them.
    row : int tensor, shape (C,)
        Row of ``logit``.
    seen : tensor, shape (C,)
        1 for yes, -1 for no.

    Returns
    -------
    tensor, shape (C, S)
    """
    return BernoulliTable()(logit, shift, row, seen)[0]


def interval_table(
    low: Any, high: Any, mean: Any, sd: Any, wide_mean: Any, wide_sd: Any, outlier: Any
) -> Variable:
    """log P(value in its interval | state) of C distinct readings.

    Parameters
    ----------
    low, high : tensor, shape (C,)
        Ends; infinite allowed.
    mean, sd : tensor, shape (C, S)
        Of the normal by state.
    wide_mean, wide_sd : tensor, shape (C,)
        Of the normal of readings that say nothing.
    outlier : tensor, scalar
        Chance of such a reading.

    Returns
    -------
    tensor, shape (C, S)
    """
    return IntervalTable()(low, high, mean, sd, wide_mean, wide_sd, outlier)[0]


def sum_codes(table: Any, take: Any, put: Any, size: Any) -> Variable:
    """Sum rows of a table: ``out[put[o]] += table[take[o]]``.

    Parameters
    ----------
    table : tensor, shape (C, S)
    take, put : int tensor, shape (O,)
    size : int
        Rows of the result.

    Returns
    -------
    tensor, shape (size, S)
    """
    return SumCodes()(table, take, put, size)


def event_load(impulse: Any, pending: Any, first: Any, decay: Any) -> Variable:
    """Load of each kind of event on the move into each row's week.

    ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0 in each tank.

    Parameters
    ----------
    impulse, pending : tensor, shape (R, E)
    first : int tensor, shape (N + 1,)
        First row of each tank.
    decay : tensor, shape (E,)
        What is left of a load after a week.

    Returns
    -------
    tensor, shape (R, E)
    """
    return EventLoad()(impulse, pending, first, decay)[0]


def tank_log_likelihood(
    log_initial: Any, log_hazards: Any, log_likelihood: Any, first: Any, order: Any, n_stages: Any
) -> Variable:
    """Log-likelihood of N tanks whose R rows lie behind one another.

    Parameters
    ----------
    log_initial : tensor, shape (N, S)
        log P(state in week 0).
    log_hazards : tensor, shape (R, 3, K)
        Log hazards of advance, setback and collapse on the move into a row's week.
    log_likelihood : tensor, shape (R, S)
        log P(observations of a row | state).
    first : int tensor, shape (N + 1,)
    order : int tensor, shape (N,)
        Tanks by length.
    n_stages : int

    Returns
    -------
    tensor, shape (N,)
    """
    return TankLogLikelihood()(log_initial, log_hazards, log_likelihood, first, order, n_stages)[0]
