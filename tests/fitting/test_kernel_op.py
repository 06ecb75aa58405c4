"""What all Ops share: refusals, both ways of running, the version, and no compiler."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command_logs import python
from fitting.op_checks import compiled, pt, pytensor
from fitting.test_chain_ops import chain_inputs
from fitting.test_model import PRIORS, small_panel

from maturity_model.fitting.kernels import kernel_op
from maturity_model.fitting.kernels import ops as op
from maturity_model.fitting.model import build_model

pytestmark = pytest.mark.fit


def test_second_derivatives_are_refused(rng: np.random.Generator) -> None:
    chain = chain_inputs(rng, [4])
    x = pt.matrix("x")
    each = chain.make(chain.hazards, x)
    first = pytensor.grad(each.sum(), x)
    with pytest.raises(NotImplementedError, match="first derivatives only"):
        pytensor.grad(first.sum(), x)
    with pytest.raises(NotImplementedError, match="first derivatives only"):
        pytensor.grad(each.owner.outputs[1].sum(), x)


def test_wrong_inputs_are_named() -> None:
    low = np.zeros(2)
    with pytest.raises(TypeError, match="mean"):
        op.interval_table(low, low, low, np.ones((2, 3)), low, low, 0.1)
    none = np.zeros(0, dtype=np.int64)
    answers = {"sign": np.zeros(0), "seen": np.zeros(0), "begin": none, "code": none, "weight": 1.0}
    with pytest.raises(TypeError, match="sign"):
        op.row_log_likelihood(
            np.zeros((0, 3)), {"begin": none, "code": none}, np.ones((2, 3)), np.zeros(0), answers
        )


def test_perform_and_numba_agree(rng: np.random.Generator) -> None:
    chain = chain_inputs(rng, [5, 3])
    node = chain.make(chain.hazards, chain.rows).owner
    cells: list[list[Any]] = [[None] for _ in node.outputs]
    node.op.perform(node, [x.eval() for x in node.inputs], cells)
    fast = compiled([], node.outputs)()
    for cell, expected in zip(cells, fast, strict=True):
        np.testing.assert_allclose(cell[0], expected, rtol=1e-13, atol=1e-13)


def test_the_version_follows_every_kernel(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    names = {path.name for path in kernel_op.SOURCES}
    assert {"chain_gradient.py", "simd_lanes.py", "arithmetic.py", "ops.py"} <= names
    copies = tuple(tmp_path / f"{i}.py" for i in range(len(kernel_op.SOURCES)))
    for copy, source in zip(copies, kernel_op.SOURCES, strict=True):
        copy.write_bytes(source.read_bytes())
    monkeypatch.setattr(kernel_op, "SOURCES", copies)
    assert kernel_op.version() == kernel_op.VERSION
    for copy in copies:
        before = kernel_op.version()
        copy.write_bytes(copy.read_bytes() + b"# changed")
        assert kernel_op.version() != before


def test_no_compiler_is_needed() -> None:
    code = (
        "import numpy as np, pytensor, pytensor.tensor as pt\n"
        "from maturity_model.fitting.kernels import ops\n"
        "assert pytensor.config.cxx == ''\n"
        "x = pt.scalar('x')\n"
        "low, one = np.zeros(1), np.ones((1, 2))\n"
        "y = ops.interval_table(low, low + 1, one, one, low, low + 9, x).sum()\n"
        "print(pytensor.function([x], pytensor.grad(y, x), mode='NUMBA')(0.1))\n"
    )
    done = python("-c", code, PYTENSOR_FLAGS="cxx=")
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) < 0


def test_half_precision_is_refused() -> None:
    with (
        pytensor.config.change_flags(floatX="float32"),
        pytest.raises(ValueError, match="needs float64"),
    ):
        build_model(small_panel(), PRIORS)
