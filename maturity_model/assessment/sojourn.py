"""Sojourn in the present phase: whether a tank lags, and which husbandry would move it on."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.first_passage import first_passage_pmf
from maturity_model.assessment.intervals import Estimate, estimate
from maturity_model.assessment.plan import WATER, Plan, Step, parse_plan
from maturity_model.assessment.present import Present
from maturity_model.hmm import native
from maturity_model.population.types import Population

#: Share of comparable tanks that must have left a phase before a tank counts as lagging.
SHARE = 0.9
#: Weeks ahead for reaching the next phase, and weeks back in which events count as a habit.
CONTRAST_WEEKS = 8
#: Longest sojourn that is computed, in weeks.
LONGEST = 520
#: Water changes that are compared with the present ones.
REGULAR = ("water_change=20/2w", "water_change=20/1w", "water_change=none")
#: Events that nobody chooses, and so are no habit.
_NOT_CHOSEN = ("crash",)
_Z = 1.6448536269514722  # 95 % quantile of the normal distribution


class Pace(NamedTuple):
    """A tank's own speed, relative to the median tank of its rock and husbandry.

    Attributes
    ----------
    speed, low, high : float
        Median, 5 % and 95 % of the posterior, all draws together. The logarithm is taken
        as normal with the mean and variance of the weighted nodes.
    slower : float
        P(slower than the median tank | log).
    """

    speed: float
    low: float
    high: float
    slower: float


@dataclass(frozen=True)
class HusbandryContrast:
    """A change of husbandry and its effect on reaching the next phase.

    Attributes
    ----------
    plan : Plan
        The husbandry from now on; with ``stop`` the habit that ends.
    stop : bool
        True: giving up a habit, compared with keeping it as in the last eight weeks.
        False: taking one up, compared with husbandry as it stands.
    within : Estimate
        P(next phase within 8 weeks | in the present phase now, log, the change).
    change : Estimate
        The same minus that without the change, draw by draw.
    """

    plan: Plan
    stop: bool
    within: Estimate
    change: Estimate


@dataclass(frozen=True)
class SojournCheck:
    """Time in the present phase beside the time that comparable tanks need.

    Comparable tanks have the same rock, water changed as usual, no events, and any pace;
    their times come from the population's draws alone, without this tank's log.

    Attributes
    ----------
    phase : int
        The most probable phase now.
    so_far : tuple of int
        5 %, 50 % and 95 % quantiles of the full weeks since it entered the phase, given that
        it is in it, and the log.
    need : tuple of (int or None), length K
        Weeks within which 90 % of comparable tanks that are not set back pass the phase;
        None for the last phase, and where it takes more than ten years.
    by_phase : tuple of Estimate, length K
        P(in the phase now, and for more than ``need`` weeks without a break | log).
    lagging : Estimate
        Their sum.
    pace : Pace
    next_phase : Estimate or None
        P(next phase within 8 weeks | in the present phase now, log, no further event,
        husbandry as it stands); None in the last phase.
    contrasts : tuple of HusbandryContrast
        The most helpful first. Empty in the last phase.
    """

    phase: int
    so_far: tuple[int, int, int]
    need: tuple[int | None, ...]
    by_phase: tuple[Estimate, ...]
    lagging: Estimate
    pace: Pace
    next_phase: Estimate | None
    contrasts: tuple[HusbandryContrast, ...]


def sojourn_quantile(
    population: Population, covariates: Floats, pace: Floats, pace_weight: Floats
) -> tuple[int | None, ...]:
    """90 % quantile of the time that tanks need for each phase, if nothing sets them back.

    The time in r stages that are each left with chance p a week is a sum of r geometric
    ones: ``P(N > n) = P(Binomial(n, p) < r)``. The population's draws have equal weights; pace
    nodes and their prior weights have shape (P,), ``covariates`` (J,). None for the last phase, and
    for more than :data:`LONGEST` weeks.
    """
    log_hazard = population.log_advance + np.einsum("j,jkd->kd", covariates, population.husbandry)
    hazard = np.exp(log_hazard[:, None, :] + pace[:, None] * population.pace_sd)
    hazard = np.minimum(hazard, 50.0)  # practically certain, and its powers stay finite

    def passed(k: int, n: int) -> float:
        leave, stay = -np.expm1(-hazard[k]), np.exp(-hazard[k] * n)
        # Terms of the binomial, each computed from the one before.
        odds, left = leave * np.exp(hazard[k]), np.zeros_like(stay)
        for i in range(min(population.n_stages, n + 1)):
            left += stay
            stay = stay * odds * ((n - i) / (i + 1))
        return 1.0 - float(pace_weight @ left.mean(axis=1))

    out: list[int | None] = []
    for k in range(len(population.phases) - 1):
        weeks = bisect_left(range(LONGEST + 1), SHARE, key=partial(passed, k))
        out.append(weeks if weeks <= LONGEST else None)
    return (*out, None)


def stay_probability(present: Present, phase: int, steps: int) -> Floats:
    """P(in ``phase`` now and in each of the i weeks before | log, draw), shape (steps + 1, D).

    0 where the tank is younger than i weeks.
    """
    mixture = present.mixture
    k, r = mixture.chain
    out = np.empty((steps + 1, mixture.states.shape[-1]))
    native.long_stays(
        mixture.filtered, mixture.moves, mixture.emission, mixture.scale, present.node_weight,
        phase, k, r, out, np.empty((r + 1, out.shape[1])),
    )  # fmt: skip
    return out


def _pace(present: Present) -> Pace:
    share = present.node_weight.sum(axis=1) * present.weight
    log_speed = present.pace[:, None] * present.population.pace_sd
    mean = float((share * log_speed).sum())
    sd = math.sqrt(max(float((share * (log_speed - mean) ** 2).sum()), 0.0))
    slower = 0.5 * math.erfc(mean / (sd * math.sqrt(2))) if sd > 0 else 0.5
    return Pace(math.exp(mean), math.exp(mean - _Z * sd), math.exp(mean + _Z * sd), slower)


def _habits(present: Present) -> tuple[Plan, ...]:
    """Events of the last weeks that the keeper could stop, as regular plans."""
    today = present.panel.as_of
    done: dict[str, list[float | None]] = {}
    for e in present.events:
        recent = (today - e.date).days < 7 * CONTRAST_WEEKS
        chosen = e.kind != WATER and e.kind not in _NOT_CHOSEN and present.can_happen(e.kind)
        if recent and chosen:
            done.setdefault(e.kind, []).append(e.amount)
    plans = []
    for kind, amounts in done.items():
        known = [a for a in amounts if a is not None]
        amount = sum(known) / len(known) if known else None
        days = max(7 * CONTRAST_WEEKS // len(amounts), 1)
        written = "" if amount is None else f"{amount:g}"
        plans.append(Plan(f"{kind}={written}/{days}d", (Step(kind, amount, days),)))
    return tuple(plans)


def _contrasts(present: Present, phase: int) -> tuple[Estimate, tuple[HusbandryContrast, ...]]:
    r = present.mixture.chain.n_stages
    start = np.zeros_like(present.states_by_pace())
    here = slice(phase * r, (phase + 1) * r)
    start[:, here] = present.states_by_pace()[:, here]
    inside = start.sum(axis=(0, 1))
    weight = present.weight * inside
    weight = weight / weight.sum()
    scale = np.where(inside > 0, inside, 1.0)

    def within(plan: Plan | None) -> Floats:
        pmf = first_passage_pmf(present, start, phase + 1, CONTRAST_WEEKS, plan)
        return pmf.sum(axis=0) / scale

    base = within(None)
    contrasts = []
    for text in REGULAR:
        plan = parse_plan(text, present.panel.catalogue)
        value = within(plan)
        change = estimate(value - base, weight)
        contrasts.append(HusbandryContrast(plan, False, estimate(value, weight), change))
    now = estimate(base, weight)
    for plan in _habits(present):
        change = estimate(base - within(plan), weight)
        contrasts.append(HusbandryContrast(plan, True, now, change))
    contrasts.sort(key=lambda contrast: -contrast.change.mean)
    return now, tuple(contrasts)


def check_sojourn(present: Present, pace_weight: Floats) -> SojournCheck:
    """Compute whether the tank lags, its pace, and the changes that would move it on.

    ``pace_weight``, shape (P,), are the prior weights of the pace nodes.
    """
    population, panel = present.population, present.panel
    covariates = panel.husbandry[int(panel.first[present.n + 1]) - 1].copy()
    covariates[list(population.covariates).index("water_changed")] = 0.0
    need = sojourn_quantile(population, covariates, present.pace, pace_weight)
    phase, weight, weeks = present.phase, present.weight, present.weeks
    late = np.zeros((len(need), len(weight)))
    stays = stay_probability(present, phase, weeks - 1)
    for k, n in enumerate(need):
        if n is not None and n < weeks:
            late[k] = stays[n] if k == phase else stay_probability(present, k, n)[n]
    # P(in the phase for at least i weeks | in it now), which falls from 1.
    longer = (stays @ weight) / float(stays[0] @ weight)
    so_far = [int((longer > 1 - level).sum()) - 1 for level in (0.05, 0.5, 0.95)]
    last = phase == len(need) - 1
    next_phase, contrasts = (None, ()) if last else _contrasts(present, phase)
    return SojournCheck(
        phase,
        (so_far[0], so_far[1], so_far[2]),
        need,
        tuple(estimate(row, weight) for row in late),
        estimate(late.sum(axis=0), weight),
        _pace(present),
        next_phase,
        contrasts,
    )
