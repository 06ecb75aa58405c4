"""What each part of the pooled model buys: variants of it, compared by what they predict.

Each variant is fitted to the same panel and then scored on tanks left out: expected log
predictive density (ELPD) by Pareto-smoothed importance sampling with a whole tank as the
unit (:mod:`.leave_one_out`). Where the weights of a tank cannot be trusted, the variant is fitted
again without it. Differences are of the same tanks on the same answers, so that their
standard error is that of a paired comparison.

A variant that knows less of a log cannot be scored on all of it. So there are four targets:

* ``log``: all answers of a tank.
* ``signs``: its signs. A variant that also knows readings may use the tank's own,
  ``p(signs | readings)``; one that does not predicts ``p(signs)``.
* ``readings``: likewise, given the tank's signs where a variant knows signs.
* ``judgements``: its judged phases, given its signs, its readings, or both: of the four
  the one that asks what the observations tell of the phase.

Answers that are given enter at the evidence weight, as in the weekly update; answers that
are predicted are scored by their plain likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.fitting.leave_one_out import log_mean
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.power_tables import Powers, powers_of_fit
from maturity_model.fitting.sampling import SamplingPlan, plan_key, sample_chains
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.fitting.variants import Variant, variants_of
from maturity_model.hmm.mixture import k_limit
from maturity_model.hmm.psis import smooth_weights
from maturity_model.population.priors import Priors, geometric
from maturity_model.population.types import Population

if TYPE_CHECKING:
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.panel import Panel


#: Refits of one variant without tanks whose weights cannot be trusted.
MAX_REFITS = 3


@dataclass(frozen=True)
class Score:
    """One variant's scores of the tanks.

    Attributes
    ----------
    variant : Variant
    elpd : dict of str to ndarray, shape (N,)
        By target; log p(answers of the tank | all other tanks).
    khat : ndarray, shape (N,)
        Pareto k of the weights that leave the tank out.
    limit : float
    left_out : int ndarray, shape (N,)
        0 where the tank was left out by weights; otherwise the number of tanks that the
        fit which predicted it was made without.
    problems : tuple of str
        Failed gates of its chains, in words.
    """

    variant: Variant
    elpd: dict[str, Floats]
    khat: Floats
    limit: float
    left_out: Ints
    problems: tuple[str, ...]

    @property
    def untrusted(self) -> Bools:
        """Tanks whose score rests on weights that cannot be trusted, shape (N,)."""
        return ~(self.khat <= self.limit) & (self.left_out == 0)


@dataclass(frozen=True)
class Difference:
    """A variant against the fit itself, on one target.

    Attributes
    ----------
    variant : Variant
    target : str
    elpd, reference : float
        Sums over tanks, of the variant and of the fit.
    difference : float
        Variant less fit: negative where what was changed is missed.
    standard_error : float
        Of the difference, over tanks, paired; NaN for one tank.
    tanks, answers : int
        Tanks with such answers, and how many answers.
    doubts : tuple of str
        Why it may not be trusted, in words.
    """

    variant: Variant
    target: str
    elpd: float
    reference: float
    difference: float
    standard_error: float
    tanks: int
    answers: int
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """All variants on one panel.

    Attributes
    ----------
    tanks : tuple of str
    scores : tuple of Score
        The fit itself first.
    answers : dict of str to int ndarray, shape (N,)
        Answers of each tank by target.
    evidence_weight : float
    """

    tanks: tuple[str, ...]
    scores: tuple[Score, ...]
    answers: dict[str, Ints]
    evidence_weight: float

    @property
    def differences(self) -> tuple[Difference, ...]:
        """Every variant against the fit, on every target that it shares with it."""
        full = self.scores[0]
        return tuple(
            self._difference(full, score, target)
            for score in self.scores[1:]
            for target in self._shared(score)
            if self.answers[target].any()
        )

    def _shared(self, score: Score) -> tuple[str, ...]:
        whole = score.variant.known == self.scores[0].variant.known
        return ("log",) if whole else score.variant.targets

    def _difference(self, full: Score, score: Score, target: str) -> Difference:
        on = self.answers[target] > 0
        d = (score.elpd[target] - full.elpd[target])[on]
        n = int(on.sum())
        doubts = []
        for which in (full, score):
            bad = int((which.untrusted & on).sum())
            if bad:
                doubts.append(f"{which.variant.label}: Pareto k̂ too high for {bad} of {n} tanks")
            doubts += [f"{which.variant.label}: {p}" for p in which.problems]
        return Difference(
            variant=score.variant,
            target=target,
            elpd=float(score.elpd[target][on].sum()),
            reference=float(full.elpd[target][on].sum()),
            difference=float(d.sum()),
            standard_error=float(np.sqrt(n) * d.std(ddof=1)) if n > 1 else float("nan"),
            tanks=n,
            answers=int(self.answers[target].sum()),
            doubts=tuple(doubts),
        )


def answers_by_tank(panel: Panel) -> dict[str, Ints]:
    """Number of answers of each tank by target."""
    out = {}
    for kind in Powers._fields:
        rows = getattr(panel, kind).row
        tank = np.searchsorted(panel.first, rows, side="right") - 1
        out[kind] = np.bincount(tank, minlength=len(panel.tanks)).astype(np.int64)
    return {"log": np.sum(list(out.values()), axis=0), **out}


def blanked(panel: Panel, tanks: tuple[str, ...]) -> Panel:
    """A panel without the check-ins of some tanks.

    Their events and husbandry stay, as they tell of the keeper's other tanks whether water
    changes are logged; without check-ins they do not enter the likelihood.
    """
    from maturity_model.panel import build_panel

    kept = tuple(c for c in panel.logbook.checkins if c.tank not in tanks)
    return build_panel(replace(panel.logbook, checkins=kept), panel.catalogue, panel.as_of)


def score_tanks(
    panel: Panel, population: Population, variant: Variant, *, held_out: bool = False
) -> tuple[dict[str, Floats], Floats]:
    """Score tanks under the draws of a fit.

    Parameters
    ----------
    panel : Panel
    population : Population
        Draws of the fit, and its evidence weight.
    variant : Variant
        What was fitted.
    held_out : bool
        True: the fit was made without these tanks, and draws count alike. False: it was made
        with them, and each is taken out by weights.

    Returns
    -------
    elpd : dict of str to ndarray, shape (N,)
        By target.
    khat : ndarray, shape (N,)
        -inf where no weights were needed.
    """
    w = population.evidence_weight
    known = set(variant.known)
    cache: dict[Powers, Floats] = {}

    def values(**powers: float) -> Floats:
        at = Powers(**{k: powers.get(k, 0.0) for k in Powers._fields})
        if at not in cache:
            cache[at] = (
                tank_log_likelihood(panel, population, at)
                if any(at)
                else np.zeros((len(panel.tanks), population.n_draws))
            )
        return cache[at]

    if held_out:
        log_weight = np.full((len(panel.tanks), population.n_draws), -np.log(population.n_draws))
        khat = np.full(len(panel.tanks), -np.inf)
    else:
        fitted = powers_of_fit(population)._asdict()
        weight, khat = smooth_weights(-values(**{k: fitted[k] for k in known}))
        with np.errstate(divide="ignore"):
            log_weight = np.log(weight)
    out = {}
    for target in variant.targets:
        if target == "log":
            out[target] = log_mean(log_weight, values(**dict.fromkeys(known, 1.0)))
            continue
        # Judged phases are predicted, and are not given to what predicts.
        given = dict.fromkeys(known - {target, "judgements"}, w)
        both = log_mean(log_weight, values(**given, **{target: 1.0}))
        out[target] = both - log_mean(log_weight, values(**given))
    return out, khat


@dataclass(frozen=True)
class _Fit:
    population: Population
    problems: tuple[str, ...]


def _fit(
    panel: Panel,
    variant: Variant,
    priors: Priors,
    plan: SamplingPlan,
    evidence_weight: float,
    folder: Path | None,
    say: Callable[[str], None],
) -> _Fit:
    import pytensor

    from maturity_model.fitting.diagnostics import diagnose
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.pooled_fit import inputs_digest, join_chains, population_from

    if variant.geometric:
        priors = geometric(priors)
    with pytensor.config.change_flags(mode="NUMBA"):
        model = build_model(
            panel,
            priors,
            evidence_weight=evidence_weight,
            options=variant.options,
        )
        inputs = inputs_digest(panel, priors, evidence_weight, variant.options)
        chains = sample_chains(model, plan, key=plan_key(plan, inputs), folder=folder, say=say)
    posterior, stats = join_chains(chains)
    population = population_from(
        posterior,
        priors,
        name=variant.name,
        evidence_weight=evidence_weight,
        provenance=variant.options.provenance(),
    )
    return _Fit(population, diagnose(posterior, stats).problems)


def compare(
    result: FitResult,
    options: ModelOptions,
    plan: SamplingPlan,
    *,
    folder: Path | None = None,
    max_refits: int = MAX_REFITS,
    variants: tuple[str, ...] | None = None,
    say: Callable[[str], None] | None = None,
) -> Comparison:
    """Fit the variants of a fit and score them all.

    Parameters
    ----------
    result : FitResult
        The fit itself, which is not repeated.
    options : ModelOptions
        Its own.
    plan : SamplingPlan
        For the variants, and for refits without tanks.
    folder : Path, optional
        Where finished chains are kept, to be taken up by a rerun.
    max_refits : int
        Of each variant, without tanks whose weights cannot be trusted. With more such tanks
        than that, several are left out of one refit.
    variants : tuple of str, optional
        Names of those to compare with; default: all.
    say : callable, optional
        Told in words how it goes.

    Returns
    -------
    Comparison

    Raises
    ------
    ChainLost
        When a sampler gives up; what was finished is taken up by a rerun.
    """
    panel, priors = result.panel, result.priors
    weight = result.population.evidence_weight
    told = say or (lambda text: None)
    scores = []
    for variant in variants_of(options):
        if variant.name == "full":
            found = _Fit(result.population, result.diagnostics.problems)
        elif variants is not None and variant.name not in variants:
            continue
        else:
            told(f"comparing: {variant.label}")
            found = _fit(panel, variant, priors, plan, weight, folder, told)
        elpd, khat = score_tanks(panel, found.population, variant)
        limit = float(k_limit(found.population.n_draws))
        left_out = np.zeros(len(khat), dtype=np.int64)
        bad = np.flatnonzero(~(khat <= limit))
        problems = list(found.problems)
        folds = min(len(bad), max_refits)
        for fold in np.array_split(bad, folds) if folds else ():
            names = tuple(panel.tanks[n].name for n in fold)
            told(f"{variant.label}: fitted again without {', '.join(names)}")
            without = blanked(panel, names)
            again = _fit(without, variant, priors, plan, weight, folder, told)
            held, _ = score_tanks(panel, again.population, variant, held_out=True)
            for target, values in held.items():
                elpd[target][fold] = values[fold]
            left_out[fold] = len(fold)
            problems += [f"without {', '.join(names)}: {p}" for p in again.problems]
        scores.append(Score(variant, elpd, khat, limit, left_out, tuple(problems)))
    return Comparison(
        tuple(t.name for t in panel.tanks), tuple(scores), answers_by_tank(panel), weight
    )


def shorter(plan: SamplingPlan) -> SamplingPlan:
    """The plan for variants: three quarters of the draws of the fit itself."""
    return replace(plan, draws=max(3 * plan.draws // 4, 50))
