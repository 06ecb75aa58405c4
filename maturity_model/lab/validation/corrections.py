"""A population brought to what a world shows, one part at a time: which part is to blame.

This uses true phases, and serves the diagnosis only. The program never sees it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from maturity_model.population.types import Population

#: What is brought to the world, by name.
CORRECTIONS: dict[str, tuple[str, ...]] = {
    "signs": ("sign",),
    "readings": ("reading",),
    "time in phases": ("dwell",),
    "all": ("sign", "reading", "dwell"),
}
#: Fewer answers than this correct nothing.
FEWEST = 20


def _logit(p: float) -> float:
    p = min(max(p, 0.005), 0.995)
    return float(np.log(p / (1 - p)))


def corrected(
    population: Population, rows: Sequence[Mapping[str, Any]], parts: Collection[str]
) -> Population:
    """The population with some of its means shifted to what was observed.

    Parameters
    ----------
    population : Population
    rows : sequence of mapping
        Of :func:`.diagnosis.against`, from tanks that are not scored.
    parts : collection of str
        ``sign``: the log-odds of seeing, by sign and phase. ``reading``: mean and spread of
        the log level, by analyte and phase. ``dwell``: the weeks in a phase that was left
        for the next. Spreads between draws, persistence and all else stay.
    """
    sign = population.sign_logit.copy()
    mean, sd = population.reading_mean.copy(), population.reading_sd.copy()
    advance = population.log_advance.copy()
    for row in rows:
        if row["kind"] not in parts or row["n"] < FEWEST:
            continue
        item = row["item"]
        if row["kind"] == "sign":
            at = population.signs.index(item), population.phases.index(row["phase"])
            sign[at] += _logit(row["observed"]) - _logit(row["expected"])
        elif row["kind"] == "reading":
            at = population.analytes.index(item), population.phases.index(row["phase"])
            mean[at] += row["observed"] - row["expected"]
            sd[at] *= max(row["observed_sd"], 0.2) / row["expected_sd"]
        else:
            k = population.phases.index(item)
            advance[k] -= np.log(row["observed"] / row["expected"])
    return replace(
        population, sign_logit=sign, reading_mean=mean, reading_sd=sd, log_advance=advance
    )
