"""The fused likelihood as PyTensor Ops: what :mod:`.model` samples, unless by parts.

One Op makes the tanks' log-likelihoods and all that their slopes need, another the slopes,
given what each tank counts. Both call a compiled kernel through a symbol: numba would
compile a large callee again inside every caller. No C compiler is needed.
"""

from __future__ import annotations

import sys
from typing import Any

import llvmlite.binding
import numba
import numpy as np
from numba import carray, types
from pytensor.graph.basic import Variable

from maturity_model.fitting.kernels import op_kernels, packing, panel_kernels, panel_slopes
from maturity_model.fitting.kernels.ops import KernelOp, register
from maturity_model.fitting.kernels.simd_lanes import WIDTH
from maturity_model.population import tables


def version() -> int:
    """A number that changes with the source of any kernel of the pooled fit."""
    modules = sys.modules[__name__], packing, panel_kernels, panel_slopes, tables
    return op_kernels.version(*modules)


_VERSION = version()
_F, _I, _N = types.CPointer(types.float64), types.CPointer(types.int64), types.int64
# Arrays go by their pointers and sizes; pointers know no strides.
_REAL, _WHOLE = (_F, _N), (_I, _N)
_FORWARD = types.void(*_REAL * 3, *_WHOLE, *_REAL * 5)
_BACKWARD = types.void(*_REAL, *_WHOLE, *_REAL * 8)


@numba.cfunc(_FORWARD, cache=True)
def _forward_by_pointer(
    theta, n0, reading, n1, judged, n2, whole, n3, real, n4, value, n5, smoothed, n6, chance, n7,
    d, n8,
):  # fmt: skip
    states = carray(whole, (n3,))[packing.S]
    panel_kernels.forward(
        carray(theta, (n0,)), carray(reading, (n1 // states, states)),
        carray(judged, (n2 // states, states)), carray(whole, (n3,)), carray(real, (n4,)),
        carray(value, (n5,)), carray(smoothed, (n6,)), carray(chance, (n7,)), carray(d, (n8,)),
    )  # fmt: skip


@numba.cfunc(_BACKWARD, cache=True)
def _backward_by_pointer(
    theta, n0, whole, n1, real, n2, smoothed, n3, chance, n4, d, n5, by_tank, n6, by_theta, n7,
    reading, n8, judged, n9,
):  # fmt: skip
    states = carray(whole, (n1,))[packing.S]
    panel_slopes.backward(
        carray(theta, (n0,)), carray(whole, (n1,)), carray(real, (n2,)), carray(smoothed, (n3,)),
        carray(chance, (n4,)), carray(d, (n5,)), carray(by_tank, (n6,)), carray(by_theta, (n7,)),
        carray(reading, (n8 // states, states)), carray(judged, (n9 // states, states)),
    )  # fmt: skip


def _symbol(name: str, function: Any, signature: Any) -> Any:
    symbol = f"maturity_model_{name}_{_VERSION:x}"
    llvmlite.binding.add_symbol(symbol, function.address)
    return types.ExternalFunction(symbol, signature)


_call_forward = _symbol("panel_forward", _forward_by_pointer, _FORWARD)
_call_backward = _symbol("panel_backward", _backward_by_pointer, _BACKWARD)


@numba.njit
def _forward(theta, reading, judged, whole, real):
    theta, whole = np.ascontiguousarray(theta), np.ascontiguousarray(whole)
    reading, judged = np.ascontiguousarray(reading), np.ascontiguousarray(judged)
    real = np.ascontiguousarray(real)
    # The kernel trusts the header; arrays of another panel must not get that far.
    if whole.size <= packing.END or whole[packing.END] != real.size:
        raise ValueError("the numbers of the panel are not those of its whole numbers")
    if theta.size != panel_kernels.places(whole)[-1]:
        raise ValueError("the parameters are not those of the panel")
    per = panel_kernels.wide(whole[packing.S])
    value, smoothed = np.empty(whole[packing.N]), np.empty((whole[packing.R] + 1) * per)
    chance = np.empty(whole[packing.C] * per)
    d = np.empty(whole[packing.STEPS] * 3 * whole[packing.K] * WIDTH)
    _call_forward(
        theta.ctypes, theta.size, reading.ctypes, reading.size, judged.ctypes, judged.size,
        whole.ctypes, whole.size, real.ctypes, real.size, value.ctypes, value.size,
        smoothed.ctypes, smoothed.size, chance.ctypes, chance.size, d.ctypes, d.size,
    )  # fmt: skip
    return value, smoothed, chance, d


@numba.njit
def _backward(theta, reading, judged, whole, real, smoothed, chance, d, by_tank):
    theta, whole = np.ascontiguousarray(theta), np.ascontiguousarray(whole)
    real, by_tank = np.ascontiguousarray(real), np.ascontiguousarray(by_tank)
    smoothed, chance = np.ascontiguousarray(smoothed), np.ascontiguousarray(chance)
    d = np.ascontiguousarray(d)
    by_theta = np.empty(theta.shape)
    by_reading, by_judged = np.empty(reading.shape), np.empty(judged.shape)
    _call_backward(
        theta.ctypes, theta.size, whole.ctypes, whole.size, real.ctypes, real.size,
        smoothed.ctypes, smoothed.size, chance.ctypes, chance.size, d.ctypes, d.size,
        by_tank.ctypes, by_tank.size, by_theta.ctypes, by_theta.size,
        by_reading.ctypes, by_reading.size, by_judged.ctypes, by_judged.size,
    )  # fmt: skip
    return by_theta, by_reading, by_judged


_TAKES = (("theta", "float64", 1), ("reading", "float64", 2), ("judged", "float64", 2),
          ("whole", "int64", 1), ("real", "float64", 1))  # fmt: skip


class PanelSlopes(KernelOp):
    """Slopes of a weighted sum of the tanks' log-likelihoods."""

    takes = (*_TAKES, ("smoothed", "float64", 1), ("chance", "float64", 1), ("d", "float64", 1),
             ("by_tank", "float64", 1))  # fmt: skip
    gives = (1, 2, 2)
    compute = staticmethod(_backward)


class PanelLogLikelihood(KernelOp):
    """Log-likelihood of each tank; see :func:`panel_log_likelihood`."""

    takes = _TAKES
    by = (0, 1, 2)
    gives = (1, 1, 1, 1)
    compute = staticmethod(_forward)

    def slopes(self, inputs, outputs, g):  # noqa: D102
        return dict(enumerate(PanelSlopes()(*inputs, *outputs[1:], g)))


register(PanelLogLikelihood, _VERSION)
register(PanelSlopes, _VERSION)


def panel_log_likelihood(theta: Any, reading: Any, judged: Any, whole: Any, real: Any) -> Variable:
    """Log-likelihood of the N tanks of a packed panel.

    Parameters
    ----------
    theta : tensor
        Parameters behind one another, see :func:`.panel_kernels.places`.
    reading, judged : tensor, shape (C, S)
        Log-likelihood of distinct readings and judgements by state.
    whole, real : tensor
        See :mod:`.packing`.

    Returns
    -------
    tensor, shape (N,)
    """
    return PanelLogLikelihood()(theta, reading, judged, whole, real)[0]
