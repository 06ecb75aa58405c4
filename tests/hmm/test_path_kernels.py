"""Probabilities of whole paths against the enumeration of all paths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hmm.oracle import Model, enumerate_paths, log_sum

from maturity_model.hmm import native
from maturity_model.hmm.chain import sample_paths
from maturity_model.hmm.staged import StagedChain, move_probabilities, transition_matrices

Array = np.ndarray
EXACT = {"rtol": 0, "atol": 1e-10}
#: Phases, stages, steps: with and without stages, two phases and more.
SIZES = [(2, 2, 6), (3, 1, 6), (3, 2, 4), (4, 1, 5)]
NODES = (2, 2)
DRAWS = 2


@dataclass
class Lanes:
    """A small series under a few lanes, filtered."""

    chain: StagedChain
    initial: Array
    moves: Array
    emission: Array
    filtered: Array
    scale: Array
    node_weight: Array

    def every(self, p: int, q: int, d: int) -> tuple[Array, Array]:
        """All paths of one lane, and P(path | all observations) within it."""
        with np.errstate(divide="ignore"):
            data = np.log(self.emission[:, :, q, d])
        matrices = transition_matrices(self.moves[:, :, p, d], self.chain)
        found = enumerate_paths(Model(self.initial[:, d], matrices, data))
        total = log_sum(found.log_probability)
        return found.paths, np.exp(found.log_probability - total)

    def over_nodes(self, count) -> Array:
        """Sum ``count(paths, moves of the lane)`` over paths and nodes, by draw last."""
        out = []
        for d in range(DRAWS):
            total = 0.0
            for p in range(NODES[0]):
                for q in range(NODES[1]):
                    paths, probability = self.every(p, q, d)
                    answer = count(paths, probability, self.moves[:, :, p, d])
                    total = total + self.node_weight[p, q, d] * answer
            out.append(total)
        return np.stack(out, axis=-1)


def hazards(rng: np.random.Generator, shape: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Hazards large enough that every kind of move matters."""
    return (
        rng.uniform(0.1, 0.9, shape),
        rng.uniform(0.05, 0.5, shape),
        rng.uniform(0.02, 0.3, shape),
    )


def make(size: tuple[int, int, int], seed: int, *, ruled_out: float = 0.0) -> Lanes:
    k, r, weeks = size
    rng = np.random.default_rng([seed, *size])
    chain = StagedChain(k, r)
    advance, setback, collapse = hazards(rng, (weeks - 1, k, NODES[0], DRAWS))
    moves = np.concatenate(
        [
            move_probabilities(advance[:, :, p], setback[:, :, p], collapse[:, :, p])[:, :, None]
            for p in range(NODES[0])
        ],
        axis=2,
    )
    moves = np.ascontiguousarray(moves)
    emission = rng.uniform(0.05, 1.0, (weeks, chain.n_states, NODES[1], DRAWS))
    emission[rng.random(emission.shape) < ruled_out] = 0.0
    emission[:, 0] += 0.01  # something stays possible
    initial = rng.dirichlet(np.ones(chain.n_states), DRAWS).T.copy()
    filtered = np.empty((*NODES, weeks, chain.n_states, DRAWS))
    scale = np.empty((*NODES, weeks, DRAWS))
    start = np.tile(initial, (*NODES, 1, 1))
    native.filter_lanes(start, moves, emission, k, r, filtered, scale, np.empty((k, DRAWS)))
    weight = rng.dirichlet(np.ones(NODES[0] * NODES[1]), DRAWS).T.reshape(*NODES, DRAWS).copy()
    return Lanes(chain, initial, moves, emission, filtered, scale, weight)


# -- first slips -------------------------------------------------------------------------


def first_slips(lanes: Lanes, start: int, horizon: int) -> Array:
    k, r = lanes.chain
    weeks, s = lanes.emission.shape[:2]
    # An earlier start beside it must not matter; scratch is not read before it is written.
    starts = np.unique([0, start])
    out = np.full((len(starts), 2, horizon, DRAWS), np.nan)
    native.first_slips(
        lanes.filtered, lanes.moves, lanes.emission, lanes.scale, lanes.node_weight, starts,
        k, r, out, np.full((weeks, k - 1, DRAWS), np.nan),
        np.full((2 * s + k + 2, DRAWS), np.nan),
    )  # fmt: skip
    return out[-1]


