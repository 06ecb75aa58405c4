"""The default population: draws from priors elicited from the catalogue.

No pooled fit lies behind it. Each number comes from the catalogue with its source mark;
the spreads are wide because common practice is all there is.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np

from maturity_model._typing import Floats
from maturity_model.catalogue import LOOKS, Analyte, Catalogue, Sign
from maturity_model.population.constants import (
    BASELINE_SD,
    CARRY_SD,
    DEFAULT_DRAWS,
    DEFAULT_SEED,
    LEAST_SD,
    PERSISTENCE_SD,
    READING_SD_SD,
)
from maturity_model.population.types import Population

#: Stages per phase.
STAGES = 3
WEEKS_PER_YEAR = 365.2425 / 7


def _logit(p: float) -> float:
    return math.log(p) - math.log1p(-p)


def _truncated(rng: np.random.Generator, mean: float, sd: float, low: float, n: int) -> Floats:
    # Normal beyond `low`, by rejection: these spreads are small against the mean.
    out = rng.normal(mean, sd, n)
    while (bad := out <= low).any():
        out[bad] = rng.normal(mean, sd, int(bad.sum()))
    return out


def _share(rng: np.random.Generator, mean: float, sd: float, n: int) -> Floats:
    # Beta with this mean and standard deviation.
    size = mean * (1 - mean) / sd**2 - 1
    return rng.beta(mean * size, (1 - mean) * size, n)


def _sign_rng(sign: Sign, seed: int) -> np.random.Generator:
    # Own stream per sign: adding a club's sign leaves all other draws as they are.
    digest = hashlib.sha256(sign.name.encode()).digest()
    return np.random.default_rng([seed, int.from_bytes(digest[:4], "little")])


def draw_sign(sign: Sign, n: int, seed: int = DEFAULT_SEED) -> tuple[Floats, Floats]:
    """Prior draws for one sign.

    Half of the variance of a phase's log-odds is shared by all phases (a sign that is
    rare in a region is rare in every phase), half is the phase's own.

    Returns
    -------
    logit : ndarray, shape (K, n)
    persistence : ndarray, shape (n,)
    """
    rng = _sign_rng(sign, seed)
    sd = sign.certainty.value / math.sqrt(2)
    base = np.array([_logit(p.value) for p in sign.detection])
    shared = rng.normal(0, sd, n)
    logit = base[:, None] + shared + rng.normal(0, sd, (len(base), n))
    return logit, _truncated(rng, sign.persistence.value, PERSISTENCE_SD, 0.0, n)


def _readings(
    analytes: list[Analyte], rng: np.random.Generator, n: int
) -> tuple[Floats, Floats, Floats]:
    mean, sd, carry = [], [], []
    for a in analytes:
        assert a.certainty is not None
        assert a.carry is not None
        level = np.log([t.value + a.offset for t in a.typical])
        spread = np.log([t.value for t in a.spread])
        own = a.certainty.value / math.sqrt(2)
        mean.append(level[:, None] + rng.normal(0, own, n) + rng.normal(0, own, (len(level), n)))
        sd.append(np.exp(spread[:, None] + rng.normal(0, READING_SD_SD, (len(level), n))))
        carry.append(_share(rng, a.carry.value, CARRY_SD, n))
    return np.array(mean), np.array(sd), np.array(carry)


def start_distribution(catalogue: Catalogue, n_states: int) -> Floats:
    """P(state in week 0) by kind of rock, shape (R, S)."""
    out = np.zeros((len(catalogue.starts), n_states))
    for i, chances in enumerate(catalogue.starts.values()):
        out[i, : len(chances)] = [c.value for c in chances]
    return out / out.sum(axis=1, keepdims=True)


def elicit_population(
    catalogue: Catalogue,
    evidence_weight: float,
    n_draws: int = DEFAULT_DRAWS,
    seed: int = DEFAULT_SEED,
    name: str = "practice",
) -> Population:
    """Draw a population from the catalogue's priors.

    Parameters
    ----------
    catalogue : Catalogue
    evidence_weight : float
        See :class:`Population`; chosen by ``reports/evidence_weight``.
    n_draws, seed : int
        The same seed gives the same draws.

    Returns
    -------
    Population
    """
    rng = np.random.default_rng(seed)
    n = n_draws
    phases = list(catalogue.phases.values())
    # Weekly steps: a stage is left with chance 1 - exp(-hazard), so m weeks need this hazard.
    hazard = np.array([-math.log1p(-1 / p.stage_weeks.value) for p in phases])
    log_advance = np.log(hazard)[:, None] + rng.normal(
        0, [[p.certainty.value] for p in phases], (len(phases), n)
    )
    with np.errstate(divide="ignore"):
        setback = np.log([p.setback_per_year.value / WEEKS_PER_YEAR for p in phases])
        collapse = np.log([p.collapse_per_year.value / WEEKS_PER_YEAR for p in phases])
    log_setback = setback[:, None] + rng.normal(0, BASELINE_SD, (len(phases), n))
    log_collapse = collapse[:, None] + rng.normal(0, BASELINE_SD, n)

    def effects(part: str) -> Floats:
        centre = np.array([[getattr(e, part).value] for e in catalogue.events.values()])
        spread = np.array([[e.certainty.value] for e in catalogue.events.values()])
        # An event that the catalogue calls neutral on a move stays neutral on it.
        return np.where(centre == 0, 0.0, centre + spread * rng.normal(size=(len(centre), n)))

    advance, back, fall = effects("advance"), effects("setback"), effects("collapse")
    memory = np.array([[e.memory_weeks.value] for e in catalogue.events.values()])
    certainty = np.array([[e.certainty.value] for e in catalogue.events.values()])
    memory = memory * np.exp(0.5 * certainty * rng.normal(size=(len(memory), n)))
    covariates = list(catalogue.husbandry.values())
    centre = np.array([[[e.value] for e in c.effect] for c in covariates])
    spread = np.array([[[c.certainty.value]] for c in covariates])
    husbandry = np.where(
        centre == 0, 0.0, centre + spread * rng.normal(size=(*centre.shape[:2], n))
    )
    observing = catalogue.observing

    def positive(quantity: str, item: str) -> Floats:
        q = observing[quantity, item]
        return _truncated(rng, q.value.value, q.spread.value, LEAST_SD, n)

    def chance(quantity: str, item: str) -> Floats:
        q = observing[quantity, item]
        return _share(rng, q.value.value, q.spread.value, n)

    pace_sd, skill_sd = positive("pace", "sd"), positive("skill", "sd")
    look = np.array(
        [
            observing["look", item].value.value
            + observing["look", item].spread.value * rng.normal(size=n)
            for item in LOOKS
        ]
    )
    informative = [a for a in catalogue.analytes.values() if a.informative]
    mean, sd, carry = _readings(informative, rng, n)
    signs = list(catalogue.signs.values())
    drawn = [draw_sign(s, n, seed) for s in signs]
    outlier = chance("outlier", "reading")
    accuracy, repeat = chance("judge", "accuracy"), chance("judge", "repeat")
    return Population(
        name=name,
        kind="elicited",
        evidence_weight=evidence_weight,
        phases=tuple(catalogue.phases),
        signs=tuple(catalogue.signs),
        analytes=catalogue.informative,
        events=tuple(catalogue.events),
        covariates=tuple(catalogue.husbandry),
        looks=LOOKS,
        rocks=tuple(catalogue.starts),
        n_stages=STAGES,
        log_advance=log_advance,
        log_setback=log_setback,
        log_collapse=log_collapse,
        husbandry=husbandry,
        event_advance=advance,
        event_setback=back,
        event_collapse=fall,
        event_memory=memory,
        pace_sd=pace_sd,
        skill_sd=skill_sd,
        sign_logit=np.array([d[0] for d in drawn]),
        persistence=np.array([d[1] for d in drawn]),
        small=np.array([s.small for s in signs]),
        look_effect=look,
        reading_mean=mean,
        reading_sd=sd,
        carry=carry,
        offset=np.array([a.offset for a in informative]),
        outlier=outlier,
        judge_accuracy=accuracy,
        judge_repeat=repeat,
        start=start_distribution(catalogue, len(phases) * STAGES),
        provenance={
            "made_by": "maturity-model elicit",
            "seed": str(seed),
            "priors": "maturity_model/catalogue/data",
        },
    )
