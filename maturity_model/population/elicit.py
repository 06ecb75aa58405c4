"""The default population: draws from priors elicited from the catalogue.

No pooled fit lies behind it. Each number comes from the catalogue with its source mark;
the spreads are wide because common practice is all there is.
"""

from __future__ import annotations

import hashlib
import math
from typing import Any

import numpy as np

from maturity_model._typing import Floats
from maturity_model.catalogue import Catalogue, Sign
from maturity_model.population.constants import (
    BASELINE_SD,
    CARRY_SD,
    DEFAULT_DRAWS,
    DEFAULT_SEED,
    LEAST_SD,
    PERSISTENCE_SD,
    READING_SD_SD,
)
from maturity_model.population.priors import Priors, Spread, priors_from_catalogue
from maturity_model.population.types import Population

Random = np.random.Generator


def _logit(p: float) -> float:
    return math.log(p) - math.log1p(-p)


def _truncated(rng: Random, mean: float, sd: float, low: float, n: int) -> Floats:
    # Normal beyond `low`, by rejection: these spreads are small compared with the mean.
    out = rng.normal(mean, sd, n)
    while (bad := out <= low).any():
        out[bad] = rng.normal(mean, sd, int(bad.sum()))
    return out


def _effects(rng: Random, centre: Floats, sd: Floats, n: int) -> Floats:
    # An effect that the catalogue puts at exactly 0 stays 0.
    draws = centre[..., None] + sd[..., None] * rng.normal(size=(*centre.shape, n))
    return np.where(centre[..., None] == 0, 0.0, draws)


def draw_sign(sign: Sign, n: int, seed: int = DEFAULT_SEED) -> tuple[Floats, Floats]:
    """Prior draws for one sign: log-odds by phase, shape (K, n), and persistence, shape (n,).

    Half of the variance of a phase's log-odds is shared by all phases (a sign that is
    rare in a region is rare in every phase), half is the phase's own. Each sign has its own
    random stream, so that adding a club's sign leaves all other draws as they are.
    """
    digest = hashlib.sha256(sign.name.encode()).digest()
    rng = np.random.default_rng([seed, int.from_bytes(digest[:4], "little")])
    sd = sign.certainty.value / math.sqrt(2)
    base = np.array([_logit(p.value) for p in sign.detection])
    shared = rng.normal(0, sd, n)
    logit = base[:, None] + shared + rng.normal(0, sd, (len(base), n))
    return logit, _truncated(rng, sign.persistence.value, PERSISTENCE_SD, 0.0, n)


def _draw_readings(rng: Random, priors: Priors, n: int) -> dict[str, Floats]:
    mean, sd, carry = [], [], []
    for level, level_sd, spread, centre in zip(
        priors.reading_mean, priors.reading_mean_sd, priors.reading_sd, priors.carry, strict=True
    ):
        own = level_sd / math.sqrt(2)
        mean.append(level[:, None] + rng.normal(0, own, n) + rng.normal(0, own, (len(level), n)))
        log_sd = np.log(spread)[:, None] + rng.normal(0, READING_SD_SD, (len(level), n))
        sd.append(np.exp(log_sd))
        carry.append(rng.beta(*Spread(centre, CARRY_SD).beta(), n))
    return {
        "reading_mean": np.array(mean), "reading_sd": np.array(sd), "carry": np.array(carry),
    }  # fmt: skip


def _draw(rng: Random, priors: Priors, n: int) -> dict[str, Floats]:
    """Draws of all parameters but the signs', in a fixed order."""
    k = len(priors.phases)
    out = {
        "log_advance": priors.log_advance[:, None]
        + rng.normal(0, priors.log_advance_sd[:, None], (k, n)),
        "log_setback": priors.log_setback[:, None] + rng.normal(0, BASELINE_SD, (k, n)),
        "log_collapse": priors.log_collapse[:, None] + rng.normal(0, BASELINE_SD, n),
    }
    for i, move in enumerate(("advance", "setback", "collapse")):
        out[f"event_{move}"] = _effects(rng, priors.event_effect[:, i], priors.event_sd, n)
    log_memory = priors.event_memory_sd[:, None] * rng.normal(size=(len(priors.events), n))
    out["event_memory"] = priors.event_memory[:, None] * np.exp(log_memory)
    out["husbandry"] = _effects(rng, priors.husbandry, priors.husbandry_sd[:, None], n)
    out["pace_sd"] = _truncated(rng, *priors.pace_sd, LEAST_SD, n)
    out["skill_sd"] = _truncated(rng, *priors.skill_sd, LEAST_SD, n)
    look = rng.normal(size=(len(priors.looks), n))
    out["look_effect"] = priors.look_effect[:, None] + priors.look_effect_sd[:, None] * look
    out |= _draw_readings(rng, priors, n)
    for name in ("outlier", "judge_accuracy", "judge_repeat"):
        a, b = getattr(priors, name).beta()
        out[name] = rng.beta(a, b, n)
    return out


def elicit_population(
    catalogue: Catalogue,
    evidence_weight: float,
    n_draws: int = DEFAULT_DRAWS,
    seed: int = DEFAULT_SEED,
    name: str = "practice",
) -> Population:
    """Draw a population from the catalogue's priors; the same seed gives the same draws.

    The evidence weight (see :class:`Population`) was chosen by ``reports/evidence_weight``.
    """
    priors = priors_from_catalogue(catalogue)
    drawn: dict[str, Any] = _draw(np.random.default_rng(seed), priors, n_draws)
    signs = [draw_sign(sign, n_draws, seed) for sign in catalogue.signs.values()]
    return Population(
        name=name,
        kind="elicited",
        evidence_weight=evidence_weight,
        sign_logit=np.array([logit for logit, _ in signs]),
        persistence=np.array([persistence for _, persistence in signs]),
        provenance={
            "made_by": "maturity-model elicit",
            "seed": str(seed),
            "priors": "maturity_model/catalogue/data",
        },
        **priors.of_population(),
        **drawn,
    )
