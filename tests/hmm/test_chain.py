"""The general engine against the enumeration of all paths, and at its edges."""

from __future__ import annotations

import doctest
import math

import numpy as np
import pytest
from hmm.oracle import Model, first_impossible_week, log_joint, random_model, solve
from scipy.stats import chi2

from maturity_model.hmm import chain
from maturity_model.hmm.chain import (
    ImpossibleDataError,
    best_path,
    forecast,
    forward_backward,
    sample_paths,
)

EXACT = {"rtol": 1e-10, "atol": 1e-10}

KINDS = {
    "plain": {},
    "varying": {"varying": True},
    "structural zeros": {"zeros": 0.6},
    "impossible states": {"impossible": 0.3},
    "zeros, -inf, varying": {"varying": True, "zeros": 0.5, "impossible": 0.25},
    "far apart": {"spread": 400.0},
    "far apart, zeros, -inf": {"spread": 400.0, "zeros": 0.5, "impossible": 0.25},
}
SIZES = [(1, 4), (2, 1), (2, 8), (3, 6), (4, 5), (5, 2)]


def agree(model: Model) -> bool:
    """Compare everything with the oracle; False if the data were impossible."""
    week = first_impossible_week(model)
    if week is not None:
        for function in (forward_backward, best_path):
            with pytest.raises(ImpossibleDataError, match=f"week {week} ") as caught:
                function(*model)
            assert caught.value.week == week
        with pytest.raises(ImpossibleDataError, match=f"week {week} "):
            sample_paths(*model, 3, np.random.default_rng(0))
        return False
    truth = solve(model)
    result = forward_backward(*model)
    assert result.log_likelihood == pytest.approx(truth.log_likelihood, rel=1e-10, abs=1e-10)
    np.testing.assert_allclose(result.filtered, truth.filtered, **EXACT)
    np.testing.assert_allclose(result.smoothed, truth.smoothed, **EXACT)
    best = best_path(*model)
    assert best.log_probability == pytest.approx(truth.best_log_probability, rel=1e-10, abs=1e-10)
    assert log_joint(model, best.path) == pytest.approx(best.log_probability, rel=1e-10, abs=1e-10)
    # Structural zeros stay zeros, exactly.
    assert (result.smoothed[truth.smoothed == 0] < 1e-300).all()
    assert (result.filtered[truth.filtered == 0] < 1e-300).all()
    return True


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("states", "weeks"), SIZES)
def test_agrees_with_all_paths(kind: str, states: int, weeks: int) -> None:
    rng = np.random.default_rng([states, weeks, list(KINDS).index(kind)])
    possible = [agree(random_model(rng, states, weeks, **KINDS[kind])) for _ in range(8)]
    if "-inf" not in kind and "impossible" not in kind:
        assert all(possible)
    else:
        assert any(possible)


def test_a_week_without_data_is_a_forecast() -> None:
    model = random_model(np.random.default_rng(6), 4, 8)
    log_data = model.log_likelihood.copy()
    log_data[3:] = 0.0
    result = forward_backward(model.initial, model.transition, log_data)
    ahead = forecast(result.filtered[2], model.transition, 5)
    np.testing.assert_allclose(result.filtered[2:], ahead, **EXACT)
    np.testing.assert_allclose(result.smoothed[3:], ahead[1:], **EXACT)


# Underflow ------------------------------------------------------------------------------


def test_a_state_far_below_the_smallest_float_can_still_win() -> None:
    # State 1 is 2,000 nats behind (exp(-2000) is 0 as a float); then state 0 is ruled out.
    log_data = np.array([[0.0, -1000.0], [0.0, -1000.0], [-np.inf, 0.0]])
    stay = np.eye(2)
    result = forward_backward([0.5, 0.5], stay, log_data)
    assert result.log_likelihood == pytest.approx(math.log(0.5) - 2000, rel=1e-14)
    np.testing.assert_array_equal(result.filtered, [[1, 0], [1, 0], [0, 1]])
    np.testing.assert_array_equal(result.smoothed, [[0, 1], [0, 1], [0, 1]])
    best = best_path([0.5, 0.5], stay, log_data)
    assert best.path.tolist() == [1, 1, 1]
    assert best.log_probability == pytest.approx(math.log(0.5) - 2000, rel=1e-14)
    paths = sample_paths([0.5, 0.5], stay, log_data, 50, np.random.default_rng(0))
    assert (paths == 1).all()


