"""A panel without the last weeks of some of its tanks."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from maturity_model.panel import Panel


def shorten(panel: Panel, less: dict[int, int]) -> Panel:
    """Take away the last ``less[n]`` weeks of tank n, as if the log had ended there."""
    keep = np.ones(int(panel.first[-1]), dtype=bool)
    weeks = np.diff(panel.first).copy()
    for n, gone in less.items():
        keep[panel.first[n + 1] - gone : panel.first[n + 1]] = False
        weeks[n] -= gone
    moved = np.cumsum(keep) - 1

    def observations(kind: Any) -> Any:
        inside = keep[kind.row]
        return replace(kind, row=moved[kind.row[inside]], code=kind.code[inside])

    rows = ("impulse", "pending", "husbandry", "checked", "water_known")
    kinds = ("signs", "readings", "judgements")
    return replace(
        panel,
        first=np.concatenate([[0], np.cumsum(weeks)]),
        **{name: getattr(panel, name)[keep] for name in rows},
        **{name: observations(getattr(panel, name)) for name in kinds},
    )
