"""What each part of the pooled model buys: variants of it, compared by what they predict.

Each variant is fitted to the same panel and then scored on tanks left out: expected log
predictive density (ELPD) by Pareto-smoothed importance sampling with one tank as the
unit (:mod:`.leave_one_out`). Where the weights of a tank cannot be trusted, the variant is fitted
again without it. Differences are of the same tanks on the same answers, so that their
standard error is that of a paired comparison.

A variant without some kind of observation cannot be scored on all of a log. So there are four
targets:

* ``log``: all answers of a tank.
* ``signs``: its signs. A variant that also knows readings may use the tank's own,
  ``p(signs | readings)``; one that does not predicts ``p(signs)``.
* ``readings``: likewise, given the tank's signs where a variant knows signs.
* ``judgements``: its judged phases, given its signs, its readings, or both: of the four
  the one that asks what the observations say about the phase.

Answers that are given enter at the evidence weight, as in the weekly update; answers that
are predicted are scored by their plain likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.fitting.leave_one_out import log_mean
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.power_tables import Powers, powers_of_fit
from maturity_model.fitting.sampling import SamplingPlan
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


class Score(NamedTuple):
    """One variant's scores of N tanks.

    Attributes
    ----------
    elpd : dict of str to ndarray, shape (N,)
        By target; log p(answers of the tank | all other tanks).
    khat : ndarray, shape (N,)
        Pareto k of the weights that leave the tank out; trusted up to ``limit``.
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
class Comparison:
    """All variants on one panel.

    Attributes
    ----------
    scores : tuple of Score
        The fit itself first.
    answers : dict of str to int ndarray, shape (N,)
        Number of answers of each tank by target.
    """

    tanks: tuple[str, ...]
    scores: tuple[Score, ...]
    answers: dict[str, Ints]
    evidence_weight: float

    @property
    def differences(self) -> pd.DataFrame:
        """Every variant against the fit, on every target that it shares with it.

        A difference a row: the ``variant`` and its ``label``, the ``target``; sums over tanks of
        the variant's ``elpd`` and of ``elpd_fit``; their ``difference``, negative where what was
        changed is missed, and its ``standard_error``, over tanks, paired (NaN for one tank);
        ``tanks`` with such answers, and how many ``answers``; a ``verdict`` on the variant, and
        ``doubts``, why it may not be trusted, in words.
        """
        fit = self.scores[0].variant
        pairs = (
            (score, target)
            for score in self.scores[1:]
            for target in (("log",) if score.variant.known == fit.known else score.variant.targets)
        )
        return pd.DataFrame([self._difference(*p) for p in pairs if self.answers[p[1]].any()])

    def _difference(self, score: Score, target: str) -> dict[str, Any]:
        fit, on = self.scores[0], self.answers[target] > 0
        elpd, reference = score.elpd[target][on], fit.elpd[target][on]
        n, d = len(elpd), elpd - reference
        doubts = []
        for s in (fit, score):
            if bad := int((s.untrusted & on).sum()):
                doubts.append(f"{s.variant.label}: Pareto k̂ too high for {bad} of {n} tanks")
            doubts += [f"{s.variant.label}: {p}" for p in s.problems]
        error = math.sqrt(n) * float(d.std(ddof=1)) if n > 1 else math.nan
        return {
            "variant": score.variant.name,
            "label": score.variant.label,
            "target": target,
            "elpd": elpd.sum(),
            "elpd_fit": reference.sum(),
            "difference": d.sum(),
            "standard_error": error,
            "tanks": n,
            "answers": int(self.answers[target].sum()),
            "verdict": _verdict(d.sum(), error, bool(doubts)),
            "doubts": tuple(doubts),
        }

    @property
    def by_tank(self) -> pd.DataFrame:
        """Scores, a variant, target and tank a row."""
        parts = []
        for score in self.scores:
            for target, elpd in score.elpd.items():
                columns = {
                    "variant": score.variant.name,
                    "target": target,
                    "tank": self.tanks,
                    "elpd": elpd,
                    "answers": self.answers[target],
                    "khat": score.khat,
                    "tanks_left_out_of_a_refit": score.left_out,
                }
                parts.append(pd.DataFrame(columns))
        return pd.concat(parts, ignore_index=True)


def _verdict(difference: float, error: float, doubted: bool) -> str:
    if doubted:
        return "not to be trusted"
    if not abs(difference) > 2 * error:
        return "cannot be told apart"
    return "predicts worse" if difference < 0 else "predicts better"


def answers_by_tank(panel: Panel) -> dict[str, Ints]:
    """Number of answers of each tank by target."""
    counts = {}
    for kind in Powers._fields:
        tank = np.searchsorted(panel.first, getattr(panel, kind).row, side="right") - 1
        counts[kind] = np.bincount(tank, minlength=len(panel.tanks)).astype(np.int64)
    return {"log": np.sum(list(counts.values()), axis=0), **counts}


def without_checkins(panel: Panel, tanks: tuple[str, ...]) -> Panel:
    """A panel without the check-ins of some tanks, which then do not enter the likelihood.

    Their events and husbandry stay, because they show whether the keeper logs water changes
    of the other tanks too.
    """
    from maturity_model.panel import build_panel

    checkins = tuple(c for c in panel.logbook.checkins if c.tank not in tanks)
    return build_panel(replace(panel.logbook, checkins=checkins), panel.catalogue, panel.as_of)