def test_overturned_with_moves_agrees_with_all_paths() -> None:
    log_data = np.array(
        [[0.0, -1000.0, -3000.0], [0.0, -900.0, 10.0], [-np.inf, 0.0, -800.0], [0.0, 0.0, 1.0]]
    )
    transition = np.array([[1.0, 0.0, 0.0], [1e-300, 1.0 - 1e-300, 0.0], [0.5, 0.25, 0.25]])
    assert agree(Model(np.array([1 - 2e-200, 1e-200, 1e-200]), transition, log_data))


def test_the_smallest_floats_are_not_lost() -> None:
    tiny = 5e-324  # the smallest positive float
    model = Model(
        np.array([1.0, tiny]),
        np.array([[1.0, tiny], [tiny, 1.0]]),
        np.array([[-np.inf, 0.0], [0.0, -np.inf], [-np.inf, 0.0]]),
    )
    assert agree(model)
    assert forward_backward(*model).log_likelihood == pytest.approx(3 * math.log(tiny))


# Ties -----------------------------------------------------------------------------------


def test_ties_go_to_the_lowest_state() -> None:
    flat = np.full((3, 3), 1 / 3)
    best = best_path(np.full(3, 1 / 3), flat, np.zeros((6, 3)))
    assert best.path.tolist() == [0] * 6
    # State 0 is ruled out in week 1 only.
    log_data = np.zeros((3, 3))
    log_data[1, 0] = -np.inf
    assert best_path(np.full(3, 1 / 3), flat, log_data).path.tolist() == [0, 1, 0]


def test_among_ties_the_last_week_decides_first() -> None:
    # Paths (0, 1) and (1, 0) are equal; the lower last state is 0.
    swap = np.array([[0.0, 1.0], [1.0, 0.0]])
    assert best_path([0.5, 0.5], swap, np.zeros((2, 2))).path.tolist() == [1, 0]


# Sampled paths --------------------------------------------------------------------------


def frequency_test(paths: np.ndarray, expected: np.ndarray) -> float:
    """p-value of a G-test of paths of three states against P(path), in lexicographic order."""
    code = paths @ 3 ** np.arange(paths.shape[1] - 1, -1, -1)
    observed = np.bincount(code, minlength=len(expected))
    hoped = expected * len(paths)
    # Cells with few expected draws are put together, as the test's approximation asks.
    common = hoped >= 10
    assert common.sum() >= 8
    observed = np.append(observed[common], observed[~common].sum())
    hoped = np.append(hoped[common], hoped[~common].sum())
    assert (observed[hoped == 0] == 0).all()
    seen = observed > 0
    statistic = 2 * (observed[seen] * np.log(observed[seen] / hoped[seen])).sum()
    return float(chi2.sf(statistic, (hoped > 0).sum() - 1))


@pytest.mark.parametrize("varying", [False, True])
def test_path_frequencies(varying: bool) -> None:
    rng = np.random.default_rng(7)
    model = random_model(rng, 3, 4, varying=varying, zeros=0.3, impossible=0.1, spread=1.0)
    paths = sample_paths(*model, 200_000, np.random.default_rng(8))
    assert paths.shape == (200_000, 4)
    assert 0.001 < frequency_test(paths, solve(model).path_probability) < 0.9999


def test_sampling_repeats_with_its_seed() -> None:
    model = random_model(np.random.default_rng(9), 4, 12)
    first = sample_paths(*model, 20, np.random.default_rng(1))
    np.testing.assert_array_equal(first, sample_paths(*model, 20, np.random.default_rng(1)))
    assert (first != sample_paths(*model, 20, np.random.default_rng(2))).any()
    assert sample_paths(*model, 0, np.random.default_rng(1)).shape == (0, 12)


