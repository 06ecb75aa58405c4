"""Bayesian maturity-state estimator for marine aquaria.

The weekly path: ``catalogue/`` (trade knowledge), ``logbook/`` (files in, problems out),
``panel/`` (the weekly grid), ``hmm/`` (the engine), ``population/`` (draws of what tanks
share), ``assessment/`` (what a keeper asks), ``report/`` (pages), ``cli/`` (commands).
Beside it: ``fitting/`` (everything that imports PyMC), ``pooling/`` and ``scoring/`` (many
logbooks), ``lab/`` (what proves the product). Imports point one way; ``tests/test_layers.py``
says which.

The public names are imported on first use, so that the weekly command never pays for the
dependencies of a pooled fit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.lazy_exports import lazy_exports

__version__ = "0.1.0"

_MODULES = {
    "Catalogue": "maturity_model.catalogue",
    "load_catalogue": "maturity_model.catalogue",
    "Logbook": "maturity_model.logbook",
    "LogbookError": "maturity_model.logbook",
    "read_logbook": "maturity_model.logbook",
    "read_pool": "maturity_model.pooling",
    "Panel": "maturity_model.panel",
    "build_panel": "maturity_model.panel",
    "Population": "maturity_model.population",
    "PopulationError": "maturity_model.population",
    "elicit_population": "maturity_model.population",
    "load_population": "maturity_model.population",
    "save_population": "maturity_model.population",
    "Assessment": "maturity_model.assessment",
    "TankAssessment": "maturity_model.assessment",
    "assess": "maturity_model.assessment",
    "write_reports": "maturity_model.report",
    "Priors": "maturity_model.fitting",
    "build_model": "maturity_model.fitting",
    "fit": "maturity_model.fitting",
}

__all__ = [
    "Assessment",
    "Catalogue",
    "Logbook",
    "LogbookError",
    "Panel",
    "Population",
    "PopulationError",
    "Priors",
    "TankAssessment",
    "__version__",
    "assess",
    "build_model",
    "build_panel",
    "elicit_population",
    "fit",
    "load_catalogue",
    "load_population",
    "read_logbook",
    "read_pool",
    "save_population",
    "write_reports",
]

if TYPE_CHECKING:
    from maturity_model.assessment import Assessment, TankAssessment, assess
    from maturity_model.catalogue import Catalogue, load_catalogue
    from maturity_model.fitting import Priors, build_model, fit
    from maturity_model.logbook import Logbook, LogbookError, read_logbook
    from maturity_model.panel import Panel, build_panel
    from maturity_model.pooling import read_pool
    from maturity_model.population import (
        Population,
        PopulationError,
        elicit_population,
        load_population,
        save_population,
    )
    from maturity_model.report import write_reports

__getattr__, __dir__ = lazy_exports(__name__, _MODULES)
