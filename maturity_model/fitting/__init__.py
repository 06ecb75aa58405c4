"""The pooled fit with PyMC (extra ``fit``): from a club's logs to a population.

Everything that imports PyMC, PyTensor or ArviZ lives here, and nothing in the weekly path
imports this folder. ``model.py`` is the model, ``likelihood.py`` its likelihood, ``kernels/``
the compiled Ops behind it, ``handing_on/`` decides what the weekly command gets of a fit, and
``report/`` writes the researcher's page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

_WHERE = {
    "Priors": "maturity_model.population.priors",
    "build_model": "maturity_model.fitting.model",
    "fit": "maturity_model.fitting.pooled_fit",
}

__all__ = [*_WHERE]

if TYPE_CHECKING:
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.pooled_fit import fit
    from maturity_model.population.priors import Priors


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        import importlib

        return getattr(importlib.import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
