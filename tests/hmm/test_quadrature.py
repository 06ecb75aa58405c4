"""Quadrature against the moments of a standard normal variable."""

from __future__ import annotations

import math

import pytest

from maturity_model.hmm.quadrature import normal_nodes


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 7])
def test_moments_are_exact_to_degree_2n_minus_1(n: int) -> None:
    nodes, weights = normal_nodes(n)
    for degree in range(2 * n):
        # E[Z^m] = (m - 1)!! for even m, 0 for odd m.
        moment = 0.0 if degree % 2 else float(math.prod(range(degree - 1, 0, -2)))
        assert weights @ nodes**degree == pytest.approx(moment, rel=1e-12, abs=1e-10)
    # And no further.
    assert abs(weights @ nodes ** (2 * n) - math.prod(range(2 * n - 1, 0, -2))) > 0.1


@pytest.mark.parametrize("n", [0, -3])
def test_needs_a_node(n: int) -> None:
    with pytest.raises(ValueError, match="positive"):
        normal_nodes(n)
