"""What a fitted population came from, as JSON documents for its file.

The catalogue and the priors' values go with the draws, so that a reader years later need
not trust that this program's catalogue is still the same. The log is never in the file.
"""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np

from maturity_model.catalogue import Catalogue
from maturity_model.population.priors import Priors


def _plain(value: Any) -> Any:
    # Strict JSON: a number that is not finite becomes a word that ``float`` understands.
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, float | np.floating):
        number = float(value)
        return number if math.isfinite(number) else str(number)
    if hasattr(value, "_asdict"):
        return {k: _plain(v) for k, v in value._asdict().items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {"/".join(k) if isinstance(k, tuple) else k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def to_json(value: Catalogue | Priors) -> str:
    """A catalogue, with the source beside each number, or the values of all priors."""
    return json.dumps(_plain(value), allow_nan=False, ensure_ascii=True, separators=(",", ":"))
