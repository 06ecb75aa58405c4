"""Run a graph, and check the pullback of an Op by central differences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from maturity_model._typing import Floats

pytensor = pytest.importorskip("pytensor", reason="the extra 'fit' is not installed")
pt = pytest.importorskip("pytensor.tensor")


def compiled(inputs: list[Any], outputs: Any) -> Callable[..., Any]:
    return pytensor.function(inputs, outputs, mode="NUMBA", on_unused_input="ignore")


def central(f: Callable[[Floats], float], x: Floats, h: float = 1e-5) -> Floats:
    out = np.empty(x.size)
    for i in range(x.size):
        up, down = x.copy().ravel(), x.copy().ravel()
        up[i] += h
        down[i] -= h
        out[i] = (f(up.reshape(x.shape)) - f(down.reshape(x.shape))) / (2 * h)
    return out.reshape(x.shape)


def check(make: Callable[..., Any], wrt: dict[str, Floats], seed: int = 0) -> None:
    """Compare the pullback of a random cotangent with central differences."""
    variables = [
        pt.tensor(name, dtype="float64", shape=(None,) * np.ndim(x)) for name, x in wrt.items()
    ]
    out = make(*variables)
    shape = compiled(variables, out)(*wrt.values()).shape
    weight = np.random.default_rng(seed).normal(size=shape)
    total = (out * weight).sum()
    value = compiled(variables, total)
    gradients = compiled(variables, pytensor.grad(total, variables))(*wrt.values())
    for i, (name, x) in enumerate(wrt.items()):

        def along(moved: Floats, i: int = i) -> float:
            return float(value(*[moved if j == i else y for j, y in enumerate(wrt.values())]))

        expected = central(along, np.asarray(x, float))
        np.testing.assert_allclose(gradients[i], expected, rtol=1e-6, atol=1e-6, err_msg=name)
