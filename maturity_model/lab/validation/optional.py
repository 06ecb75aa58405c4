"""Packages of the extra 'validate', which are imported where they are used."""

from __future__ import annotations

import importlib.util

#: By module.
PACKAGES = {"sklearn": "scikit-learn", "hmmlearn": "hmmlearn", "pandas": "pandas",
            "matplotlib": "matplotlib", "scipy": "scipy"}  # fmt: skip


def lacking_packages(fit: bool) -> str:
    """Which packages are not installed, and the extra that brings them; empty where none is."""
    from maturity_model.fitting.command import missing_modules

    absent = [p for m, p in PACKAGES.items() if importlib.util.find_spec(m) is None]
    for names, extra in ((absent, "validate"), (missing_modules() if fit else (), "fit")):
        if names:
            return f"{', '.join(names)} not installed; this needs the extra '{extra}'"
    return ""
