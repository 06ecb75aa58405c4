"""Bayesian maturity-state estimator for marine aquaria.

The public names below are imported on first use, so that ``import
maturity_model`` costs nothing and the weekly command never pays for the
pooled fit's dependencies.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_WHERE = {
    "read_logbook": "maturity_model.logbook",
    "Logbook": "maturity_model.logbook",
    "load_catalogue": "maturity_model.catalogue",
    "build_panel": "maturity_model.panel",
    "Panel": "maturity_model.panel",
    "load_population": "maturity_model.population",
    "Population": "maturity_model.population",
    "assess": "maturity_model.assessment",
    "Assessment": "maturity_model.assessment",
}

__all__ = ["__version__", *_WHERE]

if TYPE_CHECKING:
    from maturity_model.assessment import Assessment, assess
    from maturity_model.catalogue import load_catalogue
    from maturity_model.logbook import Logbook, read_logbook
    from maturity_model.panel import Panel, build_panel
    from maturity_model.population import Population, load_population


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        import importlib

        return getattr(importlib.import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
