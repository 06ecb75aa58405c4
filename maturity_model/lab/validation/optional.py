"""What only this part of the program needs, imported where it is used."""

from __future__ import annotations

import importlib
import importlib.util
from typing import Any

#: Modules and the packages that hold them.
PACKAGES = {"sklearn": "scikit-learn", "hmmlearn": "hmmlearn"}
#: What the pooled fits need besides.
FIT = {"pymc": "pymc", "arviz": "arviz", "xarray": "xarray"}


class MissingPackage(ImportError):
    """A package of an extra is not installed; the message says which."""


def missing(fit: bool = False) -> tuple[str, ...]:
    """Names of the packages that are not installed."""
    wanted = PACKAGES | (FIT if fit else {})
    return tuple(p for m, p in wanted.items() if importlib.util.find_spec(m) is None)


def need(module: str) -> Any:
    """Import a module of an optional package.

    Raises
    ------
    MissingPackage
        When it is not installed.
    """
    package = PACKAGES[module.partition(".")[0]]
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise MissingPackage(
            f"{package} is not installed; it comes with the extra 'validate'"
        ) from error
