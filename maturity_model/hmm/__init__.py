"""The engine: hidden Markov chains, filtered, smoothed and looked ahead. Knows no aquaria.

Names are imported on first use, so that only the kernels that are needed get loaded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

_WHERE = {
    "BestPath": "maturity_model.hmm.chain",
    "ForwardBackward": "maturity_model.hmm.chain",
    "ImpossibleDataError": "maturity_model.hmm.chain",
    "best_path": "maturity_model.hmm.chain",
    "forecast": "maturity_model.hmm.chain",
    "forward_backward": "maturity_model.hmm.chain",
    "sample_paths": "maturity_model.hmm.chain",
}

__all__ = [*_WHERE]

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


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        import importlib

        return getattr(importlib.import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
