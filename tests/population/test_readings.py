"""What a reading is held against, by hand, and in a graph."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.population.readings import carried_over, on_log_scale, wide_normal


def test_intervals_on_the_log_scale() -> None:
    codes = np.zeros(3, dtype=[("low", "f8"), ("high", "f8"), ("previous", "f8")])
    codes["low"], codes["high"], codes["previous"] = (
        [-1.0, 0.0, 0.5],
        [0.1, np.inf, 1.0],
        [-1, 0, 2],
    )
    low, high, previous = on_log_scale(codes, np.array([0.01, 0.0, 0.5]))
    np.testing.assert_allclose(low, [-np.inf, -np.inf, 0.0])
    np.testing.assert_allclose(high, np.log([0.11, np.inf, 1.5]))
    np.testing.assert_allclose(previous, [np.log(0.01), -np.inf, np.log(2.5)])


def test_a_full_pull_is_the_reading_before() -> None:
    mean, sd = carried_over(np.array([1.0, 2.0]), np.array([0.5, 0.4]), np.array([0.0, 1.0]), 5.0)
    np.testing.assert_allclose(mean, [1.0, 5.0])
    np.testing.assert_allclose(sd, [0.5, 0.0])
    # Halfway, sd^2 = (1 - 0.6^2) of what it was.
    assert carried_over(1.0, 0.5, 0.6, 3.0) == (pytest.approx(2.2), pytest.approx(0.4))


@pytest.mark.fit
def test_a_graph_holds_the_same_numbers() -> None:
    pt = pytest.importorskip("pytensor.tensor", reason="the extra 'fit' is not installed")
    rng = np.random.default_rng(1)
    values = [rng.normal(size=(3, 4)), rng.uniform(0.1, 1, (3, 4)), rng.uniform(0, 1, (3, 1))]
    inputs = [pt.matrix("mean"), pt.matrix("sd"), pt.col("pull")]
    graph = [*carried_over(*inputs, 0.7), *wide_normal(*inputs[:2])]
    expected = [*carried_over(*values, 0.7), *wide_normal(*values[:2])]
    for one, want in zip(graph, expected, strict=True):
        given = dict(zip(inputs, values, strict=True))
        found = one.eval(given, mode="FAST_COMPILE", on_unused_input="ignore")
        np.testing.assert_allclose(found, want, rtol=1e-14)
