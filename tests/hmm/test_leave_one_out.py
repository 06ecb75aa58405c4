"""The kernels that take observations out again, against enumeration of all paths."""

from __future__ import annotations

import numpy as np
import pytest
from assessment.small_mixture import by_lane, end_in, factor, small, week_of
from numpy.typing import NDArray

from maturity_model.hmm import native
from maturity_model.hmm.staged import StagedChain, move_probabilities

CHAINS = [StagedChain(2, 2), StagedChain(3, 1), StagedChain(4, 1)]


def kinds(panel):
    return panel.signs, panel.readings, panel.judgements


@pytest.mark.parametrize("chain", CHAINS)
def test_each_observation_taken_out_alone(chain: StagedChain) -> None:
    given = small(1, chain)
    tables, found = given.tables, given.found
    weeks, s, q, d = found.emission.shape
    p = given.prior.shape[0]
    ends = np.array([chain.phase_of == k for k in range(chain.n_phases)] + [np.ones(s)], float)
    m = len(ends)
    arguments, outs = [], []
    for kind, table in zip(
        kinds(tables.panel),
        (tables.signs, tables.readings[:, :, None], tables.judgements[:, :, None]),
        strict=True,
    ):
        starts, codes = kind.of_rows(0, weeks)
        outs.append(np.full((len(codes), m, d), np.nan))
        arguments += [starts, codes, np.ascontiguousarray(table), outs[-1]]
    native.leave_one_out(
        found.moves, found.emission, found.filtered, found.scale,
        np.ascontiguousarray(found.node_weight[:, :, -1]), ends, *chain, *arguments,
        np.full((m, p, q, s, d), np.nan), np.full((2, s, d), np.nan), np.full((m, s, d), np.nan),
    )  # fmt: skip
    _, whole = by_lane(given, found.emission, weeks, end_in(chain, weeks - 1))
    likelihood = np.einsum("pq,pqd->d", given.prior, whole)
    for number, out in enumerate(outs):
        for i in range(len(out)):
            emission = found.emission.copy()
            emission[week_of(tables, number, i)] /= factor(tables, number, i)
            sums, totals = by_lane(given, emission, weeks, end_in(chain, weeks - 1))
            want = np.einsum("pq,kpqd->kd", given.prior, sums) / likelihood
            np.testing.assert_allclose(out[i, :-1], want, rtol=1e-10)
            ratio = np.einsum("pq,pqd->d", given.prior, totals) / likelihood
            np.testing.assert_allclose(out[i, -1], ratio, rtol=1e-10)


@pytest.mark.parametrize("chain", CHAINS)
def test_filtering_without_some(chain: StagedChain) -> None:
    given = small(2, chain)
    tables, found = given.tables, given.found
    weeks, s, q, d = found.emission.shape
    p = given.prior.shape[0]
    starts, codes = tables.panel.signs.of_rows(0, weeks)
    states, log_l = np.empty((p, q, s, d)), np.empty((p, q, d))
    native.filter_without(
        np.repeat(given.initial[:, None], d, axis=1), found.moves, found.emission, starts, codes,
        tables.signs, 0, *chain, states, log_l, np.full((q + 2, s, d), np.nan),
    )  # fmt: skip
    emission = found.emission.copy()
    for i in range(len(codes)):
        emission[week_of(tables, 0, i)] /= factor(tables, 0, i)
    sums, totals = by_lane(given, emission, weeks, end_in(chain, weeks - 1))
    np.testing.assert_allclose(np.exp(log_l), totals, rtol=1e-10)
    by_phase = np.add.reduceat(states, np.arange(0, s, chain.n_stages), axis=2)
    np.testing.assert_allclose(np.moveaxis(by_phase, 2, 0), sums / totals, rtol=1e-10)


def test_filtering_without_some_goes_on_from_a_filtered_step() -> None:
    given = small(2, CHAINS[0])
    tables, found = given.tables, given.found
    weeks, s, q, d = found.emission.shape
    starts, codes = tables.panel.signs.of_rows(0, weeks)
    begin = 2
    kept = np.maximum(starts - starts[begin], 0)

    def without(first: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        states = np.ascontiguousarray(found.filtered[:, :, begin - 1])
        log_l = np.ascontiguousarray(found.lane_log_likelihood[:, :, begin - 1])
        native.filter_without(
            np.repeat(given.initial[:, None], d, axis=1), found.moves, found.emission, kept,
            codes[starts[begin] :], tables.signs, first, *found.chain, states, log_l,
            np.full((q + 2, s, d), np.nan),
        )  # fmt: skip
        return states, log_l

    assert starts[begin] < len(codes)
    for one, other in zip(without(begin), without(0), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)


@pytest.mark.parametrize("size", [1.0, 1e-12, 1e-200, 1e40])
def test_filtering_without_scales_when_it_must(size: float) -> None:
    chain = StagedChain(3, 2)
    rng = np.random.default_rng(5)
    p, q, weeks, s, d = 2, 2, 40, chain.n_states, 9
    hazards = rng.uniform(0.01, 0.5, (3, weeks - 1, p, 3, d))
    moves = np.ascontiguousarray(move_probabilities(*hazards).swapaxes(1, 2))
    emission = size * rng.uniform(0.1, 1.0, (weeks, s, q, d))
    initial = rng.dirichlet(np.ones(s), d).T.copy()
    filtered, scale = np.empty((p, q, weeks, s, d)), np.empty((p, q, weeks, d))
    start = np.tile(initial, (p, q, 1, 1))
    native.filter_lanes(start, moves, emission, *chain, filtered, scale, np.empty((3, d)))
    states, log_l = np.empty((p, q, s, d)), np.empty((p, q, d))
    nothing = np.zeros(weeks + 1, dtype=np.int64), np.zeros(0, dtype=np.int64), emission[:1]
    native.filter_without(
        initial, moves, emission, *nothing, 0, *chain, states, log_l, np.empty((q + 2, s, d))
    )
    np.testing.assert_allclose(states, filtered[:, :, -1], rtol=1e-12)
    np.testing.assert_allclose(log_l, np.log(scale).sum(axis=2), rtol=1e-12, atol=1e-12)


def test_impossible_data_are_said_so() -> None:
    given = small(3, StagedChain(2, 1))
    found = given.found
    weeks, s, q, d = found.emission.shape
    emission = found.emission.copy()
    emission[1, :, :, 0] = 0.0
    states, log_l = np.empty((2, q, s, d)), np.empty((2, q, d))
    native.filter_without(
        np.repeat(given.initial[:, None], d, axis=1), found.moves, emission,
        np.zeros(weeks + 1, dtype=np.int64), np.zeros(0, dtype=np.int64), given.tables.signs,
        0, *found.chain, states, log_l, np.empty((q + 2, s, d)),
    )  # fmt: skip
    assert (log_l[:, :, 0] <= -1e300).all()
    assert (states[:, :, :, 0] == 0).all()
    assert np.isfinite(states).all()
    np.testing.assert_allclose(states[:, :, :, 1:].sum(axis=2), 1.0, rtol=1e-12)
