"""What a fit learned, in quantities that a reader knows, prior beside posterior."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Floats
from maturity_model.population.priors import Priors

if TYPE_CHECKING:
    from maturity_model.fitting.diagnostics import Diagnostics


#: Levels of the quantiles in a :class:`Quantity`.
LEVELS = (0.05, 0.25, 0.5, 0.75, 0.95)
#: 95 % quantile of the standard normal.
_Z95 = 1.6448536269514722


@dataclass(frozen=True)
class Quantity:
    """One number about tanks, keepers or kits.

    Attributes
    ----------
    kind : str
        What it is, for example ``sojourn``.
    item, phase : str
        Of which sign, analyte, event, covariate or keeper; in which phase; or empty.
    unit : str
        UCUM code; ``1`` for a pure number.
    parameter : str
        The model's parameter behind it, named as in the diagnostics.
    mean, sd : float
    quantiles, prior : tuple of float
        At :data:`LEVELS`; ``prior`` is empty where there is none to compare with.
    """

    kind: str
    item: str
    phase: str
    unit: str
    parameter: str
    mean: float
    sd: float
    quantiles: tuple[float, ...]
    prior: tuple[float, ...]


_Derived = tuple[str, str, str, str, str, Floats]


def _weeks_in_phase(log_advance: Floats, n_stages: int) -> Floats:
    # Stages are passed one after another, each with a geometric number of weeks.
    return n_stages / -np.expm1(-np.exp(log_advance))


def _expit(x: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-x)))


def _moves(draws: Mapping[str, Floats], priors: Priors) -> Iterator[_Derived]:
    phases = priors.phases
    # The last phase is not left by advancing.
    for k, phase in enumerate(phases[:-1]):
        name, advance = f"log_advance[{phase}]", draws["log_advance"][:, k]
        yield "sojourn", "usual", phase, "wk", name, _weeks_in_phase(advance, priors.n_stages)
        if "pace_sd" in draws:
            for label, sign in (("fast (95 %)", 1), ("slow (5 %)", -1)):
                paced = advance + sign * _Z95 * draws["pace_sd"]
                yield "sojourn", label, phase, "wk", name, _weeks_in_phase(paced, priors.n_stages)
    for move in ("setback", "collapse"):
        for k, phase in enumerate(phases[1:]):
            values = 52.18 * np.exp(draws[f"log_{move}"][:, k])
            yield f"{move}_rate", "", phase, "/a", f"log_{move}[{phase}]", values
    for m, move in enumerate(("advance", "setback", "collapse")):
        for e, event in enumerate(priors.events):
            if priors.event_effect[e, m] != 0:
                values = np.exp(draws[f"event_{move}"][:, e])
                yield f"event_{move}", event, "", "1", f"event_{move}[{event}]", values
    for e, event in enumerate(priors.events):
        if (priors.event_effect[e] != 0).any():
            name = f"event_memory[{event}]"
            yield "event_memory", event, "", "wk", name, draws["event_memory"][:, e]
    for j, covariate in enumerate(priors.covariates):
        for k, phase in enumerate(phases):
            if priors.husbandry[j, k] != 0:
                name = f"husbandry[{covariate}, {phase}]"
                yield "husbandry", covariate, phase, "1", name, np.exp(draws["husbandry"][:, j, k])


def _observing(draws: Mapping[str, Floats], priors: Priors) -> Iterator[_Derived]:
    for g, sign in enumerate(priors.signs):
        for k, phase in enumerate(priors.phases):
            values = _expit(draws["sign_logit"][:, g, k])
            yield "detection", sign, phase, "1", f"sign_logit[{sign}, {phase}]", values
    if "persistence" in draws:
        for g, sign in enumerate(priors.signs):
            values = np.exp(draws["persistence"][:, g])
            yield "persistence", sign, "", "1", f"persistence[{sign}]", values
    for a, analyte in enumerate(priors.analytes):
        for k, phase in enumerate(priors.phases):
            where = f"[{analyte}, {phase}]"
            level = np.exp(draws["reading_mean"][:, a, k]) - priors.offset[a]
            yield "reading_level", analyte, phase, "mg/L", f"reading_mean{where}", level
            spread = draws["reading_sd"][:, a, k]
            yield "kit_noise", analyte, phase, "1", f"reading_sd{where}", spread
        yield "reading_carry", analyte, "", "1", f"carry[{analyte}]", draws["carry"][:, a]
    for i, look in enumerate(priors.looks):
        if priors.look_effect_sd[i] > 0:
            values = np.exp(draws["look_effect"][:, i])
            yield "look_effect", look, "", "1", f"look_effect[{look}]", values
    if "sign_tank_sd" in draws:
        for g, sign in enumerate(priors.signs):
            values = draws["sign_tank_sd"][:, g]
            yield "sign_tank_sd", sign, "", "1", f"sign_tank_sd[{sign}]", values
    for name in ("outlier", "judge_accuracy", "judge_repeat", "pace_sd", "skill_sd"):
        if name in draws:
            yield name, "", "", "1", name, draws[name]


def _quantiles(values: Floats) -> tuple[float, ...]:
    return tuple(float(q) for q in np.quantile(values, LEVELS))


def summarise(
    posterior: Mapping[str, Floats],
    prior: Mapping[str, Floats],
    priors: Priors,
    keepers: tuple[str, ...] = (),
) -> tuple[Quantity, ...]:
    """Say what a fit learned.

    Parameters
    ----------
    posterior, prior : mapping of str to ndarray, shape (D, ...)
        Draws of the model's variables, named as there.
    priors : Priors
    keepers : tuple of str
        Names for ``posterior["skill"]``, where that is wanted.

    Returns
    -------
    tuple of Quantity
    """
    out = []
    for part in (_moves, _observing):
        both = zip(part(posterior, priors), part(prior, priors), strict=True)
        for (kind, item, phase, unit, name, after), (*_, before) in both:
            out.append(
                Quantity(
                    kind, item, phase, unit, name, float(after.mean()), float(after.std()),
                    _quantiles(after), _quantiles(before),
                )
            )  # fmt: skip
    for i, keeper in enumerate(keepers):
        # Odds of seeing a small sign, against a keeper of usual skill.
        values = np.exp(posterior["skill"][:, i])
        out.append(
            Quantity(
                "skill", keeper, "", "1", f"skill[{keeper}]", float(values.mean()),
                float(values.std()), _quantiles(values), (),
            )
        )  # fmt: skip
    return tuple(out)


def convergence_of(diagnostics: Diagnostics) -> dict[str, tuple[float, float, float]]:
    """R-hat and effective draws (middle, tails) by parameter."""
    return {c.name: (c.r_hat, c.ess_bulk, c.ess_tail) for c in diagnostics.checks}
