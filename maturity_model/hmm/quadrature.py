"""Gauss-Hermite quadrature for a standard normal variable."""

from __future__ import annotations

import numpy as np

from maturity_model._typing import Floats


def normal_nodes(n: int) -> tuple[Floats, Floats]:
    """Nodes and weights of E[f(Z)], Z ~ N(0, 1): exact for polynomials to degree 2n-1.

    Golub and Welsch 1969, *Mathematics of Computation* 23: 221-230.

    Parameters
    ----------
    n : int
        Number of nodes, at least 1.

    Returns
    -------
    nodes, weights : ndarray, shape (n,)
        Weights sum to 1.
    """
    if n < 1:
        raise ValueError(f"quadrature needs at least one node, not {n}")
    off = np.sqrt(np.arange(1.0, n))
    nodes, vectors = np.linalg.eigh(np.diag(off, 1) + np.diag(off, -1))
    # The rule is symmetric; eigh leaves rounding in it.
    nodes = (nodes - nodes[::-1]) / 2
    weights = vectors[0] ** 2
    weights = weights + weights[::-1]
    return nodes, weights / weights.sum()
