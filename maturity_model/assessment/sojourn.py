"""Whether a tank lags behind comparable ones, and what in its husbandry would move it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.first_passage import arrival
from maturity_model.assessment.intervals import Estimate, estimate
from maturity_model.assessment.plan import WATER, Plan, Step, parse_plan
from maturity_model.assessment.present import Present
from maturity_model.hmm import native
from maturity_model.population.types import Population

#: Share of comparable tanks that have left a phase when a tank begins to lag.
SHARE = 0.9
#: Weeks in which the next phase is looked for, and in which past events count as a habit.
LEVER_WEEKS = 8
#: Longest time in a phase that is looked at, in weeks.
LONGEST = 520
#: Water changes that are compared with what is done now.
REGULAR = ("water_change=20/2w", "water_change=20/1w", "water_change=none")
#: Events that are no habit: nobody chooses them.
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
class Lever:
    """A change of husbandry and what it does to the next phase.

    Attributes
    ----------
    plan : Plan
        What would be done from now on; for ``stop`` what would not be done any more.
    stop : bool
        True: giving up a habit, compared with keeping it as in the last eight weeks.
        False: taking one up, compared with husbandry as it stands.
    within : Estimate
        P(next phase within 8 weeks | in the present phase now, log, the change).
    change : Estimate
        The same less that without the change, draw by draw.
    """

    plan: Plan
    stop: bool
    within: Estimate
    change: Estimate


@dataclass(frozen=True)
class Stuck:
    """Time in the present phase against what comparable tanks need.

    Comparable: same rock, water changed as usual, no events, of whatever pace; from the
    population's draws alone, without this tank's log.

    Attributes
    ----------
    phase : int
        The most probable phase now.
    so_far : tuple of int
        5 %, 50 % and 95 % quantile of the full weeks since it came into the phase, given
        that it is in it, and the log.
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
    levers : tuple of Lever
        What helps most comes first. Empty in the last phase.
    """

    phase: int
    so_far: tuple[int, int, int]
    need: tuple[int | None, ...]
    by_phase: tuple[Estimate, ...]
    lagging: Estimate
    pace: Pace
    next_phase: Estimate | None
    levers: tuple[Lever, ...]


def weeks_needed(
    population: Population, covariates: Floats, pace: Floats, pace_weight: Floats
) -> tuple[int | None, ...]:
    """Weeks within which 90 % of tanks pass each phase, if nothing sets them back.

    The time in r stages that are each left with chance p a week is a sum of r geometric
    ones: ``P(N > n) = P(Binomial(n, p) < r)``.

    Parameters
    ----------
    population : Population
        All draws count alike.
    covariates : ndarray, shape (J,)
    pace, pace_weight : ndarray, shape (P,)
        Pace nodes and their prior weights.

    Returns
    -------
    tuple of (int or None), length K
        None for the last phase, and for more than :data:`LONGEST` weeks.
    """
    log_hazard = population.log_advance + np.einsum("j,jkd->kd", covariates, population.husbandry)
    hazard = np.exp(log_hazard[:, None, :] + pace[:, None] * population.pace_sd)
    hazard = np.minimum(hazard, 50.0)  # As good as certain, and its powers are still numbers.

    def passed(k: int, n: int) -> float:
        leave, stay = -np.expm1(-hazard[k]), np.exp(-hazard[k] * n)
        # Terms of the binomial, each from the one before.
        odds, left = leave * np.exp(hazard[k]), np.zeros_like(stay)
        for i in range(min(population.n_stages, n + 1)):
            left += stay
            stay = stay * odds * ((n - i) / (i + 1))
        return 1.0 - float(pace_weight @ left.mean(axis=1))

    out: list[int | None] = []
    for k in range(len(population.phases) - 1):
        low, high = 0, LONGEST
        if passed(k, high) < SHARE:
            out.append(None)
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if passed(k, middle) >= SHARE else (middle, high)
        out.append(high)
    return (*out, None)


def stay_probability(present: Present, phase: int, steps: int) -> Floats:
    """P(in ``phase`` now and in each of the i weeks before | log, draw).

    Parameters
    ----------
    present : Present
    phase : int
    steps : int

    Returns
    -------
    ndarray, shape (steps + 1, D)
        Entry i; 0 where it is longer than the tank has run.
    """
    found = present.found
    k, r = found.chain
    out = np.empty((steps + 1, found.states.shape[-1]))
    native.long_stays(
        found.filtered, found.moves, found.emission, found.scale, present.node_weight,
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
    # What was done in the last weeks and can be left alone, as a rhythm.
    panel, name = present.panel, present.panel.tanks[present.n].name
    done: dict[str, list[float | None]] = {}
    for e in panel.logbook.events:
        recent = 0 <= (panel.as_of - e.date).days < 7 * LEVER_WEEKS
        if e.tank == name and recent and e.kind != WATER and e.kind not in _NOT_CHOSEN:
            done.setdefault(e.kind, []).append(e.amount)
    plans = []
    for kind, amounts in done.items():
        known = [a for a in amounts if a is not None]
        amount = sum(known) / len(known) if known else None
        days = max(7 * LEVER_WEEKS // len(amounts), 1)
        written = "" if amount is None else f"{amount:g}"
        plans.append(Plan(f"{kind}={written}/{days}d", (Step(kind, amount, days),)))
    return tuple(plans)


def _levers(present: Present, phase: int) -> tuple[Estimate, tuple[Lever, ...]]:
    r = present.found.chain.n_stages
    start = np.zeros_like(present.states_by_pace())
    here = slice(phase * r, (phase + 1) * r)
    start[:, here] = present.states_by_pace()[:, here]
    inside = start.sum(axis=(0, 1))
    weight = present.weight * inside
    weight = weight / weight.sum()
    scale = np.where(inside > 0, inside, 1.0)

    def within(plan: Plan | None) -> Floats:
        return arrival(present, start, phase + 1, LEVER_WEEKS, plan).sum(axis=0) / scale

    base = within(None)
    levers = []
    for text in REGULAR:
        plan = parse_plan(text, present.panel.catalogue)
        value = within(plan)
        levers.append(Lever(plan, False, estimate(value, weight), estimate(value - base, weight)))
    now = estimate(base, weight)
    levers.extend(
        Lever(plan, True, now, estimate(base - within(plan), weight)) for plan in _habits(present)
    )
    levers.sort(key=lambda lever: -lever.change.mean)
    return now, tuple(levers)


def stuck(present: Present, pace_weight: Floats) -> Stuck:
    """Whether the tank lags, its pace, and what would move it.

    Parameters
    ----------
    present : Present
    pace_weight : ndarray, shape (P,)
        Prior weights of the pace nodes.

    Returns
    -------
    Stuck
    """
    population, panel = present.population, present.panel
    covariates = panel.husbandry[int(panel.first[present.n + 1]) - 1].copy()
    covariates[list(population.covariates).index("water_changed")] = 0.0
    need = weeks_needed(population, covariates, present.pace, pace_weight)
    phase, weight, weeks = present.phase, present.weight, present.weeks
    late = np.zeros((len(need), len(weight)))
    stays = stay_probability(present, phase, weeks - 1)
    for k, n in enumerate(need):
        if n is not None and n < weeks:
            late[k] = stays[n] if k == phase else stay_probability(present, k, n)[n]
    # P(for at least i weeks | in the phase now), falling from 1.
    longer = (stays @ weight) / float(stays[0] @ weight)
    so_far = [int((longer > 1 - level).sum()) - 1 for level in (0.05, 0.5, 0.95)]
    last = phase == len(need) - 1
    next_phase, levers = (None, ()) if last else _levers(present, phase)
    return Stuck(
        phase,
        (so_far[0], so_far[1], so_far[2]),
        need,
        tuple(estimate(row, weight) for row in late),
        estimate(late.sum(axis=0), weight),
        _pace(present),
        next_phase,
        levers,
    )
