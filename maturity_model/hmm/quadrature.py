"""Gauss-Hermite quadrature for a standard normal variable."""

from __future__ import annotations

from numpy.polynomial.hermite_e import hermegauss

from maturity_model._typing import Floats


def normal_nodes(n: int) -> tuple[Floats, Floats]:
    """Nodes and weights of E[f(Z)], Z ~ N(0, 1): exact for polynomials to degree 2n-1.

    Parameters
    ----------
    n : int
        Number of nodes, at least 1.

    Returns
    -------
    nodes, weights : ndarray, shape (n,)
        Weights sum to 1.
    """
    nodes, weights = hermegauss(n)
    return nodes, weights / weights.sum()
