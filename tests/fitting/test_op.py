"""Ops of the pooled fit: values, and gradients three ways.

Central differences within 1e-6, and automatic differentiation by JAX of a dense
implementation written from the model's definition (every state against every state, no
bands, no lanes, no tables) within 1e-8.
"""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from maturity_model._typing import Floats, Ints

pytensor = pytest.importorskip("pytensor", reason="the extra 'fit' is not installed")
pt = pytest.importorskip("pytensor.tensor")
op = pytest.importorskip("maturity_model.fitting.kernels.ops")
op_kernels = pytest.importorskip("maturity_model.fitting.kernels.op_kernels")

pytestmark = pytest.mark.fit


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


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20251125)


def test_scaled_tail_against_scipy() -> None:
    special = pytest.importorskip("scipy.special")
    x = np.concatenate([np.linspace(0, 30, 3001), np.geomspace(30, 1e4, 50)])
    found = np.array([op_kernels._scaled_tail(v) for v in x])
    np.testing.assert_allclose(found, special.erfcx(x), rtol=1e-14)


def test_interval_table_against_scipy(rng: np.random.Generator) -> None:
    stats = pytest.importorskip("scipy.stats")
    c, s = 53, 12
    low = rng.normal(size=c)
    high = low + rng.random(c) * 2
    low[::5], high[::7] = -np.inf, np.inf
    mean, sd = rng.normal(0, 3, (c, s)), rng.uniform(0.2, 2, (c, s))
    wide_mean, wide_sd, outlier = rng.normal(size=c), rng.uniform(1, 3, c), 0.03
    found = op.interval_table(low, high, mean, sd, wide_mean, wide_sd, outlier).eval(mode="NUMBA")

    def between(m: Floats, s: Floats) -> Floats:
        a, b = (low[:, None] - m) / s, (high[:, None] - m) / s
        flip = a > 0
        a, b = np.where(flip, -b, a), np.where(flip, -a, b)
        return np.asarray(stats.norm.cdf(b) - stats.norm.cdf(a))

    p = (1 - outlier) * between(mean, sd) + outlier * between(wide_mean[:, None], wide_sd[:, None])
    np.testing.assert_allclose(found, np.log(p), rtol=0, atol=1e-12)


def test_bernoulli_table_far_out() -> None:
    logit = np.array([[-60.0, -5.0, 0.0, 5.0, 60.0]])
    table = op.bernoulli_table(logit, np.zeros(2), np.array([0, 0]), np.array([1.0, -1.0]))
    found = table.eval(mode="NUMBA")
    expected = -np.logaddexp(0, -logit), -np.logaddexp(0, logit)
    # Log-likelihoods are summed: what counts is the absolute error.
    np.testing.assert_allclose(found, np.concatenate(expected), rtol=1e-15, atol=1e-15)


def test_sum_codes_adds_repeated_codes() -> None:
    table = np.arange(6.0).reshape(3, 2)
    found = op.sum_codes(table, np.array([0, 2, 2]), np.array([1, 1, 0]), 3).eval(mode="NUMBA")
    np.testing.assert_array_equal(found, [[4, 5], [4, 6], [0, 0]])


def test_gradients_of_tables(rng: np.random.Generator) -> None:
    c, s = 37, 12
    row, seen = rng.integers(0, 4, c), rng.choice([-1.0, 1.0], c)
    check(
        lambda logit, shift: op.bernoulli_table(logit, shift, row, seen),
        {"logit": rng.normal(0, 2, (4, s)), "shift": rng.normal(size=c)},
    )
    low = rng.normal(size=c)
    high = low + rng.random(c) * 2
    low[::5], high[::7] = -np.inf, np.inf
    check(
        lambda *args: op.interval_table(low, high, *args),
        {
            "mean": rng.normal(size=(c, s)),
            "sd": rng.uniform(0.3, 2, (c, s)),
            "wide_mean": rng.normal(size=c),
            "wide_sd": rng.uniform(1, 3, c),
            "outlier": np.array(0.05),
        },
    )
    take, put = rng.integers(0, 9, 80), rng.integers(0, 20, 80)
    check(lambda table: op.sum_codes(table, take, put, 20), {"table": rng.normal(size=(9, s))})


def test_event_load_and_its_gradient(rng: np.random.Generator) -> None:
    first = np.array([0, 7, 8, 20])
    impulse, pending = rng.random((20, 3)), rng.random((20, 3))
    decay = np.array([0.3, 0.6, 0.9])
    found = op.event_load(impulse, pending, first, decay).eval(mode="NUMBA")
    for n in range(3):
        for t in range(first[n], first[n + 1]):
            # As a sum over past events, not by recursion.
            past = [impulse[u] * decay ** (t - u) for u in range(first[n], t + 1)] + [
                pending[u] * decay ** (t - 1 - u) for u in range(first[n], t)
            ]
            np.testing.assert_allclose(found[t], np.sum(past, axis=0), rtol=1e-13)
    check(lambda decay: op.event_load(impulse, pending, first, decay), {"decay": decay})


