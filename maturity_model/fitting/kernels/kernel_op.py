"""PyTensor Ops of two compiled functions: a value, and the pullback of its gradient."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytensor.tensor as pt
from pytensor.gradient import DisconnectedType, disconnected_type
from pytensor.graph.basic import Apply, Variable
from pytensor.graph.op import Op
from pytensor.link.numba.dispatch.basic import register_funcify_default_op_cache_key

from maturity_model.hmm import arithmetic
from maturity_model.population import tables

#: Files that compiled kernels are made of.
SOURCES = (*sorted(Path(__file__).parent.glob("*.py")), Path(arithmetic.__file__),
           Path(tables.__file__))  # fmt: skip
_INTEGERS = ("int8", "int16", "int32", "int64", "uint8", "uint16", "uint32")


def version() -> int:
    """A number that changes with the source of any kernel.

    A compiled graph is stored on disk under it; without it a changed kernel would
    silently be served in its old form.
    """
    sha256 = hashlib.sha256(b"".join(path.read_bytes() for path in SOURCES))
    return int.from_bytes(sha256.digest()[:6], "little")


VERSION = version()


class KernelOp(Op):
    """An Op of two compiled functions."""

    __props__ = ()
    #: (name, dtype, number of dimensions) of each input. One of int64 may be of any integers
    #: (PyMC makes data int32), and has no gradient.
    takes: tuple[tuple[str, str, int], ...] = ()
    #: Inputs that have a gradient.
    by: tuple[int, ...] = ()
    #: Number of dimensions of each output, of which there are several; the first is the value.
    gives: tuple[int, ...] = ()
    #: Values of all outputs from all inputs; plain numba.
    compute: Callable[..., tuple[Any, ...]]
    #: Gradients by the inputs of ``by`` from all inputs, all outputs but the value, and the
    #: gradient by the value; plain numba. Without it there is no derivative.
    pull: Callable[..., tuple[Any, ...]] | None = None
    #: The Op of :attr:`pull`, made by :func:`register`.
    pullback_op: type[KernelOp]

    def make_node(self, *inputs: Any) -> Apply:
        """Check number, dtype and dimensions of the inputs."""
        if len(inputs) != len(self.takes):
            raise TypeError(f"{type(self).__name__} takes {len(self.takes)} inputs")
        variables = []
        for value, (name, dtype, ndim) in zip(inputs, self.takes, strict=True):
            x = pt.as_tensor(value)
            if x.ndim != ndim or (dtype == "int64") != (x.dtype in _INTEGERS):
                raise TypeError(f"{name} is {x.type}; it must be {dtype} with {ndim} dimensions")
            variables.append(pt.cast(x, dtype) if dtype == "float64" and x.dtype != dtype else x)
        outputs = [pt.tensor(dtype="float64", shape=(None,) * ndim) for ndim in self.gives]
        return Apply(self, variables, outputs)

    def connection_pattern(self, node: Apply) -> list[list[bool]]:
        """Only some inputs have a gradient."""
        return [[i in self.by] * len(node.outputs) for i in range(len(node.inputs))]

    def perform(self, node: Apply, inputs: Sequence[Any], output_storage: list[list[Any]]) -> None:
        """Run the kernel."""
        outputs = type(self).compute(*(np.ascontiguousarray(x) for x in inputs))
        for cell, value in zip(output_storage, outputs, strict=True):
            cell[0] = value

    def pullback(
        self,
        inputs: Sequence[Variable],
        outputs: Sequence[Variable],
        cotangents: Sequence[Variable],
    ) -> list[Variable]:
        """Vector-Jacobian product; derivatives of derivatives are not known."""
        further = any(not isinstance(c.type, DisconnectedType) for c in cotangents[1:])
        if further or self.pull is None:
            raise NotImplementedError(f"{type(self).__name__} has first derivatives only")
        found = self.pullback_op()(*inputs, *outputs[1:], cotangents[0], return_list=True)
        slopes = dict(zip(self.by, found, strict=True))
        return [slopes.get(i, disconnected_type()) for i in range(len(inputs))]

    L_op = pullback


def register(op: type[KernelOp]) -> type[KernelOp]:
    """Register an Op and its pullback with PyTensor's numba linker."""

    @register_funcify_default_op_cache_key(op)
    def dispatch(op: KernelOp, **kwargs: Any) -> tuple[Any, int]:
        return type(op).compute, VERSION

    if op.pull is not None:
        more = (*op.gives[1:], op.gives[0])
        takes = (*op.takes, *((f"output {i}", "float64", n) for i, n in enumerate(more)))
        members = {
            "__module__": op.__module__,
            "takes": takes,
            # It depends on them, so that its own derivative is refused rather than 0.
            "by": tuple(i for i, (_, dtype, _) in enumerate(takes) if dtype == "float64"),
            "gives": tuple(op.takes[i][2] for i in op.by),
            "compute": staticmethod(op.pull),
        }
        op.pullback_op = register(type(f"{op.__name__}Pullback", (KernelOp,), members))
    return op
