"""Numbers printed in textbooks, to the digits printed.

Marks: [R] read at the source, [C] computed with a reference library, [M] from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from maturity_model.hmm.chain import best_path, forward_backward

# Umbrella world: Russell and Norvig, *Artificial Intelligence: A Modern Approach*, chapter
# 14 or 15 by edition [R, C]. Day 0 is 0.5/0.5, which one move leaves unchanged.
START = [0.5, 0.5]
MOVE = [[0.7, 0.3], [0.3, 0.7]]
UMBRELLA = [0.9, 0.2]  # given rain, no rain


def umbrella_days(days: str) -> np.ndarray:
    seen = np.array(UMBRELLA)
    return np.log([seen if day == "U" else 1 - seen for day in days])


def test_umbrella_two_days() -> None:
    result = forward_backward(START, MOVE, umbrella_days("UU"))
    np.testing.assert_allclose(result.filtered[:, 0], [0.818182, 0.883357], atol=5e-7)
    assert result.smoothed[0, 0] == pytest.approx(0.883357, abs=5e-7)
    assert math.exp(result.log_likelihood) == pytest.approx(0.3515, abs=5e-13)


def test_umbrella_five_days() -> None:
    days = umbrella_days("UUNUU")
    result = forward_backward(START, MOVE, days)
    expected = [0.867339, 0.820419, 0.307484, 0.820419, 0.867339]
    np.testing.assert_allclose(result.smoothed[:, 0], expected, atol=5e-7)
    assert math.exp(result.log_likelihood) == pytest.approx(0.0343037, abs=5e-8)
    best = best_path(START, MOVE, days)
    assert best.path.tolist() == [0, 0, 1, 0, 0]  # rain, rain, none, rain, rain
    assert math.exp(best.log_probability) == pytest.approx(0.0115736, abs=5e-8)


# Major earthquakes (magnitude 7 or more) a year, 1900 to 2006: Zucchini and MacDonald,
# *Hidden Markov Models for Time Series*; the counts are also in the hmmlearn source
# distribution's Poisson example [R].
EARTHQUAKES = np.array(
    """
    13 14 8 10 16 26 32 27 18 32 36 24 22 23 22 18 25 21 21 14 8 11 14 23 18 17 19 20 22 19 13 26
    13 14 22 24 21 22 26 21 23 24 27 41 31 27 35 26 28 36 39 21 17 22 17 19 15 34 10 15 22 18 15
    20 15 22 19 16 30 27 29 23 20 16 21 21 25 16 18 15 18 14 10 15 8 15 6 11 8 7 18 16 13 12 13 20
    15 16 12 18 15 16 13 15 16 11 11
    """.split(),
    dtype=float,
)


def poisson(rates: list[float]) -> np.ndarray:
    count = EARTHQUAKES[:, None]
    factorial = np.array([math.lgamma(c + 1) for c in EARTHQUAKES])[:, None]
    return count * np.log(rates) - np.array(rates) - factorial


def test_earthquakes_two_states() -> None:
    # Fit with a free start: printed -log L 341.87870 [R, C]. Tolerance 1e-3 as the printed
    # transition probabilities are rounded.
    assert len(EARTHQUAKES) == 107
    move = [[1 - 0.071626, 0.071626], [0.11903, 1 - 0.11903]]
    result = forward_backward([1.0, 0.0], move, poisson([15.421, 26.018]))
    assert -result.log_likelihood == pytest.approx(341.87870, abs=1e-3)


def test_earthquakes_three_states() -> None:
    # Fit with a free start: printed -log L 328.52748 [R, C]. Rates and moves from memory of
    # the book's table [M]; that they reach the printed likelihood confirms them.
    move = np.array([[0.9393, 0.0321, 0.0286], [0.0404, 0.9064, 0.0532], [0.0, 0.1903, 0.8097]])
    result = forward_backward([1.0, 0.0, 0.0], move, poisson([13.134, 19.713, 29.710]))
    assert -result.log_likelihood == pytest.approx(328.52748, abs=1e-3)


def climb(rates: np.ndarray, move: np.ndarray, start: np.ndarray) -> float:
    """Baum and Welch's steps to a maximum of the likelihood, through our smoother alone.

    The expected moves come from the derivative of log L with respect to a move, taken by
    smoothing pairs of years: a chain on pairs of states has them as its own states.
    """
    states = len(rates)
    previous = -np.inf
    for _ in range(2000):
        log_data = poisson(list(rates))
        # States (i, j) of years t and t + 1, in the order i * states + j.
        pair_start = (start[:, None] * move).ravel()
        pair_move = np.zeros((states * states, states * states))
        for i in range(states):
            for j in range(states):
                pair_move[i * states + j, j * states : (j + 1) * states] = move[j]
        pair_data = np.tile(log_data[1:], (1, states))
        pair_data[0] += np.repeat(log_data[0], states)
        result = forward_backward(pair_start, pair_move, pair_data)
        pairs = result.smoothed.reshape(-1, states, states)
        first = pairs.sum(axis=2)
        occupied = np.vstack([first, pairs[-1].sum(axis=0)])
        rates = (occupied * EARTHQUAKES[:, None]).sum(axis=0) / occupied.sum(axis=0)
        move = pairs.sum(axis=0) / first.sum(axis=0)[:, None]
        move /= move.sum(axis=1, keepdims=True)
        start = occupied[0] / occupied[0].sum()
        if result.log_likelihood - previous < 1e-10:
            break
        assert result.log_likelihood >= previous  # each step of EM climbs
        previous = result.log_likelihood
    return previous


@pytest.mark.parametrize(
    ("rates", "printed"), [([10.0, 30.0], 341.87870), ([10.0, 20.0, 30.0], 328.52748)]
)
def test_earthquakes_from_scratch(rates: list[float], printed: float) -> None:
    # The printed fits are maxima of the likelihood: found again from a rough start.
    states = len(rates)
    move = np.full((states, states), 0.1 / (states - 1))
    np.fill_diagonal(move, 0.9)
    found = climb(np.array(rates), move, np.full(states, 1 / states))
    assert -found == pytest.approx(printed, abs=2e-5)
