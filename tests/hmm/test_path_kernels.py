"""Probabilities of whole paths against the enumeration of all paths.

First passages are compared with it in ``tests/assessment/test_first_passage.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from hmm.lane_models import Lanes, random_lanes
from hmm.oracle import enumerate_paths, log_sum

from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.staged import StagedChain

Array = np.ndarray
EXACT = {"rtol": 0, "atol": 1e-10}
#: Phases, stages, steps: with and without stages, two phases and more.
SIZES = [(2, 2, 6), (3, 1, 6), (3, 2, 4), (4, 1, 5)]
NODES = (2, 2)
DRAWS = 2


def make(
    size: tuple[int, int, int], seed: int, *, ruled_out: float = 0.0
) -> tuple[Lanes, FilteredMixture]:
    """A small series under a few lanes, and the same filtered."""
    k, r, weeks = size
    lanes = random_lanes(
        [seed, *size], StagedChain(k, r), weeks, nodes=NODES, draws=DRAWS, impossible=ruled_out
    )
    lanes.emission[:, 0] += 0.01  # something stays possible
    return lanes, filter_mixture(*lanes)


def over_nodes(lanes: Lanes, found: FilteredMixture, count) -> Array:
    """Sum ``count(paths, P(path | all observations, lane), moves)`` over nodes, by draw last."""
    out = []
    for d in range(DRAWS):
        total = 0.0
        for p, q in np.ndindex(NODES):
            every = enumerate_paths(lanes.dense(p, q, d))
            probability = np.exp(every.log_probability - log_sum(every.log_probability))
            answer = count(every.paths, probability, lanes.moves[:, :, p, d])
            total = total + found.node_weight[p, q, -1, d] * answer
        out.append(total)
    return np.stack(out, axis=-1)


def arguments(found: FilteredMixture) -> tuple[Array, ...]:
    """What each of the kernels takes first."""
    weight = np.ascontiguousarray(found.node_weight[:, :, -1])
    return found.filtered, found.moves, found.emission, found.scale, weight


# -- first slips -------------------------------------------------------------------------


def first_slips(found: FilteredMixture, start: int, horizon: int) -> Array:
    k, r = found.chain
    weeks, s = found.emission.shape[:2]
    # An earlier start beside it must not matter; scratch is not read before it is written.
    starts = np.unique([0, start])
    out = np.full((len(starts), 2, horizon, DRAWS), np.nan)
    native.first_slips(
        *arguments(found), starts, k, r, out, np.full((weeks, k - 1, DRAWS), np.nan),
        np.full((2 * s + k + 1, DRAWS), np.nan),
    )  # fmt: skip
    return out[-1]


def count_slips(chain: StagedChain, start: int, horizon: int):
    k, r = chain

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
    lanes, found = make(size, 1, ruled_out=ruled_out)
    start = 1
    # One step more than there is.
    horizon = size[2] - 1 - start + 1
    wanted = over_nodes(lanes, found, count_slips(lanes.chain, start, horizon))
    slips = first_slips(found, start, horizon)
    np.testing.assert_allclose(slips, wanted, **EXACT)
    assert (slips[:, -1] == 0).all()
    if not ruled_out:
        assert (slips[:, :-1].sum(axis=0) > 1e-5).all()


def test_first_slips_from_the_first_and_the_last_step() -> None:
    lanes, found = make((3, 1, 6), 2)
    wanted = over_nodes(lanes, found, count_slips(lanes.chain, 0, 3))
    np.testing.assert_allclose(first_slips(found, 0, 3), wanted, **EXACT)
    assert (first_slips(found, 5, 3) == 0).all()


# -- long stays --------------------------------------------------------------------------


def long_stays(found: FilteredMixture, phase: int, length: int) -> Array:
    k, r = found.chain
    out = np.full((length, DRAWS), np.nan)
    native.long_stays(*arguments(found), phase, k, r, out, np.full((r + 1, DRAWS), np.nan))
    return out


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("ruled_out", [0.0, 0.3])
def test_long_stays_equal_the_enumeration(size: tuple[int, int, int], ruled_out: float) -> None:
    lanes, found = make(size, 4, ruled_out=ruled_out)
    k, r, weeks = size
    for phase in range(k):

        def count(paths: Array, probability: Array, moves: Array, phase: int = phase) -> Array:
            inside = paths // r == phase
            return np.array(
                [probability @ inside[:, weeks - 1 - i :].all(axis=1) for i in range(weeks)]
                + [0.0, 0.0]
            )

        wanted = over_nodes(lanes, found, count)
        np.testing.assert_allclose(long_stays(found, phase, weeks + 2), wanted, **EXACT)
        # The same when less is asked for.
        np.testing.assert_allclose(long_stays(found, phase, 2), wanted[:2], **EXACT)