def count_slips(lanes: Lanes, start: int, horizon: int):
    k, r = lanes.chain

    def count(paths: Array, probability: Array, moves: Array) -> Array:
        out = np.zeros((2, horizon))
        for path, weight in zip(paths, probability, strict=True):
            begin = path[start] // r
            for i in range(1, min(horizon, len(path) - 1 - start) + 1):
                before, now = path[start + i - 1], path[start + i]
                if now // r >= begin:
                    continue
                last = before == k * r - 1
                rows = (
                    (4 * k + 1, 4 * k + 2) if last else (2 * k + before // r, 3 * k + before // r)
                )
                back, fall = moves[start + i - 1, rows[0]], moves[start + i - 1, rows[1]]
                if before // r == 1:
                    # Both ways down end in the same state.
                    out[:, i - 1] += weight * np.array([back, fall]) / (back + fall)
                else:
                    out[int(now == 0), i - 1] += weight
                break
        return out

    return count


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("ruled_out", [0.0, 0.3])
def test_first_slips_equal_the_enumeration(size: tuple[int, int, int], ruled_out: float) -> None:
    lanes = make(size, 1, ruled_out=ruled_out)
    start = 1
    # One step more than there is.
    horizon = size[2] - 1 - start + 1
    wanted = lanes.over_nodes(count_slips(lanes, start, horizon))
    found = first_slips(lanes, start, horizon)
    np.testing.assert_allclose(found, wanted, **EXACT)
    assert (found[:, -1] == 0).all()
    if not ruled_out:
        assert (found[:, :-1].sum(axis=0) > 1e-3).all()


def test_first_slips_from_the_first_and_the_last_step() -> None:
    lanes = make((3, 1, 6), 2)
    wanted = lanes.over_nodes(count_slips(lanes, 0, 3))
    np.testing.assert_allclose(first_slips(lanes, 0, 3), wanted, **EXACT)
    assert (first_slips(lanes, 5, 3) == 0).all()


def test_slips_within_one_step_are_the_smoother_s_downward_moves() -> None:
    lanes = make((4, 3, 30), 3)
    k, r = lanes.chain
    weeks, s = lanes.emission.shape[:2]
    states, down = np.empty((weeks, s, DRAWS)), np.empty((weeks, DRAWS))
    native.smooth_lanes(
        lanes.moves, lanes.emission, lanes.filtered, lanes.scale, lanes.node_weight, k, r,
        states, down, np.empty((2, s, DRAWS)),
    )  # fmt: skip
    for start in (0, 7, 28):
        np.testing.assert_allclose(
            first_slips(lanes, start, 1).sum(axis=(0, 1)), down[start + 1], **EXACT
        )


# -- long stays --------------------------------------------------------------------------


def long_stays(lanes: Lanes, phase: int, length: int) -> Array:
    k, r = lanes.chain
    out = np.full((length, DRAWS), np.nan)
    native.long_stays(
        lanes.filtered, lanes.moves, lanes.emission, lanes.scale, lanes.node_weight, phase,
        k, r, out, np.full((r + 1, DRAWS), np.nan),
    )  # fmt: skip
    return out


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("ruled_out", [0.0, 0.3])
def test_long_stays_equal_the_enumeration(size: tuple[int, int, int], ruled_out: float) -> None:
    lanes = make(size, 4, ruled_out=ruled_out)
    k, r, weeks = size
    for phase in range(k):

        def count(paths: Array, probability: Array, moves: Array, phase: int = phase) -> Array:
            inside = paths // r == phase
            return np.array(
                [probability @ inside[:, weeks - 1 - i :].all(axis=1) for i in range(weeks)]
                + [0.0, 0.0]
            )

        wanted = lanes.over_nodes(count)
        np.testing.assert_allclose(long_stays(lanes, phase, weeks + 2), wanted, **EXACT)
        # The same when less is asked for.
        np.testing.assert_allclose(long_stays(lanes, phase, 2), wanted[:2], **EXACT)


# -- first arrivals and risk ahead -------------------------------------------------------


def future(seed: int, size: tuple[int, int, int], by_phase: bool):
    """Hazards as the kernels take them, and dense matrices of each lane."""
    k, r, horizon = size
    rng = np.random.default_rng([seed, *size])
    chain = StagedChain(k, r)
    advance = rng.uniform(0.1, 0.9, (k, NODES[0], DRAWS))
    factor = rng.uniform(0.3, 2.0, (horizon, k if by_phase else 1, DRAWS))
    _, setback, collapse = hazards(rng, (horizon, k, DRAWS))
    start = rng.dirichlet(np.ones(NODES[0] * chain.n_states), DRAWS).T
    start = np.ascontiguousarray(start.reshape(NODES[0], chain.n_states, DRAWS))
    matrices = np.stack(
        [
            np.moveaxis(
                transition_matrices(
                    np.moveaxis(
                        move_probabilities(advance[:, p] * factor, setback, collapse), 1, 2
                    ),
                    chain,
                ),
                1,
                0,
            )
            for p in range(NODES[0])
        ]
    )
    return chain, advance, factor, setback, collapse, start, matrices


def count_future(start: Array, matrices: Array, count) -> Array:
    out = []
    for d in range(DRAWS):
        total = 0.0
        for p in range(NODES[0]):
            mass = start[p, :, d].sum()
            chain_ = matrices[p, d]
            blank = np.zeros((len(chain_) + 1, len(start[p])))
            every = enumerate_paths(Model(start[p, :, d] / mass, chain_, blank))
            total = total + mass * count(every.paths, np.exp(every.log_probability))
        out.append(total)
    return np.stack(out, axis=-1)


@pytest.mark.parametrize("size", [(2, 2, 5), (3, 2, 4), (4, 1, 5)])
@pytest.mark.parametrize("by_phase", [False, True])
def test_first_arrivals_equal_the_enumeration(size: tuple[int, int, int], by_phase: bool) -> None:
    k, r, horizon = size
    chain, advance, factor, setback, collapse, start, matrices = future(5, size, by_phase)
    for target in range(1, k):

        def count(paths: Array, probability: Array, target: int = target) -> Array:
            there = paths // r >= target
            first = np.where(there.any(axis=1), there.argmax(axis=1), horizon + 1)
            return np.bincount(first, probability, horizon + 2)[1 : horizon + 1]

        out = np.full((horizon, DRAWS), np.nan)
        native.first_passage(
            start, advance, factor, setback, collapse, target, r, out,
            np.full((chain.n_states + 4 * k, DRAWS), np.nan),
        )  # fmt: skip
        np.testing.assert_allclose(out, count_future(start, matrices, count), **EXACT)


def test_arrivals_agree_with_sampled_paths() -> None:
    size = (4, 3, 40)
    k, r, horizon = size
    chain, advance, factor, setback, collapse, start, matrices = future(6, size, True)
    out = np.empty((horizon, DRAWS))
    native.first_passage(
        start, advance, factor, setback, collapse, k - 1, r, out,
        np.empty((chain.n_states + 4 * k, DRAWS)),
    )  # fmt: skip
    rng = np.random.default_rng(7)
    n, d = 20_000, 0
    lane = rng.choice(start[:, :, d].size, n, p=start[:, :, d].ravel())
    node, state = np.divmod(lane, chain.n_states)
    arrived = np.full(n, np.where(state // r == k - 1, 0, horizon + 1))
    for h in range(horizon):
        edges = np.cumsum(matrices[node, d, h, state], axis=1)
        state = np.minimum((rng.random(n)[:, None] > edges).sum(axis=1), chain.n_states - 1)
        arrived = np.where((arrived > horizon) & (state // r == k - 1), h + 1, arrived)
    for h in (3, 10, 25, 40):
        p = out[:h, d].sum()
        share = ((arrived >= 1) & (arrived <= h)).mean()
        assert abs(share - p) < 4.5 * np.sqrt(p * (1 - p) / n)


# -- sampled paths, where there are too many to list --------------------------------------


def test_slips_and_stays_agree_with_sampled_paths() -> None:
    lanes = make((4, 3, 30), 8)
    rng = np.random.default_rng(9)
    n, d, start, horizon = 4000, 1, 12, 8
    slipped = np.zeros(horizon)
    stayed = np.zeros((4, 6))
    for p in range(NODES[0]):
        for q in range(NODES[1]):
            matrices = transition_matrices(lanes.moves[:, :, p, d], lanes.chain)
            data = np.log(lanes.emission[:, :, q, d])
            phases = sample_paths(lanes.initial[:, d], matrices, data, n, rng) // 3
            lower = phases[:, start + 1 : start + 1 + horizon] < phases[:, [start]]
            weight = lanes.node_weight[p, q, d]
            first = np.where(lower.any(axis=1), lower.argmax(axis=1), horizon)
            slipped += weight * np.bincount(first, minlength=horizon + 1)[:horizon] / n
            for k in range(4):
                for i in range(6):
                    stayed[k, i] += weight * (phases[:, 29 - i :] == k).all(axis=1).mean()
    # Weighted over four nodes the error is at most that of one node's sample.
    error = 4.5 * 0.5 / np.sqrt(n)
    found = first_slips(lanes, start, horizon)[:, :, d].sum(axis=0)
    assert found.sum() > 0.1
    assert np.abs(found - slipped).max() < error
    for k in range(4):
        assert np.abs(long_stays(lanes, k, 6)[:, d] - stayed[k]).max() < error
