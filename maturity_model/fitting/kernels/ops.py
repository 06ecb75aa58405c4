"""PyTensor Ops of the pooled fit's likelihood.

Each Op is a pair of compiled functions: one computes its value, with whatever else the gradient
needs as further outputs; the other pulls the gradient by the value back to the inputs. Only the
value may be differentiated: use the functions at the end of this module, which return it alone.
No C compiler is needed: everything runs through numba.
"""

from __future__ import annotations

from typing import Any

import llvmlite.binding
import numba
import numpy as np
from numba import carray, types
from pytensor.graph.basic import Variable

from maturity_model.fitting.kernels import emission_kernels, hazard_kernels, tank_kernels
from maturity_model.fitting.kernels.kernel_op import VERSION, KernelOp, register

# Emissions -----------------------------------------------------------------------------------


@register
class RowLogLikelihood(KernelOp):
    """Log-likelihood of the observations of each row; see :func:`row_log_likelihood`."""

    takes = (
        ("table", "float64", 2),
        ("begin", "int64", 1),
        ("code", "int64", 1),
        ("logit", "float64", 2),
        ("shift", "float64", 1),
        ("sign", "int64", 1),
        ("seen", "float64", 1),
        ("sign_begin", "int64", 1),
        ("sign_code", "int64", 1),
        ("weight", "float64", 0),
    )
    by = (0, 3, 4)
    gives = (2, 2)
    compute = staticmethod(emission_kernels.rows_of_observations)
    pull = staticmethod(emission_kernels.slopes_of_observations)


@register
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
    compute = staticmethod(emission_kernels.interval_tables)
    pull = staticmethod(emission_kernels.interval_slopes)


# Moves ---------------------------------------------------------------------------------------


@register
class LogHazards(KernelOp):
    """Log hazards of every tank's moves; see :func:`log_hazards`."""

    takes = (
        ("log_advance", "float64", 1),
        ("log_setback", "float64", 1),
        ("log_collapse", "float64", 1),
        ("by_husbandry", "float64", 2),
        ("pace", "float64", 1),
        ("event_advance", "float64", 1),
        ("event_setback", "float64", 1),
        ("event_collapse", "float64", 1),
        ("decay", "float64", 1),
        ("husbandry", "float64", 3),
        ("impulse", "float64", 3),
        ("pending", "float64", 3),
        ("first", "int64", 1),
        ("tank", "int64", 2),
    )
    by = tuple(range(9))
    gives = (4, 3)
    compute = staticmethod(hazard_kernels.hazards)
    pull = staticmethod(hazard_kernels.hazard_slopes)


# Tanks ---------------------------------------------------------------------------------------

# Numba compiles a callee again inside every caller, and the chain's kernel is large. So it
# is called through a symbol: compiled once, then stored in numba's cache. Pointers know no
# shapes; `sizes` holds them.
_F, _I = types.CPointer(types.float64), types.CPointer(types.int64)
_SIGNATURE = types.void(_I, _F, _F, _F, _I, _I, _I, _F, _F, _F)