def score_tanks(
    panel: Panel, population: Population, variant: Variant, *, held_out: bool = False
) -> tuple[dict[str, Floats], Floats]:
    """Score tanks under the draws of a variant's fit.

    With ``held_out`` the fit was made without these tanks, and draws count alike; otherwise it was
    made with them, and each is taken out by weights.

    Returns
    -------
    elpd : dict of str to ndarray, shape (N,)
        By target.
    khat : ndarray, shape (N,)
        -inf where no weights were needed.
    """
    known, shape = set(variant.known), (len(panel.tanks), population.n_draws)
    cache: dict[Powers, Floats] = {Powers(0.0, 0.0, 0.0): np.zeros(shape)}

    def log_likelihood(**powers: float) -> Floats:
        # Kinds that are not named are left out.
        at = Powers(0.0, 0.0, 0.0)._replace(**powers)
        if at not in cache:
            cache[at] = tank_log_likelihood(panel, population, at)
        return cache[at]

    if held_out:
        log_weight, khat = np.full(shape, -np.log(shape[1])), np.full(shape[0], -np.inf)
    else:
        fitted = powers_of_fit(population)._asdict()
        weight, khat = smooth_weights(-log_likelihood(**{k: fitted[k] for k in known}))
        with np.errstate(divide="ignore"):
            log_weight = np.log(weight)
    elpd = {}
    for target in variant.targets:
        if target == "log":
            elpd[target] = log_mean(log_weight, log_likelihood(**dict.fromkeys(known, 1.0)))
            continue
        # Judged phases are predicted, but never given.
        given = dict.fromkeys(known - {target, "judgements"}, population.evidence_weight)
        both = log_mean(log_weight, log_likelihood(**given, **{target: 1.0}))
        elpd[target] = both - log_mean(log_weight, log_likelihood(**given))
    return elpd, khat


def fit_variant(
    panel: Panel,
    variant: Variant,
    priors: Priors,
    plan: SamplingPlan,
    evidence_weight: float,
    folder: Path | None,
    say: Callable[[str], None],
) -> tuple[Population, tuple[str, ...]]:
    """Fit a variant: its population, and the failed gates of its chains."""
    import pytensor

    from maturity_model.fitting.diagnostics import diagnose
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.pooled_fit import draw_chains, inputs_digest, population_from

    priors, options = geometric(priors) if variant.geometric else priors, variant.options
    with pytensor.config.change_flags(mode="NUMBA"):
        model = build_model(panel, priors, evidence_weight=evidence_weight, options=options)
        inputs = inputs_digest(panel, priors, evidence_weight, options)
        posterior, stats, _ = draw_chains(model, plan, inputs, folder, say)
    population = population_from(
        posterior,
        priors,
        name=variant.name,
        evidence_weight=evidence_weight,
        provenance=options.provenance(),
    )
    return population, diagnose(posterior, stats).problems


def compare_variants(
    result: FitResult,
    options: ModelOptions,
    plan: SamplingPlan,
    *,
    folder: Path | None = None,
    max_refits: int = MAX_REFITS,
    variants: tuple[str, ...] | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Comparison:
    """Fit the variants of a fit, or those named, and score them all.

    The plan is for the variants, and for refits without tanks whose weights cannot be trusted: at
    most ``max_refits`` of each variant. With more such tanks than that, several are left out of one
    refit. Finished chains are stored in ``folder``, to be taken up by a rerun; ``say`` is called
    with one line of text per finished step.

    Raises
    ------
    ChainLost
        When a sampler gives up; a rerun takes up finished chains.
    """
    panel, weight = result.panel, result.population.evidence_weight
    rest = result.priors, plan, weight, folder, say
    scores = []
    for variant in variants_of(options):
        if variant.name == "full":
            population, failed = result.population, result.diagnostics.problems
        elif variants is not None and variant.name not in variants:
            continue
        else:
            say(f"comparing: {variant.label}")
            population, failed = fit_variant(panel, variant, *rest)
        elpd, khat = score_tanks(panel, population, variant)
        limit = float(k_limit(population.n_draws))
        left_out, problems = np.zeros(len(khat), dtype=np.int64), list(failed)
        bad = np.flatnonzero(~(khat <= limit))
        folds = min(len(bad), max_refits)
        for fold in np.array_split(bad, folds) if folds else ():
            names = tuple(panel.tanks[n].name for n in fold)
            say(f"{variant.label}: fitted again without {', '.join(names)}")
            refitted, failed = fit_variant(without_checkins(panel, names), variant, *rest)
            held_out, _ = score_tanks(panel, refitted, variant, held_out=True)
            for target, values in held_out.items():
                elpd[target][fold] = values[fold]
            left_out[fold] = len(fold)
            problems += [f"without {', '.join(names)}: {p}" for p in failed]
        scores.append(Score(variant, elpd, khat, limit, left_out, tuple(problems)))
    tanks = tuple(t.name for t in panel.tanks)
    return Comparison(tanks, tuple(scores), answers_by_tank(panel), weight)
