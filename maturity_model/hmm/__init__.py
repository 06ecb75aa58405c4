"""The engine: hidden Markov chains, filtered, smoothed and forecast. It knows no aquaria.

``chain.py`` is any chain in logarithms, for checks and small problems. The weekly command runs
the staged chain of ``staged.py``: ``mixture.py`` filters it under all draws and nodes with the
compiled ``*_kernels.py``, and ``native.py`` caches their machine code. Imports are NumPy and
numba only. A kernel is plain ``numba.njit``, lanes last, scratch passed in; one that the weekly
command runs needs its signature in ``native.py``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.lazy_exports import lazy_exports

__all__ = [
    "BestPath",
    "ForwardBackward",
    "ImpossibleDataError",
    "best_path",
    "forecast",
    "forward_backward",
    "sample_paths",
]
_MODULES = dict.fromkeys(__all__, "maturity_model.hmm.chain")

if TYPE_CHECKING:
    from maturity_model.hmm.chain import (
        BestPath,
        ForwardBackward,
        ImpossibleDataError,
        best_path,
        forecast,
        forward_backward,
        sample_paths,
    )

__getattr__, __dir__ = lazy_exports(__name__, _MODULES)
