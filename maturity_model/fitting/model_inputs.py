"""What a fitted population came from, as JSON documents for its file.

The catalogue and the priors' values go with the draws, so that a reader years later need
not trust that this program's catalogue is still the same. The log never does.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from typing import Any

import numpy as np

from maturity_model.catalogue import Catalogue
from maturity_model.population.priors import Priors, Spread


def _plain(value: Any) -> Any:
    # Strict JSON: what is not finite becomes a word that ``float`` understands.
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


def _json(value: Any) -> str:
    return json.dumps(_plain(value), allow_nan=False, ensure_ascii=True, separators=(",", ":"))


def catalogue_json(catalogue: Catalogue) -> str:
    """All trade knowledge behind a population, a source mark beside each number."""
    return _json(catalogue)


def priors_json(priors: Priors) -> str:
    """The values of all priors."""
    return _json(priors)


def priors_from_json(text: str) -> Priors:
    """Read back what :func:`priors_json` wrote.

    Parameters
    ----------
    text : str

    Returns
    -------
    Priors

    Raises
    ------
    ValueError
        When a prior is missing or of another kind.
    """
    try:
        found = json.loads(text)
        values: dict[str, Any] = {}
        for f in dataclasses.fields(Priors):
            value = found[f.name]
            if isinstance(value, dict):
                values[f.name] = Spread(float(value["mean"]), float(value["sd"]))
            elif isinstance(value, list) and not _names(value):
                values[f.name] = np.asarray(value, dtype=np.float64)
            else:
                values[f.name] = tuple(value) if isinstance(value, list) else int(value)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"not the values of priors ({error!r})") from None
    return Priors(**values)


def _names(values: list[Any]) -> bool:
    def number(text: Any) -> bool:
        try:
            float(text)
        except (TypeError, ValueError):
            return False
        return True

    flat = values
    while flat and isinstance(flat[0], list):
        flat = flat[0]
    return bool(flat) and not number(flat[0])


def documents(catalogue: Catalogue, priors: Priors) -> dict[str, str]:
    """The documents that go into the file of a fitted population."""
    return {"catalogue": catalogue_json(catalogue), "priors": priors_json(priors)}


def digest(text: str) -> str:
    """SHA-256 of a document, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()
