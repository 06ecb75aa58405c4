"""Many logbooks as one pool that names nobody, and back to a logbook for the fit."""

from maturity_model.pooling.problems import PoolError, PoolMismatch
from maturity_model.pooling.read import is_pool, read_pool

__all__ = ["PoolError", "PoolMismatch", "is_pool", "read_pool"]