@numba.cfunc(_SIGNATURE, cache=True)
def _chain_by_pointer(sizes, initial, log_h, log_lik, first, row, tank, value, smoothed, d):
    blocks, steps, n_rows, tanks, states, n_stages = carray(sizes, (6,))
    moves = steps * 3 * (states // n_stages) * 8
    tank_kernels.tanks_gradient(
        carray(initial, (blocks * states * 8,)), carray(log_h, (moves,)),
        carray(log_lik, (n_rows, states)), carray(first, (blocks + 1,)),
        carray(row, (steps, 8)), carray(tank, (blocks, 8)), n_stages,
        carray(value, (tanks,)), carray(smoothed, (n_rows, states)), carray(d, (moves,)),
    )  # fmt: skip


_SYMBOL = f"maturity_model_chain_gradient_{VERSION:x}"
llvmlite.binding.add_symbol(_SYMBOL, _chain_by_pointer.address)
_call_chain = types.ExternalFunction(_SYMBOL, _SIGNATURE)


@numba.njit
def _chain(initial, log_h, log_lik, first, row, tank, n_stages):
    # Pointers know neither strides nor types.
    initial, log_h = np.ascontiguousarray(initial), np.ascontiguousarray(log_h)
    log_lik, first = np.ascontiguousarray(log_lik), first.astype(np.int64)
    row, tank = row.astype(np.int64), tank.astype(np.int64)
    value, smoothed, d = np.empty(tank.max() + 1), np.empty(log_lik.shape), np.empty(log_h.shape)
    sizes = np.array(
        [len(tank), len(row), len(log_lik), len(value), log_lik.shape[1], n_stages.item()]
    )
    _call_chain(
        sizes.ctypes, initial.ctypes, log_h.ctypes, log_lik.ctypes, first.ctypes, row.ctypes,
        tank.ctypes, value.ctypes, smoothed.ctypes, d.ctypes,
    )  # fmt: skip
    return value, smoothed, d


@register
class TankLogLikelihood(KernelOp):
    """Log-likelihood of each tank; see :func:`tank_log_likelihood`."""

    takes = (
        ("initial", "float64", 3),
        ("log_hazards", "float64", 4),
        ("log_likelihood", "float64", 2),
        ("first", "int64", 1),
        ("row", "int64", 2),
        ("tank", "int64", 2),
        ("n_stages", "int64", 0),
    )
    by = (1, 2)
    gives = (1, 2, 4)
    compute = staticmethod(_chain)
    pull = staticmethod(tank_kernels.weigh_tanks)


# For graphs ----------------------------------------------------------------------------------


def row_log_likelihood(
    table: Any, observed: dict[str, Any], logit: Any, shift: Any, answers: dict[str, Any]
) -> Variable:
    """log P(observations of a row | state), shape (R, S).

    Parameters
    ----------
    table : tensor, shape (C, S)
        Weighted log-likelihood of distinct observations of all kinds but yes or no.
    observed : dict
        ``begin`` (R + 1,) and ``code``: those of row r are ``code[begin[r]:begin[r + 1]]``.
    logit : tensor, shape (G, S)
        Log-odds of yes by state.
    shift : tensor, shape (A,)
        Added to them, for each of A distinct answers.
    answers : dict
        ``sign`` (A,), the row of ``logit`` of each; ``seen`` (A,), 1 for yes, -1 for no; ``begin``
        and ``code`` as above; ``weight``, the power on their likelihood.
    """
    return RowLogLikelihood()(
        table, observed["begin"], observed["code"], logit, shift,
        *(answers[name] for name in ("sign", "seen", "begin", "code", "weight")),
    )[0]  # fmt: skip


def interval_table(
    low: Any, high: Any, mean: Any, sd: Any, wide_mean: Any, wide_sd: Any, outlier: Any
) -> Variable:
    """log P(value in its interval | state) of C distinct readings, shape (C, S).

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
    """
    return IntervalTable()(low, high, mean, sd, wide_mean, wide_sd, outlier)[0]


def log_hazards(p: dict[str, Any], decay: Any, data: dict[str, Any]) -> Variable:
    """Log hazards of the move into each step of the tanks' blocks, shape (Z, 3, K, 8).

    Parameters
    ----------
    p : dict of tensors
        ``log_advance`` (K,), ``log_setback`` and ``log_collapse`` (K - 1,), before anything acts
        on them; ``husbandry`` (J, K) and each tank's ``pace`` (N,), which act on advancing;
        ``event_advance``, ``event_setback`` and ``event_collapse`` (E,), effects of one unit of
        each event's load, whose sum stops at :data:`.tables.LARGEST_EFFECT`.
    decay : tensor, shape (E,)
        Share of a load that remains after a week:
        ``load[t] = impulse[t] + pending[t-1] + decay load[t-1]``, from 0 in each tank.
    data : dict
        ``husbandry`` (Z, J, 8), ``impulse`` and ``pending`` (Z, E, 8), ``first`` and ``tank`` of
        :class:`.design.Lanes`.
    """
    parameters = (
        "log_advance", "log_setback", "log_collapse", "husbandry", "pace",
        "event_advance", "event_setback", "event_collapse",
    )  # fmt: skip
    names = ("husbandry", "impulse", "pending", "first", "tank")
    return LogHazards()(*(p[n] for n in parameters), decay, *(data[n] for n in names))[0]


def tank_log_likelihood(
    log_hazards: Any, log_likelihood: Any, data: dict[str, Any], n_stages: Any
) -> Variable:
    """Log-likelihood of N tanks, shape (N,).

    Parameters
    ----------
    log_hazards : tensor, shape (Z, 3, K, 8)
        From :func:`log_hazards`.
    log_likelihood : tensor, shape (R, S)
        log P(observations of a tank's week | state).
    data : dict
        ``start`` (B, S, 8), P(state in week 0); ``first``, ``row`` and ``tank`` of
        :class:`.design.Lanes`.
    n_stages : int
    """
    names = ("first", "row", "tank")
    return TankLogLikelihood()(
        data["start"], log_hazards, log_likelihood, *(data[name] for name in names), n_stages
    )[0]
