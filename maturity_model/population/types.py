"""A population: draws of everything that tanks and keepers share."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from reprlib import repr as shorten
from typing import TYPE_CHECKING, Literal

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.hmm.staged import StagedChain

if TYPE_CHECKING:
    from maturity_model.population.members import Members

#: Method of an approximate fit, in a population's provenance.
APPROXIMATE = "approximate"
#: Parts of a fitted population that are the pool's or practice's.
PARTS = ("signs", "moves", "readings")
Standing = Literal["elicited", "passed", "failed", "unknown", "approximate", "approximate, failed"]


@dataclass(frozen=True)
class Population:
    """Draws from the distribution of the population's parameters.

    Arrays have their draws last; hazards are per week. K phases, r stages, G signs,
    A informative analytes, E events, J covariates, R kinds of rock, D draws.

    Attributes
    ----------
    name : str
    kind : {'elicited', 'fitted'}
        ``elicited``: from the catalogue's priors alone; no pooled fit lies behind it.
    evidence_weight : float
        Power on the likelihood of signs, readings and judgements, in [0, 1].
    phases, signs, analytes, events, covariates, looks, rocks : tuple of str
    n_stages : int
    log_advance : ndarray, shape (K, D)
        Log hazard of advancing a stage, for a tank of usual pace and husbandry.
    log_setback : ndarray, shape (K, D)
        Log hazard of a setback without events; -inf in phase 0.
    log_collapse : ndarray, shape (K, D)
        Log hazard of a collapse without events; -inf in phase 0.
    husbandry : ndarray, shape (J, K, D)
        Log hazard ratio on advance per unit of a covariate.
    event_advance, event_setback, event_collapse : ndarray, shape (E, D)
        Log hazard ratio per unit of load.
    event_memory : ndarray, shape (E, D)
        Weeks in which the load falls to 1/e.
    pace_sd, skill_sd : ndarray, shape (D,)
        Spread of tanks' log pace; of keepers' log-odds of seeing a small sign.
    sign_logit : ndarray, shape (G, K, D)
        Log-odds of seeing, at a careful look, nothing recorded lately.
    persistence : ndarray, shape (G, D)
        Change in them at the strongest balance of past sightings.
    small : ndarray, shape (G,)
        Factor on skill and look, 0 to 1.
    look_effect : ndarray, shape (3, D)
        Change in them by way of looking.
    reading_mean, reading_sd : ndarray, shape (A, K, D)
        Of log(x + offset).
    carry : ndarray, shape (A, D)
        Weekly autocorrelation of readings within a phase.
    offset : ndarray, shape (A,)
    outlier, judge_accuracy, judge_repeat : ndarray, shape (D,)
    start : ndarray, shape (R, S)
        P(state in week 0) by kind of rock.
    sign_tank_sd : ndarray, shape (G, D), or None
        Spread over tanks of a tank's own shift of a sign's log-odds; None where the model
        had no such shifts.
    sha256 : str
        Of the file it was read from; empty when it was made in memory.
    provenance : dict of str to str
    members : Members or None
        Keepers and tanks of the pool, without names; None where there was none.
    """

    name: str
    kind: Literal["elicited", "fitted"]
    evidence_weight: float
    phases: tuple[str, ...]
    signs: tuple[str, ...]
    analytes: tuple[str, ...]
    events: tuple[str, ...]
    covariates: tuple[str, ...]
    looks: tuple[str, ...]
    rocks: tuple[str, ...]
    n_stages: int
    log_advance: Floats
    log_setback: Floats
    log_collapse: Floats
    husbandry: Floats
    event_advance: Floats
    event_setback: Floats
    event_collapse: Floats
    event_memory: Floats
    pace_sd: Floats
    skill_sd: Floats
    sign_logit: Floats
    persistence: Floats
    small: Floats
    look_effect: Floats
    reading_mean: Floats
    reading_sd: Floats
    carry: Floats
    offset: Floats
    outlier: Floats
    judge_accuracy: Floats
    judge_repeat: Floats
    start: Floats
    sign_tank_sd: Floats | None = None
    sha256: str = ""
    provenance: dict[str, str] = field(default_factory=dict)
    members: Members | None = None

    def __repr__(self) -> str:
        return (
            f"<Population {shorten(self.name)} ({self.standing}): {self.n_draws} draws, "
            f"{len(self.phases)} phases in {self.n_stages} stages, {len(self.signs)} signs, "
            f"{len(self.analytes)} analytes, evidence weight {self.evidence_weight:g}>"
        )

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return int(self.log_advance.shape[-1])

    @property
    def standing(self) -> Standing:
        """The origin of the draws, and whether a fit passed its checks."""
        if self.kind != "fitted":
            return "elicited"
        verdict = str(self.provenance.get("diagnostics", ""))
        if self.provenance.get("method") == APPROXIMATE:
            return "approximate" if verdict == "passed" else "approximate, failed"
        return "passed" if verdict == "passed" else "failed" if verdict else "unknown"

    @property
    def warning(self) -> str:
        """Why a fitted population must not be trusted; empty if it may be."""
        standing = self.standing
        if standing in ("elicited", "passed"):
            return ""
        reasons = [str(self.provenance.get("diagnostics", ""))]
        if reasons == [""]:
            reasons = ["its file does not say whether the fit passed its checks"]
        if standing == "approximate":
            reasons = []
        if standing.startswith("approximate"):
            reasons.insert(0, "an approximation, made for a first look and no substitute for a fit")
        return "; ".join(reasons)

    @property
    def of_practice(self) -> tuple[str, ...]:
        """Parts of a fitted population taken from practice: signs, moves, readings."""
        if self.kind != "fitted":
            return ()
        return tuple(p for p in PARTS if self.provenance.get(p) == "practice")

    @property
    def learned(self) -> tuple[str, ...]:
        """Parts of a fitted population learned from the pool: signs, moves, readings."""
        return tuple(p for p in PARTS if self.provenance.get(p, "learned") == "learned")

    @property
    def chain(self) -> StagedChain:
        """The staged chain of its phases."""
        return StagedChain(len(self.phases), self.n_stages)


#: Dimension names of each variable of a population, draws last.
DIMS: dict[str, tuple[str, ...]] = {
    "log_advance": ("phase", "draw"),
    "log_setback": ("phase", "draw"),
    "log_collapse": ("phase", "draw"),
    "husbandry": ("covariate", "phase", "draw"),
    "event_advance": ("event", "draw"),
    "event_setback": ("event", "draw"),
    "event_collapse": ("event", "draw"),
    "event_memory": ("event", "draw"),
    "pace_sd": ("draw",),
    "skill_sd": ("draw",),
    "sign_logit": ("sign", "phase", "draw"),
    "persistence": ("sign", "draw"),
    "small": ("sign",),
    "look_effect": ("look", "draw"),
    "reading_mean": ("analyte", "phase", "draw"),
    "reading_sd": ("analyte", "phase", "draw"),
    "carry": ("analyte", "draw"),
    "offset": ("analyte",),
    "outlier": ("draw",),
    "judge_accuracy": ("draw",),
    "judge_repeat": ("draw",),
    "start": ("rock", "state"),
}
#: Variables that only some populations have; None in the others.
OPTIONAL_DIMS: dict[str, tuple[str, ...]] = {"sign_tank_sd": ("sign", "draw")}


def take_draws(population: Population, index: Ints) -> Population:
    """The same population with these draws only, in the order and number of ``index``."""
    values = {f.name: getattr(population, f.name) for f in fields(population)}
    for name, dims in (DIMS | OPTIONAL_DIMS).items():
        if dims[-1] == "draw" and values[name] is not None:
            values[name] = np.ascontiguousarray(values[name][..., index])
    if population.members is not None:
        values["members"] = population.members.take(index)
    return Population(**values)


def evenly_spaced(n: int, most: int) -> Ints:
    """Indices of at most ``most`` of n draws, evenly spaced, first and last included."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(np.int64))


def thin_draws(population: Population, most: int) -> Population:
    """The same population with at most ``most`` of its draws, evenly spaced."""
    return take_draws(population, evenly_spaced(population.n_draws, most))
