"""Public names of a package, each imported on first use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any


def lazy_exports(
    package: str, modules: Mapping[str, str]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Make the ``__getattr__`` and ``__dir__`` of a package that imports its names lazily.

    Importing the package then costs nothing, and nobody pays for a dependency that the name
    in use does not need (PEP 562). ``modules`` says which module defines each public name.

    Examples
    --------
    >>> getattr_, dir_ = lazy_exports("shop", {"sqrt": "math"})
    >>> getattr_("sqrt")(9.0)
    3.0
    """

    def getattr_(name: str) -> Any:
        if name not in modules:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        import importlib

        return getattr(importlib.import_module(modules[name]), name)

    def dir_() -> list[str]:
        return sorted(modules)

    return getattr_, dir_
