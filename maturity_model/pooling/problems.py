"""Why a pool cannot be made or read."""

from __future__ import annotations


class PoolError(ValueError):
    """A pool cannot be made or read; the message says why, and what to do."""


class PoolWarning(UserWarning):
    """A pool can be used, but should be made again."""


class PoolMismatch(PoolError):
    """A pool and this program's catalogue do not fit together."""
