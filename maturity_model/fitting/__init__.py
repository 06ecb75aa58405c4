"""The pooled fit with PyMC (extra ``fit``): from a club's logs to a population.

Everything that imports PyMC, PyTensor or ArviZ lives here, and nothing in the weekly path
imports this folder. ``model.py`` is the model, ``likelihood.py`` its likelihood, ``kernels/``
the compiled Ops behind it, ``handing_on/`` decides what the weekly command gets of a fit, and
``report/`` writes the researcher's page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.lazy_exports import lazy_exports

_MODULES = {
    "Priors": "maturity_model.population.priors",
    "build_model": "maturity_model.fitting.model",
    "fit": "maturity_model.fitting.pooled_fit",
}

__all__ = [
    "Priors",
    "build_model",
    "fit",
]

if TYPE_CHECKING:
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.pooled_fit import fit
    from maturity_model.population.priors import Priors

__getattr__, __dir__ = lazy_exports(__name__, _MODULES)