@pytest.mark.parametrize("uniform", [0.0, np.nextafter(1.0, 0.0)])
def test_the_ends_of_the_uniform_draw_no_impossible_state(uniform: float) -> None:
    class Ends(np.random.Generator):
        def random(self, size: object = None, *_: object) -> np.ndarray:  # type: ignore[override]
            return np.full(size, uniform)

    model = Model(np.array([0.0, 0.6, 0.4, 0.0]), np.eye(4), np.zeros((3, 4)))
    paths = sample_paths(*model, 2, Ends(np.random.PCG64(0)))
    assert (paths == (1 if uniform == 0 else 2)).all()


# Long series ----------------------------------------------------------------------------


def _staged(states: int = 12) -> np.ndarray:
    # Forward one state, rarely back to the start: full of zeros, as the project's own chain.
    move = np.zeros((states, states))
    for i in range(states):
        move[i, i] = 0.8
        move[i, min(i + 1, states - 1)] += 0.19
        move[i, 0] += 0.01
    return move


def test_ten_thousand_weeks_stay_finite_and_normalised() -> None:
    rng = np.random.default_rng(10)
    initial = np.eye(12)[0]
    log_data = rng.normal(0, 3, (10_000, 12))
    log_data[rng.random(log_data.shape) < 0.02] = -np.inf
    moves = np.broadcast_to(_staged(), (9_999, 12, 12))
    for transition in (_staged(), moves):
        result = forward_backward(initial, transition, log_data)
        assert np.isfinite(result.log_likelihood)
        for probability in (result.filtered, result.smoothed):
            assert np.isfinite(probability).all()
            assert (probability >= 0).all()
            np.testing.assert_allclose(probability.sum(axis=1), 1.0, atol=1e-12)
        best = best_path(initial, transition, log_data)
        assert np.isfinite(best.log_probability)
        assert best.log_probability < result.log_likelihood
        assert (log_data[np.arange(10_000), best.path] > -np.inf).all()
        paths = sample_paths(initial, transition, log_data, 3, rng)
        assert (log_data[np.arange(10_000), paths] > -np.inf).all()


def test_ten_thousand_weeks_of_one_advantage() -> None:
    # Two states that never mix: the answer is known in closed form at any length.
    log_data = np.tile([0.0, -0.001], (10_000, 1))
    result = forward_backward([0.5, 0.5], np.eye(2), log_data)
    expected = math.log(0.5) + math.log1p(math.exp(-10.0))
    assert result.log_likelihood == pytest.approx(expected, rel=1e-10)
    np.testing.assert_allclose(result.smoothed[:, 0], 1 / (1 + math.exp(-10.0)), rtol=1e-10)
    week = np.arange(1, 10_001)
    np.testing.assert_allclose(result.filtered[:, 0], 1 / (1 + np.exp(-0.001 * week)), rtol=1e-10)


def test_forecast_with_changing_moves() -> None:
    rng = np.random.default_rng(12)
    model = random_model(rng, 3, 5, varying=True, zeros=0.3)
    ahead = forecast(model.initial, model.transition, 4)
    assert ahead.shape == (5, 3)
    np.testing.assert_allclose(ahead[0], model.initial, **EXACT)
    now = model.initial
    for h, move in enumerate(model.transition):
        now = now @ move
        np.testing.assert_allclose(ahead[h + 1], now, **EXACT)


def test_forecast_of_nothing_and_of_long() -> None:
    assert forecast([0.2, 0.8], np.eye(2), 0).tolist() == [[0.2, 0.8]]
    off = np.array([[0.9, 0.1 - 9e-9], [0.4, 0.6 - 9e-9]])  # within the tolerance
    ahead = forecast([1.0, 0.0], off, 10_000)
    np.testing.assert_allclose(ahead.sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(ahead[-1], [0.8, 0.2], atol=1e-6)  # balance of 0.1 and 0.4


def test_forecast_refuses_what_does_not_fit() -> None:
    with pytest.raises(ValueError, match="one entry for each move"):
        forecast([1.0, 0.0], np.zeros((3, 2, 2)) + 0.5, 4)
    with pytest.raises(ValueError, match="0 or more"):
        forecast([1.0, 0.0], np.eye(2), -1)


# Documentation --------------------------------------------------------------------------


def test_examples_in_the_docstrings_run() -> None:
    assert doctest.testmod(chain, raise_on_error=True).attempted > 0
