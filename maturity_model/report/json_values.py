"""Values of the package's own types as JSON has them."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np


def as_json(value: object, *leave_out: str) -> Any:
    """Turn a value into what JSON can hold, without the fields named in ``leave_out``.

    A dataclass or named tuple becomes an object with its fields as keys, an array or tuple a
    list, and so all the way down; a date becomes its ISO text. JSON knows neither infinity nor
    NaN: they are null.
    """
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: as_json(x) for key, x in value.items()}
    if is_dataclass(value):
        names = (f.name for f in fields(value) if f.name not in leave_out)
        return {name: as_json(getattr(value, name)) for name in names}
    if isinstance(value, (tuple, list)):
        keys = getattr(value, "_fields", None)
        items = map(as_json, value)
        return list(items) if keys is None else dict(zip(keys, items, strict=True))
    raise TypeError(f"{type(value).__name__} has no form in JSON")
