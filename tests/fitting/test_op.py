"""Ops of the pooled fit: values, and gradients three ways.

Central differences within 1e-6, and automatic differentiation by JAX of a dense
implementation written from the model's definition (every state against every state, no
bands, no lanes, no tables) within 1e-8.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import numpy as np
import pytest

from maturity_model._typing import Floats, Ints

pytensor = pytest.importorskip("pytensor", reason="the extra 'fit' is not installed")
pt = pytest.importorskip("pytensor.tensor")
op = pytest.importorskip("maturity_model.fitting.kernels.ops")
emission_kernels = pytest.importorskip("maturity_model.fitting.kernels.emission_kernels")
kernel_op = pytest.importorskip("maturity_model.fitting.kernels.kernel_op")

from fitting.test_model import PRIORS, small_panel

from maturity_model.fitting.design import Lanes
from maturity_model.fitting.model import build_model

pytestmark = pytest.mark.fit

MOVES = ("advance", "setback", "collapse")


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


def test_gradient_of_intervals(rng: np.random.Generator) -> None:
    c, s = 37, 12
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


# Rows of observations ------------------------------------------------------------------


class Rows(NamedTuple):
    """Observations of 20 rows, some with none and one with more than a product holds."""

    values: dict[str, Floats]
    observed: dict[str, Any]
    answers: dict[str, Any]

    def make(self, table: Any, logit: Any, shift: Any) -> Any:
        return op.row_log_likelihood(table, self.observed, logit, shift, self.answers)

    def expected(self) -> Floats:
        """Observation by observation."""
        table, logit, shift = self.values.values()
        out = np.zeros((20, table.shape[1]))
        for r in range(20):
            begin, code = self.observed["begin"], self.observed["code"]
            for c in code[begin[r] : begin[r + 1]]:
                out[r] += table[c]
            begin, code = self.answers["begin"], self.answers["code"]
            for a in code[begin[r] : begin[r + 1]]:
                x = self.answers["seen"][a] * (logit[self.answers["sign"][a]] + shift[a])
                out[r] -= self.answers["weight"] * np.logaddexp(0, -x)
        return out


def some_rows(rng: np.random.Generator, states: int = 12) -> Rows:
    a = 37
    n = rng.integers(0, 5, 20)
    many = n * (rng.random(20) > 0.3)
    many[7] = 2 * emission_kernels.MANY + 3
    return Rows(
        {
            "table": rng.normal(size=(9, states)),
            "logit": rng.normal(0, 2, (4, states)),
            "shift": rng.normal(size=a),
        },
        {"begin": np.append(0, np.cumsum(n)), "code": rng.integers(0, 9, n.sum())},
        {
            "sign": rng.integers(0, 4, a),
            "seen": rng.choice([-1.0, 1.0], a),
            "begin": np.append(0, np.cumsum(many)),
            "code": rng.integers(0, a, many.sum()),
            "weight": np.array(0.7),
        },
    )


def test_rows_are_sums_of_their_observations(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    found = rows.make(*rows.values.values()).eval(mode="NUMBA")
    np.testing.assert_allclose(found, rows.expected(), rtol=0, atol=1e-12)


def test_gradient_of_rows(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    check(rows.make, rows.values)


def test_far_out_log_odds_stay_finite(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    x = pt.matrix("x"), pt.vector("y")
    total = rows.make(rows.values["table"], *x).sum()
    run = compiled([*x], [total, *pytensor.grad(total, x)])
    for sign in (-1.0, 1.0):
        logit, shift = (np.full_like(rows.values[n], sign * 400.0) for n in ("logit", "shift"))
        for found in run(logit, shift):
            assert np.isfinite(found).all()


def test_not_a_number_is_no_number_in_its_rows(rng: np.random.Generator) -> None:
    rows = some_rows(rng)
    for name in ("logit", "shift"):
        bad = {k: v.copy() for k, v in rows.values.items()}
        bad[name][3] = np.nan
        found = rows.make(*bad.values()).eval(mode="NUMBA")
        answer = (rows.answers["sign"] == 3) if name == "logit" else np.arange(37) == 3
        begin, code = rows.answers["begin"], rows.answers["code"]
        hit = [answer[code[begin[r] : begin[r + 1]]].any() for r in range(20)]
        np.testing.assert_array_equal(np.isnan(found).any(axis=1), hit)


def test_no_observations_are_rows_of_zeros() -> None:
    none, begin = np.zeros(0, dtype=np.int64), np.zeros(4, dtype=np.int64)
    answers = {"sign": none, "seen": np.zeros(0), "begin": begin, "code": none, "weight": 1.0}
    made = op.row_log_likelihood(
        np.zeros((0, 6)), {"begin": begin, "code": none}, np.ones((2, 6)), np.zeros(0), answers
    )
    np.testing.assert_array_equal(made.eval(mode="NUMBA"), np.zeros((3, 6)))


# Moves ---------------------------------------------------------------------------------


class Moves(NamedTuple):
    """Parameters of hazards, and what acts in each week of tanks of several lengths."""

    values: dict[str, Floats]
    first: Ints
    rows: dict[str, Floats]
    data: dict[str, Any]
    lanes: Lanes


def some_moves(rng: np.random.Generator, lengths: list[int], phases: int = 4) -> Moves:
    first = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    n, r = len(lengths), int(first[-1])
    lanes = Lanes.of(first, np.diff(first))
    rows = {
        "husbandry": rng.normal(size=(r, 2)),
        "impulse": rng.random((r, 3)) * (rng.random((r, 3)) < 0.3),
        "pending": rng.random((r, 3)) * (rng.random((r, 3)) < 0.3),
    }
    values = {
        "log_advance": rng.normal(-2, 0.5, phases),
        "log_setback": rng.normal(-2, 0.5, phases - 1),
        "log_collapse": rng.normal(-2, 0.5, phases - 1),
        "husbandry": rng.normal(size=(2, phases)),
        "pace": rng.normal(size=n),
        **{f"event_{move}": rng.normal(size=3) for move in MOVES},
        "decay": np.array([0.3, 0.6, 0.9]),
    }
    data = {name: lanes.spread(x) for name, x in rows.items()} | lanes._asdict()
    return Moves(values, first, rows, data, lanes)


def make_hazards(moves: Moves) -> Callable[..., Any]:
    """The Op as a function of the values alone, in their order."""
    return lambda *p: op.log_hazards(dict(zip(moves.values, p, strict=True)), p[-1], moves.data)


def slow_hazards(moves: Moves, n: int) -> Floats:
    """Log hazards of the moves into weeks 1, 2, ... of tank n, shape (T-1, 3, K)."""
    here = slice(moves.first[n], moves.first[n + 1])
    impulse, pending, husbandry = (moves.rows[k][here] for k in ("impulse", "pending", "husbandry"))
    p, out = moves.values, []
    for t in range(1, len(impulse)):
        # As a sum over past events, not by recursion.
        load = sum(impulse[u] * p["decay"] ** (t - u) for u in range(t + 1))
        load = load + sum(pending[u] * p["decay"] ** (t - 1 - u) for u in range(t))
        baseline = [p["log_advance"], *(np.append(0.0, p[f"log_{move}"]) for move in MOVES[1:])]
        one = np.array(
            [
                b + min(p[f"event_{move}"] @ load, 100.0)
                for b, move in zip(baseline, MOVES, strict=True)
            ]
        )
        one[0] += husbandry[t] @ p["husbandry"] + p["pace"][n]
        out.append(one)
    return np.array(out).reshape(-1, 3, len(p["log_advance"]))


def test_log_hazards(rng: np.random.Generator) -> None:
    lengths = [int(x) for x in rng.integers(1, 20, 19)]
    moves = some_moves(rng, lengths)
    found = make_hazards(moves)(*moves.values.values()).eval(mode="NUMBA")
    for b, i in zip(*np.nonzero(moves.lanes.tank >= 0), strict=True):
        n, z = moves.lanes.tank[b, i], moves.lanes.first[b]
        ours = found[z + 1 : z + lengths[n], :, :, i]
        np.testing.assert_allclose(ours, slow_hazards(moves, n), rtol=1e-12, atol=1e-13)


def into_no_first_step(hazards: Any, moves: Moves) -> Any:
    # There is no move into a block's first step, and none after the end of a log.
    real = moves.lanes.row < moves.first[-1]
    real[moves.lanes.first[:-1]] = False
    return hazards * real[:, None, None, :]


def test_gradient_of_log_hazards(rng: np.random.Generator) -> None:
    moves = some_moves(rng, [5, 1, 9, 2, 7, 3, 3, 8, 4, 6])
    make = make_hazards(moves)
    check(lambda *p: into_no_first_step(make(*p), moves), moves.values)


def test_beyond_the_largest_effect_events_change_nothing(rng: np.random.Generator) -> None:
    moves = some_moves(rng, [6, 9])
    x = pt.vector("x")
    given = moves.values | {f"event_{move}": x for move in MOVES}
    hazards = into_no_first_step(make_hazards(moves)(*given.values()), moves)
    run = compiled([x], [hazards, pytensor.grad(hazards.sum(), x)])
    far, further = run(np.full(3, 1e6)), run(np.full(3, 2e6))
    np.testing.assert_array_equal(far[0], further[0])
    assert np.isclose(far[0].max(), 100.0, atol=10.0)
    assert (far[1] == 0).all()


# The chain -----------------------------------------------------------------------------


class Chain(NamedTuple):
    """Tanks of several lengths: their first week, hazards in lanes, and rows."""

    start: Floats
    hazards: Floats
    rows: Floats
    first: Ints
    data: dict[str, Any]
    lanes: Lanes
    stages: int

    def make(self, hazards: Any, rows: Any) -> Any:
        return op.tank_log_likelihood(hazards, rows, self.data, self.stages)

    def of_tank(self, n: int) -> tuple[Floats, Floats, Floats]:
        """Log of the first week, log hazards (T, 3, K; the first are not used) and rows."""
        (b,), (i,) = np.nonzero(self.lanes.tank == n)
        z, weeks = self.lanes.first[b], int(self.first[n + 1] - self.first[n])
        rows = self.rows[self.first[n] : self.first[n + 1]]
        return np.log(self.start[n]), self.hazards[z : z + weeks, :, :, i], rows


def chain_inputs(
    rng: np.random.Generator, lengths: list[int], phases: int = 4, stages: int = 3
) -> Chain:
    first = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    states, rows = phases * stages, int(first[-1])
    lanes = Lanes.of(first, np.diff(first))
    hazards = rng.normal(-1.5, 0.7, (len(lanes.row), 3, phases, 8))
    start = rng.dirichlet(np.ones(states), len(lengths))
    data = {"start": lanes.by_tank(start)} | lanes._asdict()
    lik = rng.normal(0, 1.5, (rows, states))
    return Chain(start, hazards, lik, first, data, lanes, stages)


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
    chain = chain_inputs(rng, [9, 1, 14, 2], phases, stages)
    found = chain.make(chain.hazards, chain.rows).eval(mode="NUMBA")
    for n in range(4):
        expected = dense_log_likelihood(np, *chain.of_tank(n), stages)
        assert found[n] == pytest.approx(float(expected), rel=1e-12)


def test_more_tanks_than_lanes(rng: np.random.Generator) -> None:
    chain = chain_inputs(rng, [int(x) for x in rng.integers(1, 30, 70)])
    found = chain.make(chain.hazards, chain.rows).eval(mode="NUMBA")
    for n in (0, 7, 8, 31, 69):
        expected = dense_log_likelihood(np, *chain.of_tank(n), 3)
        assert found[n] == pytest.approx(float(expected), rel=1e-12)


def test_weeks_after_the_last_observation_add_nothing(rng: np.random.Generator) -> None:
    long, last = chain_inputs(rng, [9, 12, 5]), np.array([4, 12, 1])
    for n in range(3):
        long.rows[long.first[n] + last[n] : long.first[n + 1]] = 0.0
    lanes = Lanes.of(long.first, last)
    hazards = np.zeros((len(lanes.row), 3, 4, 8))
    for n in range(3):
        (b,), (i,) = np.nonzero(lanes.tank == n)
        hazards[lanes.first[b] :][: last[n], :, :, i] = long.of_tank(n)[1][: last[n]]
    data = {"start": lanes.by_tank(long.start)} | lanes._asdict()
    short = long._replace(data=data, lanes=lanes, hazards=hazards)
    x = pt.matrix("x")
    whole, cut = (
        compiled([x], [one := c.make(c.hazards, x), pytensor.grad(one.sum(), x)])(c.rows)
        for c in (long, short)
    )
    np.testing.assert_allclose(cut[0], whole[0], rtol=1e-13)
    for n in range(3):
        seen = slice(long.first[n], long.first[n] + last[n])
        np.testing.assert_allclose(cut[1][seen], whole[1][seen], rtol=1e-10, atol=1e-13)
        assert (cut[1][seen.stop : long.first[n + 1]] == 0).all()


@pytest.mark.parametrize("stages", [3, 1])
def test_gradient_of_tanks(rng: np.random.Generator, stages: int) -> None:
    chain = chain_inputs(rng, [6, 1, 4], 4, stages)
    check(chain.make, {"hazards": chain.hazards, "rows": chain.rows})


def test_impossible_data_have_no_gradient(rng: np.random.Generator) -> None:
    chain = chain_inputs(rng, [4, 5])
    chain.rows[2] = -np.inf
    x = pt.matrix("x")
    each = chain.make(chain.hazards, x)
    ll, g = compiled([x], [each, pytensor.grad(each.sum(), x)])(chain.rows)
    assert ll[0] == -np.inf
    assert np.isfinite(ll[1])
    assert (g[:4] == 0).all()
    np.testing.assert_allclose(g[4:].sum(axis=1), 1, rtol=1e-12)


@pytest.mark.parametrize("where", ["hazards", "rows"])
def test_not_a_number_stays_none(rng: np.random.Generator, where: str) -> None:
    chain = chain_inputs(rng, [4, 5])
    getattr(chain, where)[3] = np.nan
    assert np.isnan(chain.make(chain.hazards, chain.rows).eval(mode="NUMBA")).all()


@pytest.mark.reference
def test_gradient_of_tanks_against_jax(
    rng: np.random.Generator, need: Callable[[str], ModuleType]
) -> None:
    jax = need("jax")
    jax.config.update("jax_enable_x64", True)
    jnp = need("jax.numpy")
    chain = chain_inputs(rng, [7, 5, 1])
    weight = rng.normal(size=3)
    variables = [pt.tensor4("hazards", dtype="float64"), pt.matrix("rows")]
    each = chain.make(*variables)
    by_hazards, by_rows = compiled(variables, pytensor.grad((each * weight).sum(), variables))(
        chain.hazards, chain.rows
    )
    # The dense matrix never reads setback and collapse of phase 0.
    assert (by_hazards[:, 1:, 0] == 0).all()
    for n in range(3):
        start, hazards, rows = chain.of_tank(n)
        expected = jax.grad(
            lambda h, x, start=start: dense_log_likelihood(jnp, start, h, x, 3), argnums=(0, 1)
        )(jnp.asarray(hazards), jnp.asarray(rows))
        (b,), (i,) = np.nonzero(chain.lanes.tank == n)
        ours = (
            by_hazards[chain.lanes.first[b] :][: len(rows), :, :, i],
            by_rows[chain.first[n] : chain.first[n + 1]],
        )
        for found, theirs in zip(ours, expected, strict=True):
            np.testing.assert_allclose(found, weight[n] * theirs, rtol=1e-8, atol=1e-8)


# Around the Ops -------------------------------------------------------------------------


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
    env = os.environ | {"PYTENSOR_FLAGS": "cxx="}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True
    )
    assert float(done.stdout) < 0


def test_half_precision_is_refused() -> None:
    with (
        pytensor.config.change_flags(floatX="float32"),
        pytest.raises(ValueError, match="needs float64"),
    ):
        build_model(small_panel(), PRIORS)