# The chain -----------------------------------------------------------------------------


def chain_inputs(
    rng: np.random.Generator, lengths: list[int], phases: int = 4, stages: int = 3
) -> tuple[dict[str, Floats], Ints, Ints]:
    first = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    states, rows = phases * stages, int(first[-1])
    hazards = rng.normal(-1.5, 0.7, (rows, 3, phases))
    hazards[:, 1:, 0] = -np.inf
    values = {
        "log_initial": np.log(rng.dirichlet(np.ones(states), len(lengths))),
        "log_hazards": hazards,
        "log_likelihood": rng.normal(0, 1.5, (rows, states)),
    }
    return values, first, np.argsort(lengths, kind="stable")


def dense_log_likelihood(
    np_like: Any, initial: Any, hazards: Any, log_lik: Any, stages: int
) -> Any:
    """Log-likelihood of one tank by dense matrices, straight from the model's definition."""
    states = log_lik.shape[1]
    phases = states // stages
    log_alpha = initial + log_lik[0]
    for t in range(1, len(log_lik)):
        rows = []
        for j in range(states):
            k = j // stages
            moves = {}
            if j + 1 < states:
                moves[j + 1] = [np_like.exp(hazards[t, 0, k])]
            if k > 0:
                back = np_like.exp(hazards[t, 1, k])
                moves.setdefault((k - 1) * stages, []).append(back)
                moves.setdefault(0, []).append(np_like.exp(hazards[t, 2, k]))
            total = sum(h for hs in moves.values() for h in hs)
            stay = np_like.exp(-total)
            row = [0.0] * states
            row[j] = stay
            for to, hs in moves.items():
                row[to] = row[to] + (1 - stay) * sum(hs) / total
            rows.append(np_like.stack([np_like.asarray(x, dtype=float) for x in row]))
        matrix = np_like.stack(rows)
        top = log_alpha.max()
        log_alpha = np_like.log(np_like.exp(log_alpha - top) @ matrix) + top + log_lik[t]
    assert phases * stages == states
    top = log_alpha.max()
    return np_like.log(np_like.exp(log_alpha - top).sum()) + top


@pytest.mark.parametrize(("phases", "stages"), [(4, 3), (4, 1), (2, 2), (3, 2)])
def test_tanks_against_dense_matrices(rng: np.random.Generator, phases: int, stages: int) -> None:
    lengths = [9, 1, 14, 2]
    values, first, order = chain_inputs(rng, lengths, phases, stages)
    found = op.tank_log_likelihood(*values.values(), first, order, stages).eval(mode="NUMBA")
    for n in range(len(lengths)):
        rows = slice(first[n], first[n + 1])
        expected = dense_log_likelihood(
            np, values["log_initial"][n], values["log_hazards"][rows],
            values["log_likelihood"][rows], stages,
        )  # fmt: skip
        assert found[n] == pytest.approx(float(expected), rel=1e-12)


def test_more_tanks_than_lanes(rng: np.random.Generator) -> None:
    lengths = [int(x) for x in rng.integers(1, 30, 70)]
    values, first, order = chain_inputs(rng, lengths)
    found = op.tank_log_likelihood(*values.values(), first, order, 3).eval(mode="NUMBA")
    for n in (0, 31, 32, 33, 69):
        rows = slice(first[n], first[n + 1])
        expected = dense_log_likelihood(
            np, values["log_initial"][n], values["log_hazards"][rows],
            values["log_likelihood"][rows], 3,
        )  # fmt: skip
        assert found[n] == pytest.approx(float(expected), rel=1e-12)


@pytest.mark.parametrize("stages", [3, 1])
def test_gradient_of_tanks(rng: np.random.Generator, stages: int) -> None:
    values, first, order = chain_inputs(rng, [6, 1, 4], 4, stages)
    bare = values["log_hazards"]

    def make(initial: Any, hazards: Any, log_lik: Any) -> Any:
        # Finite values stand in for those that are -inf, so that differences exist.
        full = pt.switch(np.isfinite(bare), hazards, -np.inf)
        return op.tank_log_likelihood(initial, full, log_lik, first, order, stages)

    values["log_hazards"] = np.where(np.isfinite(bare), bare, 0.0)
    check(make, values)


