"""Pools: many logbooks as one under pseudonyms, and back to a logbook for the fit.

Writing: ``command`` (the whole of it), ``logbook_arrays``, ``duplicates``, ``merge``, ``write``.
Reading: ``read``, ``descriptor``, ``as_logbook``. Both keep to ``tables``; a change there needs
a new ``FORMAT``. No name, note or date of a club may get into a pool.
"""

from maturity_model.pooling.problems import PoolError, PoolMismatch
from maturity_model.pooling.read import is_pool, read_pool

__all__ = ["PoolError", "PoolMismatch", "is_pool", "read_pool"]
