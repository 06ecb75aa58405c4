"""The general engine's arguments: what it takes, what it refuses and how it says so."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hmm.oracle import Model, random_model

from maturity_model.hmm.chain import best_path, forecast, forward_backward, sample_paths


def test_one_week_and_one_state() -> None:
    result = forward_backward([0.25, 0.75], np.eye(2), [[math.log(0.5), 0.0]])
    assert result.log_likelihood == pytest.approx(math.log(0.875), rel=1e-14)
    np.testing.assert_allclose(result.smoothed, [[1 / 7, 6 / 7]])
    np.testing.assert_allclose(result.filtered, [[1 / 7, 6 / 7]])
    empty = np.empty((0, 2, 2))
    assert forward_backward([0.25, 0.75], empty, [[math.log(0.5), 0.0]]).smoothed.shape == (1, 2)
    assert best_path([0.25, 0.75], empty, [[0.0, 0.0]]).path.tolist() == [1]
    paths = sample_paths([0.0, 1.0], empty, [[0.0, 0.0]], 3, np.random.default_rng(0))
    assert paths.tolist() == [[1]] * 3
    alone = forward_backward([1.0], [[1.0]], [[-2.0], [-3.0]])
    assert alone.log_likelihood == -5.0
    assert alone.smoothed.tolist() == [[1.0], [1.0]]


def test_arguments_are_left_alone() -> None:
    model = random_model(np.random.default_rng(13), 3, 6, varying=True, zeros=0.3)
    before = [a.copy() for a in model]
    for a in model:
        a.flags.writeable = False
    forward_backward(*model)
    best_path(*model)
    sample_paths(*model, 5, np.random.default_rng(0))
    forecast(model.initial, model.transition, 5)
    for a, b in zip(model, before, strict=True):
        np.testing.assert_array_equal(a, b)


GOOD = Model(np.array([0.5, 0.5]), np.full((2, 2), 0.5), np.zeros((3, 2)))


@pytest.mark.parametrize("function", [forward_backward, best_path])
@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"initial": [[0.5, 0.5]]}, r"initial has shape \(1, 2\)"),
        ({"initial": []}, r"initial has shape \(0,\)"),
        ({"initial": [0.5, 0.5 + 2e-8]}, "initial must sum to 1 within 1e-08"),
        ({"initial": [1.5, -0.5]}, r"initial holds a negative probability .*\(1,\)"),
        ({"initial": [math.nan, 1.0]}, r"initial holds NaN .*\(0,\)"),
        ({"initial": [1 / 3] * 3}, r"must be \(T, 3\)"),
        ({"transition": np.eye(3)}, r"transition has shape \(3, 3\); it must be \(2, 2\)"),
        ({"transition": np.full((3, 2, 2), 0.5)}, r"or \(2, 2, 2\)"),
        ({"transition": [[0.5, 0.5], [0.5, 0.4]]}, r"transition must sum to 1 .*\(1,\)"),
        ({"transition": [[0.5, 0.5], [1.5, -0.5]]}, "transition holds a negative"),
        ({"transition": [[math.nan, 0.5], [1.0, 0.0]]}, "transition holds NaN"),
        ({"transition": [[math.inf, 0.5], [1.0, 0.0]]}, r"transition holds \+inf"),
        ({"log_likelihood": np.zeros(3)}, r"log_likelihood has shape \(3,\)"),
        ({"log_likelihood": np.zeros((0, 2))}, "at least 1"),
        ({"log_likelihood": [[0, 0], [0, math.nan], [0, 0]]}, r"log_likelihood holds NaN .*1, 1"),
        ({"log_likelihood": [[0, 0], [0, 0], [math.inf, 0]]}, r"log_likelihood holds \+inf"),
    ],
)
def test_bad_arguments_are_named(
    function: Callable[..., Any], change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        function(*GOOD._replace(**change))


@pytest.mark.parametrize("bad", [[["a", "b"]] * 3, np.zeros((3, 2), complex), [[None, 0]] * 3])
def test_what_is_not_numbers_is_refused(bad: Any) -> None:
    with pytest.raises(TypeError, match="log_likelihood holds"):
        forward_backward(*GOOD._replace(log_likelihood=bad))


def test_sums_within_the_tolerance_are_taken() -> None:
    result = forward_backward([0.5, 0.5 + 5e-9], GOOD.transition, GOOD.log_likelihood)
    np.testing.assert_allclose(result.smoothed.sum(axis=1), 1.0, rtol=1e-14)


def test_a_negative_number_of_paths_is_refused() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        sample_paths(*GOOD, -1, np.random.default_rng(0))
