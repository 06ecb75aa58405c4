"""The engine: hidden Markov chains, filtered, smoothed and looked ahead. Knows no aquaria.

Names are imported on first use, so that only the kernels that are needed get loaded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from maturity_model.lazy_exports import lazy_exports

_MODULES = {
    "BestPath": "maturity_model.hmm.chain",
    "ForwardBackward": "maturity_model.hmm.chain",
    "ImpossibleDataError": "maturity_model.hmm.chain",
    "best_path": "maturity_model.hmm.chain",
    "forecast": "maturity_model.hmm.chain",
    "forward_backward": "maturity_model.hmm.chain",
    "sample_paths": "maturity_model.hmm.chain",
}

__all__ = [
    "BestPath",
    "ForwardBackward",
    "ImpossibleDataError",
    "best_path",
    "forecast",
    "forward_backward",
    "sample_paths",
]

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
