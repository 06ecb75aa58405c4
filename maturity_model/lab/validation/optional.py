"""Packages of the extra 'validate', which are imported where they are used."""

from __future__ import annotations

import importlib.util

#: By module.
PACKAGES = {"sklearn": "scikit-learn", "hmmlearn": "hmmlearn", "pandas": "pandas",
            "matplotlib": "matplotlib"}  # fmt: skip
#: What the pooled fits need besides.
FIT = {"pymc": "pymc", "arviz": "arviz", "xarray": "xarray"}


def missing(fit: bool = False) -> tuple[str, ...]:
    """Names of the packages that are not installed."""
    wanted = PACKAGES | (FIT if fit else {})
    return tuple(p for m, p in wanted.items() if importlib.util.find_spec(m) is None)
