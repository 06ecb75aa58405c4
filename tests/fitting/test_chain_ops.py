"""Ops of moves and of tanks against the dense oracle, gradients by differences.

JAX differentiates the whole likelihood in test_likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
import pytest
from fitting import dense_oracle
from fitting.op_checks import check, compiled, pt, pytensor

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.design import Lanes
from maturity_model.fitting.kernels import ops as op

pytestmark = pytest.mark.fit

MOVES = dense_oracle.MOVES


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
    p = moves.values | {"event_memory": -1.0 / np.log(moves.values["decay"])}
    panel: Any = SimpleNamespace(first=moves.first, **moves.rows)
    return np.stack(dense_oracle.log_hazards(np, p, panel, n), axis=1)[1:]


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
        """P(state in week 0), log hazards (T, 3, K; the first are not used) and rows."""
        (b,), (i,) = np.nonzero(self.lanes.tank == n)
        z, weeks = self.lanes.first[b], int(self.first[n + 1] - self.first[n])
        rows = self.rows[self.first[n] : self.first[n + 1]]
        return self.start[n], self.hazards[z : z + weeks, :, :, i], rows


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


@pytest.mark.parametrize("where", ["hazards", "rows"])
def test_not_a_number_stays_none(rng: np.random.Generator, where: str) -> None:
    chain = chain_inputs(rng, [4, 5])
    getattr(chain, where)[3] = np.nan
    assert np.isnan(chain.make(chain.hazards, chain.rows).eval(mode="NUMBA")).all()