def test_impossible_data_have_no_gradient(rng: np.random.Generator) -> None:
    values, first, order = chain_inputs(rng, [4, 5])
    values["log_likelihood"][2] = -np.inf
    x = pt.matrix("x")
    each = op.tank_log_likelihood(values["log_initial"], values["log_hazards"], x, first, order, 3)
    ll, g = compiled([x], [each, pytensor.grad(each.sum(), x)])(values["log_likelihood"])
    assert ll[0] == -np.inf
    assert np.isfinite(ll[1])
    assert (g[:4] == 0).all()
    np.testing.assert_allclose(g[4:].sum(axis=1), 1, rtol=1e-12)


@pytest.mark.reference
def test_gradient_of_tanks_against_jax(
    rng: np.random.Generator, need: Callable[[str], ModuleType]
) -> None:
    jax = need("jax")
    jax.config.update("jax_enable_x64", True)
    jnp = need("jax.numpy")
    values, first, order = chain_inputs(rng, [7, 5, 1])
    weight = rng.normal(size=3)

    def total(initial: Any, hazards: Any, log_lik: Any) -> Any:
        rows = [slice(first[n], first[n + 1]) for n in range(3)]
        each = [
            dense_log_likelihood(jnp, initial[n], hazards[r], log_lik[r], 3)
            for n, r in enumerate(rows)
        ]
        return sum(w * v for w, v in zip(weight, each, strict=True))

    expected = jax.grad(total, argnums=(0, 1, 2))(*values.values())
    variables = [pt.matrix("initial"), pt.tensor3("hazards"), pt.matrix("log_lik")]
    each = op.tank_log_likelihood(*variables, first, order, 3)
    found = compiled(variables, pytensor.grad((each * weight).sum(), variables))(*values.values())
    for name, ours, theirs in zip(values, found, expected, strict=True):
        theirs = np.asarray(theirs)
        if name == "log_hazards":
            # The dense matrix never reads setback and collapse of phase 0.
            assert (ours[:, 1:, 0] == 0).all()
        np.testing.assert_allclose(ours, theirs, rtol=1e-8, atol=1e-8, err_msg=name)


# Around the Ops -------------------------------------------------------------------------


def test_second_derivatives_are_refused(rng: np.random.Generator) -> None:
    values, first, order = chain_inputs(rng, [4])
    x = pt.matrix("x")
    node = op.TankLogLikelihood()(values["log_initial"], values["log_hazards"], x, first, order, 3)
    with pytest.raises(NotImplementedError, match="first derivatives only"):
        pytensor.grad(node[1].sum(), x)


def test_wrong_inputs_are_named() -> None:
    with pytest.raises(TypeError, match="logit"):
        op.bernoulli_table(np.zeros(3), np.zeros(2), np.zeros(2, dtype=int), np.ones(2))
    with pytest.raises(TypeError, match="row"):
        op.bernoulli_table(np.zeros((2, 3)), np.zeros(2), np.zeros(2), np.ones(2))


def test_perform_and_numba_agree(rng: np.random.Generator) -> None:
    values, first, order = chain_inputs(rng, [5, 3])
    node = op.TankLogLikelihood()(*values.values(), first, order, 3)[0].owner
    cells: list[list[Any]] = [[None] for _ in node.outputs]
    inputs = [*values.values(), first, order, np.array(3)]
    node.op.perform(node, inputs, cells)
    fast = compiled([], node.outputs)()
    for cell, expected in zip(cells, fast, strict=True):
        np.testing.assert_allclose(cell[0], expected, rtol=1e-13, atol=1e-13)


def test_the_version_follows_the_kernels_source(monkeypatch: pytest.MonkeyPatch) -> None:
    before = op_kernels.version()
    assert before == op_kernels.version()
    real = op_kernels.inspect.getsource
    monkeypatch.setattr(op_kernels.inspect, "getsource", lambda module: real(module) + "# changed")
    assert op_kernels.version() != before


def test_no_compiler_is_needed() -> None:
    import os
    import subprocess
    import sys

    code = (
        "import numpy as np, pytensor, pytensor.tensor as pt\n"
        "from maturity_model.population import op\n"
        "assert pytensor.config.cxx == ''\n"
        "x = pt.vector('x')\n"
        "y = op.bernoulli_table(np.zeros((1, 2)), x, np.array([0]), np.array([1.0])).sum()\n"
        "print(pytensor.function([x], pytensor.grad(y, x), mode='NUMBA')(np.zeros(1))[0])\n"
    )
    env = os.environ | {"PYTENSOR_FLAGS": "cxx="}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True
    )
    assert float(done.stdout) == pytest.approx(1.0)
