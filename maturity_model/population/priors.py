"""Priors of a population's parameters, elicited from the catalogue.

:mod:`.elicit` draws the default population from them, and the pooled fit starts from them; a
test compares the moments of the two.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.catalogue import LOOKS, Catalogue

#: Stages per phase.
STAGES = 3
WEEKS_PER_YEAR = 365.2425 / 7


class Spread(NamedTuple):
    """Mean and standard deviation of a prior."""

    mean: float
    sd: float

    def beta(self) -> tuple[float, float]:
        """Parameters of the beta distribution with this mean and standard deviation."""
        size = self.mean * (1 - self.mean) / self.sd**2 - 1
        return self.mean * size, (1 - self.mean) * size


@dataclass(frozen=True)
class Priors:
    """Priors of everything that tanks and keepers share.

    K phases, G signs, A informative analytes, E events, J covariates, R kinds of rock.
    All spreads are standard deviations.

    Attributes
    ----------
    n_stages : int
    phases, signs, analytes, events, covariates, looks, rocks : tuple of str
    log_advance, log_advance_sd : ndarray, shape (K,)
        Log weekly hazard of advancing one stage.
    log_setback, log_collapse : ndarray, shape (K,)
        Log weekly hazards; -inf in phase 0; spread :data:`BASELINE_SD`, that of
        collapse shared by all phases.
    event_effect : ndarray, shape (E, 3)
        On advance, setback, collapse; an effect of exactly 0 stays 0.
    event_sd : ndarray, shape (E,)
    event_memory, event_memory_sd : ndarray, shape (E,)
        Median in weeks, and spread of its logarithm.
    husbandry : ndarray, shape (J, K)
        An effect of exactly 0 stays 0.
    husbandry_sd : ndarray, shape (J,)
    pace_sd, skill_sd : Spread
        Normal, cut below :data:`LEAST_SD`.
    look_effect, look_effect_sd : ndarray, shape (3,)
    sign_logit : ndarray, shape (G, K)
    sign_logit_sd : ndarray, shape (G,)
        Of one phase; half of the variance is shared by all phases.
    persistence : ndarray, shape (G,)
        Normal with :data:`PERSISTENCE_SD`, cut below 0.
    small : ndarray, shape (G,)
    reading_mean : ndarray, shape (A, K)
    reading_mean_sd : ndarray, shape (A,)
        As for the signs.
    reading_sd : ndarray, shape (A, K)
        Median; spread of the log :data:`READING_SD_SD`.
    carry : ndarray, shape (A,)
        Mean of a beta with :data:`CARRY_SD`.
    offset : ndarray, shape (A,)
    outlier, judge_accuracy, judge_repeat : Spread
        Beta.
    start : ndarray, shape (R, S)
        P(state in week 0); fixed.
    """

    n_stages: int
    phases: tuple[str, ...]
    signs: tuple[str, ...]
    analytes: tuple[str, ...]
    events: tuple[str, ...]
    covariates: tuple[str, ...]
    looks: tuple[str, ...]
    rocks: tuple[str, ...]
    log_advance: Floats
    log_advance_sd: Floats
    log_setback: Floats
    log_collapse: Floats
    event_effect: Floats
    event_sd: Floats
    event_memory: Floats
    event_memory_sd: Floats
    husbandry: Floats
    husbandry_sd: Floats
    pace_sd: Spread
    skill_sd: Spread
    look_effect: Floats
    look_effect_sd: Floats
    sign_logit: Floats
    sign_logit_sd: Floats
    persistence: Floats
    small: Floats
    reading_mean: Floats
    reading_mean_sd: Floats
    reading_sd: Floats
    carry: Floats
    offset: Floats
    outlier: Spread
    judge_accuracy: Spread
    judge_repeat: Spread
    start: Floats

    def of_population(self) -> dict[str, Any]:
        """What every population of these priors has in common: its names, and what is fixed."""
        names = (
            "phases", "signs", "analytes", "events", "covariates", "looks", "rocks", "n_stages",
            "small", "offset", "start",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def sha256(self) -> str:
        """Digest of all values."""
        digest = hashlib.sha256()
        for f in fields(self):
            value = getattr(self, f.name)
            digest.update(f.name.encode())
            if isinstance(value, np.ndarray):
                digest.update(np.ascontiguousarray(value).tobytes())
            else:
                digest.update(repr(value).encode())
        return digest.hexdigest()


def geometric(priors: Priors) -> Priors:
    """The same priors with one stage per phase: the time in a phase is then geometric.

    Mean times in the phases stay the same, for tanks of usual pace and without events.
    Emissions no longer change gradually within a phase, because it has no stages.
    """
    r = priors.n_stages
    # The weeks in a stage are geometric: r stages of m weeks become one of r m weeks.
    weeks = r / -np.expm1(-np.exp(priors.log_advance))
    start = priors.start.reshape(len(priors.start), -1, r).sum(axis=2)
    log_advance = np.log(-np.log1p(-1 / weeks))
    return replace(priors, n_stages=1, log_advance=log_advance, start=start)


def equal_correlation(n: int) -> Floats:
    """Factor that turns n independent unit normals into ones that share half their variance.

    L, shape (n, n), with ``L @ L.T`` 1 on the diagonal and 1/2 beside it.
    """
    return np.asarray(np.linalg.cholesky((np.eye(n) + np.ones((n, n))) / 2))


def start_distribution(catalogue: Catalogue, n_states: int) -> Floats:
    """P(state in week 0) by kind of rock, shape (R, S)."""
    out = np.zeros((len(catalogue.starts), n_states))
    for i, chances in enumerate(catalogue.starts.values()):
        out[i, : len(chances)] = [c.value for c in chances]
    return out / out.sum(axis=1, keepdims=True)


def priors_from_catalogue(catalogue: Catalogue, n_stages: int = STAGES) -> Priors:
    """Derive the priors from the catalogue.

    The mean time in a phase does not depend on the number of stages.
    """
    phases = list(catalogue.phases.values())
    signs, events = list(catalogue.signs.values()), list(catalogue.events.values())
    covariates = list(catalogue.husbandry.values())
    analytes = [a for a in catalogue.analytes.values() if a.informative]
    stage = [p.stage_weeks.value * (STAGES / n_stages) for p in phases]
    observing = catalogue.observing

    def spread(quantity: str, item: str) -> Spread:
        q = observing[quantity, item]
        return Spread(q.value.value, q.spread.value)

    with np.errstate(divide="ignore"):
        setback = np.log([p.setback_per_year.value / WEEKS_PER_YEAR for p in phases])
        collapse = np.log([p.collapse_per_year.value / WEEKS_PER_YEAR for p in phases])
    detection = np.array([[p.value for p in s.detection] for s in signs])
    return Priors(
        n_stages=n_stages,
        phases=tuple(catalogue.phases),
        signs=tuple(catalogue.signs),
        analytes=catalogue.informative,
        events=tuple(catalogue.events),
        covariates=tuple(catalogue.husbandry),
        looks=LOOKS,
        rocks=tuple(catalogue.starts),
        log_advance=np.log([-math.log1p(-1 / m) for m in stage]),
        log_advance_sd=np.array([p.certainty.value for p in phases]),
        log_setback=setback,
        log_collapse=collapse,
        event_effect=np.array(
            [[e.advance.value, e.setback.value, e.collapse.value] for e in events]
        ),
        event_sd=np.array([e.certainty.value for e in events]),
        event_memory=np.array([e.memory_weeks.value for e in events]),
        event_memory_sd=np.array([0.5 * e.certainty.value for e in events]),
        husbandry=np.array([[e.value for e in c.effect] for c in covariates]),
        husbandry_sd=np.array([c.certainty.value for c in covariates]),
        pace_sd=spread("pace", "sd"),
        skill_sd=spread("skill", "sd"),
        look_effect=np.array([spread("look", item).mean for item in LOOKS]),
        look_effect_sd=np.array([spread("look", item).sd for item in LOOKS]),
        sign_logit=np.log(detection) - np.log1p(-detection),
        sign_logit_sd=np.array([s.certainty.value for s in signs]),
        persistence=np.array([s.persistence.value for s in signs]),
        small=np.array([s.small for s in signs]),
        reading_mean=np.array([np.log([t.value + a.offset for t in a.typical]) for a in analytes]),
        reading_mean_sd=np.array([a.certainty.value for a in analytes if a.certainty]),
        reading_sd=np.array([[t.value for t in a.spread] for a in analytes]),
        carry=np.array([a.carry.value for a in analytes if a.carry]),
        offset=np.array([a.offset for a in analytes]),
        outlier=spread("outlier", "reading"),
        judge_accuracy=spread("judge", "accuracy"),
        judge_repeat=spread("judge", "repeat"),
        start=start_distribution(catalogue, len(phases) * n_stages),
    )


def hold_emissions(priors: Priors, factor: float) -> Priors:
    """Priors that hold the emissions of the phases closer to the catalogue.

    ``factor``, above 0, is on the spreads of signs' log-odds and of readings' means.
    """
    if not factor > 0:
        raise ValueError(f"a factor on spreads is above 0, not {factor}")
    return replace(
        priors,
        sign_logit_sd=priors.sign_logit_sd * factor,
        reading_mean_sd=priors.reading_mean_sd * factor,
    )
