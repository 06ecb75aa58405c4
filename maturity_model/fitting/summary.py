"""What a fit learned, in quantities that a reader knows, prior beside posterior."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from maturity_model._typing import Bools, Floats
from maturity_model.population.priors import Priors
from maturity_model.population.types import DIMS, OPTIONAL_DIMS

#: Quantiles of a quantity, by column.
LEVELS = {"q05": 0.05, "q25": 0.25, "q50": 0.5, "q75": 0.75, "q95": 0.95}
#: 95 % quantile of the standard normal.
_Z95 = 1.6448536269514722
_WEEKS_PER_YEAR = 52.18

_Draws = Mapping[str, Floats]
_Derived = tuple[str, str, str, str, str, Floats]


def _per_year(x: Floats) -> Floats:
    return np.asarray(_WEEKS_PER_YEAR * np.exp(x))


#: Quantity, variable of the model, unit, and how the one follows from the other.
_QUANTITIES: tuple[tuple[str, str, str, Callable[[Floats], Floats]], ...] = (
    ("setback_rate", "log_setback", "/a", _per_year),
    ("collapse_rate", "log_collapse", "/a", _per_year),
    ("event_advance", "event_advance", "1", np.exp),
    ("event_setback", "event_setback", "1", np.exp),
    ("event_collapse", "event_collapse", "1", np.exp),
    ("event_memory", "event_memory", "wk", np.asarray),
    ("husbandry", "husbandry", "1", np.exp),
    ("detection", "sign_logit", "1", expit),
    ("persistence", "persistence", "1", np.exp),
    ("reading_level", "reading_mean", "mg/L", np.exp),
    ("kit_noise", "reading_sd", "1", np.asarray),
    ("reading_carry", "carry", "1", np.asarray),
    ("look_effect", "look_effect", "1", np.exp),
    *((name, name, "1", np.asarray)
      for name in ("sign_tank_sd", "outlier", "judge_accuracy", "judge_repeat", "pace_sd",
                   "skill_sd")),
)  # fmt: skip


def _sojourns(draws: _Draws, priors: Priors) -> Iterator[_Derived]:
    # The stages of a phase take a geometric number of weeks each. The last phase is not left.
    tanks = {"usual": np.zeros(1)}
    if "pace_sd" in draws:
        spread = _Z95 * draws["pace_sd"]
        tanks |= {"fast (95 %)": spread, "slow (5 %)": -spread}
    for k, phase in enumerate(priors.phases[:-1]):
        for item, pace in tanks.items():
            hazard = np.exp(draws["log_advance"][:, k] + pace)
            weeks = priors.n_stages / -np.expm1(-hazard)
            yield "sojourn", item, phase, "wk", f"log_advance[{phase}]", weeks


def _learned(priors: Priors) -> dict[str, Bools]:
    # Which entries of a variable are learned, where some are fixed by the catalogue.
    acts = priors.event_effect != 0
    moves = ("advance", "setback", "collapse")
    return {
        **{f"event_{move}": acts[:, m] for m, move in enumerate(moves)},
        "event_memory": acts.any(axis=1),
        "husbandry": priors.husbandry != 0,
        "look_effect": priors.look_effect_sd > 0,
    }


def _derive(draws: _Draws, priors: Priors) -> Iterator[_Derived]:
    yield from _sojourns(draws, priors)
    learned = _learned(priors)
    coords = {
        "phase": priors.phases, "sign": priors.signs, "analyte": priors.analytes,
        "event": priors.events, "covariate": priors.covariates, "look": priors.looks,
    }  # fmt: skip
    for quantity, variable, unit, derive in _QUANTITIES:
        if variable not in draws:
            continue
        values, dims = derive(draws[variable]), (DIMS | OPTIONAL_DIMS)[variable][:-1]
        if quantity == "reading_level":
            values = values - priors.offset[:, None]
        for where in np.argwhere(learned.get(variable, np.ones(values.shape[1:], bool))):
            # Draws of setbacks and collapses begin with the second phase.
            first = variable in ("log_setback", "log_collapse")
            labels = {d: coords[d][i + first] for d, i in zip(dims, where, strict=True)}
            item = "".join(label for d, label in labels.items() if d != "phase")
            parameter = f"{variable}[{', '.join(labels.values())}]" if labels else variable
            at = (slice(None), *where)
            yield quantity, item, labels.get("phase", ""), unit, parameter, values[at]


def _row(derived: _Derived, prior: Floats | None = None) -> dict[str, Any]:
    quantity, item, phase, unit, parameter, draws = derived
    levels = list(LEVELS.values())
    before = np.full(len(levels), np.nan) if prior is None else np.quantile(prior, levels)
    return {
        "quantity": quantity,
        "item": item,
        "phase": phase,
        "unit": unit,
        "mean": draws.mean(),
        "sd": draws.std(),
        **dict(zip(LEVELS, np.quantile(draws, levels), strict=True)),
        **{f"prior_{name}": value for name, value in zip(LEVELS, before, strict=True)},
        "parameter": parameter,
    }


def summarise(
    posterior: _Draws, prior: _Draws, priors: Priors, keepers: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Summarise what a fit learned, from draws of the model's variables, (D, ...).

    ``keepers`` are names for ``posterior["skill"]``, where keepers are to be summarised.

    Returns
    -------
    pandas.DataFrame
        A quantity a row. ``quantity`` says what it is, for example ``sojourn``; ``item`` and
        ``phase`` of which sign, analyte, event, covariate or keeper, and in which phase, or are
        empty; ``unit`` is a UCUM code, ``1`` for a pure number; ``mean``, ``sd`` and quantiles
        (:data:`LEVELS`) of the posterior, and ``prior_`` quantiles, NaN where there is no prior
        to compare with; ``parameter`` is the model's behind it, named as in the diagnostics.
    """
    both = zip(_derive(posterior, priors), _derive(prior, priors), strict=True)
    rows = [_row(derived, before) for derived, (*_, before) in both]
    for i, keeper in enumerate(keepers):
        # Odds of seeing a small sign, against a keeper of usual skill.
        odds = np.exp(posterior["skill"][:, i])
        rows.append(_row(("skill", keeper, "", "1", f"skill[{keeper}]", odds)))
    return pd.DataFrame(rows)
