"""Judgements by hand, and the one definition in NumPy's hands and in a graph's."""

from __future__ import annotations

import numpy as np
import pytest

from maturity_model.population.judgements import confusion, judgement_probabilities


def test_a_wrong_phase_halves_with_each_phase_of_distance() -> None:
    found = confusion(0.8, 4)[:, :, 0]
    # From the second phase the others are 1, 1 and 2 away: chances as 2 : 2 : 1.
    np.testing.assert_allclose(found[1], [0.08, 0.8, 0.08, 0.04], rtol=1e-14)
    np.testing.assert_allclose(found.sum(axis=1), 1.0, rtol=1e-14)


def test_a_judgement_is_repeated_or_made() -> None:
    accuracy, repeat = np.array([0.8, 0.6]), np.array([0.3, 0.5])
    found = judgement_probabilities(accuracy, repeat, 3)
    assert found.shape == (4, 3, 3, 2)
    looked = confusion(accuracy, 3)
    for true in range(3):
        for named in range(3):
            np.testing.assert_array_equal(found[0, named, true], looked[true, named])
            for before in range(3):
                expected = repeat * (named == before) + (1 - repeat) * looked[true, named]
                np.testing.assert_allclose(found[before + 1, named, true], expected, rtol=1e-14)


@pytest.mark.fit
def test_a_graph_holds_the_same_numbers() -> None:
    pt = pytest.importorskip("pytensor.tensor", reason="the extra 'fit' is not installed")
    accuracy, repeat = pt.scalar("accuracy"), pt.scalar("repeat")
    graph = judgement_probabilities(accuracy, repeat, 4)
    found = graph.eval({accuracy: 0.7, repeat: 0.2}, mode="NUMBA")
    np.testing.assert_allclose(found, judgement_probabilities(0.7, 0.2, 4), rtol=1e-14)
