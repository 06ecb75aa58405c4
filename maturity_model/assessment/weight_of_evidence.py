"""Weight of evidence: what each observation adds to the odds of the present phase.

In bits (Good 1950, *Probability and the Weighing of Evidence*): the binary logarithm of the
factor by which one observation changes the odds of the present phase against the next
best, with all other observations in place.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import Tables, coded_tables
from maturity_model.assessment.observed import Kind, Observed, kinds_of, observed
from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture

#: Groups whose joint weight is computed, for and against.
TOP_GROUPS = 3
#: Probabilities below this count as equal to it.
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Contribution:
    """Weight of one observation.

    Attributes
    ----------
    what : Observed
    bits : float
        log2 of [P(present) / P(rival) given the whole log] over [the same given the log
        without this observation]; above 0 it supports the present phase. Later observations
        keep their context (balance of past sightings, previous reading), to which this
        observation contributed.
    """

    what: Observed
    bits: float


@dataclass(frozen=True, slots=True)
class GroupContribution:
    """Joint weight of all observations of one sign or one analyte, or of all judgements.

    Attributes
    ----------
    kind : {'sign', 'reading', 'judgement'}
    name : str
    bits : float
        As in :class:`Contribution`, with all of them left out and the log filtered again.
        It is not the sum of their single bits, because they are partly redundant.
    count, seen : int
        Number of observations, and of sightings among them (0 unless a sign).
    first, last : date
    latest : Observed
        The latest of them.
    strongest : Contribution
        The one with the largest single weight in the same direction.
    """

    kind: Kind
    name: str
    bits: float
    count: int
    seen: int
    first: dt.date
    last: dt.date
    latest: Observed
    strongest: Contribution


@dataclass(frozen=True, slots=True)
class WeightOfEvidence:
    """Evidence for the most probable phase now against the next best.

    Attributes
    ----------
    present, rival : int
        The two most probable phases now, given the log up to now.
    probability : tuple of float
        P(present phase | log), P(rival | log).
    forecast_bits : float
        log2 odds of present against rival without any sign, reading or judgement: from
        rock, age, husbandry and events alone.
    bits : float
        log2 odds of present against rival, given the whole log.
    singles : tuple of Contribution
        One for each observation: signs, readings, judgements, each by date.
    towards, against : tuple of GroupContribution
        The strongest groups for and against, strongest first.
    """

    present: int
    rival: int
    probability: tuple[float, float]
    forecast_bits: float
    bits: float
    singles: tuple[Contribution, ...]
    towards: tuple[GroupContribution, ...]
    against: tuple[GroupContribution, ...]


def _log_odds(p: Floats) -> Floats:
    """log2 odds of the first against the second along the last axis."""
    p = np.log2(np.maximum(p, _LEAST))
    return np.asarray(p[..., 0] - p[..., 1])


def leave_one_out_phases(
    tables: Tables, n: int, mixture: FilteredMixture, ends: Floats
) -> tuple[Floats, Floats, Floats]:
    """P(end in each set | log without one observation), for every observation of tank n.

    Within a draw it is exact. Across draws the weight of draw d is multiplied by
    R_d ** power, with R_d = P(others | d) / P(all | d) and the power of the likelihood in
    the weights (``mixture.trusted.power``).

    ``ends``, shape (M, S), is 1 where the present state belongs to the set. The result has shape
    (observations, M) by kind, in the order of :func:`.observed.observed`.
    """
    first, last = int(tables.panel.first[n]), int(tables.panel.first[n + 1])
    p, q, _, s, d = mixture.filtered.shape
    rows = np.concatenate([ends, np.ones((1, s))])
    m = len(rows)
    arguments, outs = [], []
    for kind, table in coded_tables(tables):
        starts, codes = kind.of_rows(first, last)
        outs.append(np.empty((len(codes), m, d)))
        arguments += [starts, codes, np.ascontiguousarray(table), outs[-1]]
    native.leave_one_out(
        mixture.moves, mixture.emission, mixture.filtered, mixture.scale,
        np.ascontiguousarray(mixture.node_weight[:, :, -1]), rows, *mixture.chain, *arguments,
        np.empty((m, p, q, s, d)), np.empty((s + 1, d)), np.empty((m, s, d)),
    )  # fmt: skip
    weight, power = mixture.draw_weight[-1], float(mixture.trusted.power[-1])
    mixed = [_mix_without(out, weight, power) for out in outs]
    for number, kind in enumerate(kinds_of(tables.panel)):
        # A zero likelihood cannot be divided out; filter again without that observation.
        lost = tables.impossible[number]
        for i in np.flatnonzero(lost[kind.of_rows(first, last)[1]]) if lost.any() else ():
            mixed[number][i] = ends @ _states_without(tables, n, mixture, {number: np.array([i])})
    return mixed[0], mixed[1], mixed[2]


def _mix_without(out: Floats, weight: Floats, power: float) -> Floats:
    """Mix (O, M+1, D), whose last row is R_d, over draws; shape (O, M)."""
    ratio = out[:, -1]
    if power == 1.0:
        scaled = np.broadcast_to(weight, ratio.shape)
    else:
        scaled = weight * np.where(ratio > 0, ratio, 1.0) ** (power - 1.0)
    total = np.einsum("od,od->o", ratio, scaled)
    mixed = np.einsum("omd,od->om", out[:, :-1], scaled)
    return np.asarray(mixed / np.where(total > 0, total, 1.0)[:, None])


def phases_without(
    tables: Tables, n: int, mixture: FilteredMixture, leave: Mapping[int, Ints]
) -> Floats:
    """P(phase now | log without these observations), shape (K,), by filtering again.

    ``leave`` holds indices of the tank's signs (0), readings (1) and judgements (2), ascending.
    Draw weights as in :func:`leave_one_out_phases`.
    """
    return mixture.chain.by_phase(_states_without(tables, n, mixture, leave))


def _states_without(
    tables: Tables, n: int, mixture: FilteredMixture, leave: Mapping[int, Ints]
) -> Floats:
    """P(state now | log without these observations), shape (S,)."""
    first, last = int(tables.panel.first[n]), int(tables.panel.first[n + 1])
    p, q, weeks, s, d = mixture.filtered.shape
    emission, plan = mixture.emission, None
    parts = []
    for number, (kind, table) in enumerate(coded_tables(tables)):
        starts, codes = kind.of_rows(first, last)
        taken = np.zeros(len(codes), dtype=bool)
        taken[leave.get(number, [])] = True
        parts.append((starts, codes, np.ascontiguousarray(table), taken, tables.impossible[number]))
    used = [part for part in parts if part[3].any()]
    left = [(starts, np.flatnonzero(taken)) for starts, _, _, taken, _ in used]
    if len(used) == 1 and not used[0][4][used[0][1][used[0][3]]].any():
        # One kind, and none of its factors is 0: divide them out.
        starts, codes, table, taken, _ = used[0]
        plan = (_starts(starts, taken), codes[taken], table)
    else:
        emission = np.ones(mixture.emission.shape)
        for starts, codes, table, taken, _ in parts:
            if not taken.all():
                native.multiply_codes(_starts(starts, ~taken), codes[~taken], table, emission)
        plan = (np.zeros(weeks + 1, dtype=np.int64), np.zeros(0, dtype=np.int64), emission[:1])
    initial = tables.population.start[tables.panel.rock[n]]
    # Start at the first observation that is left out; before it the filter is the same.
    begin = min((int(np.searchsorted(at, i[0], "right")) - 1 for at, i in left), default=0)
    states, log_l = np.empty((p, q, s, d)), np.empty((p, q, d))
    if begin > 0:
        states[:] = mixture.filtered[:, :, begin - 1]
        np.maximum(mixture.lane_log_likelihood[:, :, begin - 1], -1e300, out=log_l)
    native.filter_without(
        np.repeat(initial[:, None], d, axis=1), mixture.moves, emission, *plan, begin,
        *mixture.chain, states, log_l, np.empty((q + 2, s, d)),
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        joint = log_l + np.log(tables.node_prior)[:, :, None]
    top = joint.max(axis=(0, 1))
    share = np.exp(joint - top)
    total = share.sum(axis=(0, 1))
    within = np.einsum("pqd,pqsd->sd", share / total, states)
    weight, power = mixture.draw_weight[-1], float(mixture.trusted.power[-1])
    before = np.where(weight > 0, mixture.log_likelihood[-1], 0.0)
    change = np.where(weight > 0, power * (np.log(total) + top - before), -np.inf)
    scaled = weight * np.exp(change - change.max())
    return np.asarray(within @ scaled / scaled.sum())


def _starts(starts: Ints, keep: Bools) -> Ints:
    return np.concatenate([[0], np.cumsum(keep)]).astype(np.int64)[starts]


def _strongest_groups(singles: list[list[Contribution]]) -> list[tuple[int, Ints]]:
    """Kind, and indices within it, of the groups that seem strongest for and against.

    The sums of the single bits rank them; their joint bits are computed for these alone.
    """
    groups: dict[tuple[int, str], list[int]] = {}
    for kind, items in enumerate(singles):
        for i, single in enumerate(items):
            groups.setdefault((kind, single.what.name), []).append(i)
    sums = {key: sum(singles[key[0]][i].bits for i in index) for key, index in groups.items()}
    ranked = sorted(sums, key=lambda key: sums[key])
    chosen = dict.fromkeys(ranked[:TOP_GROUPS] + ranked[::-1][:TOP_GROUPS])
    return [(key[0], np.array(groups[key], dtype=np.int64)) for key in chosen]


def _group(singles: list[Contribution], bits: float) -> GroupContribution:
    first, last = singles[0].what, singles[-1].what
    return GroupContribution(
        kind=first.kind,
        name=first.name,
        bits=bits,
        count=len(singles),
        seen=sum(bool(single.what.seen) for single in singles),
        first=first.date,
        last=last.date,
        latest=last,
        strongest=max(singles, key=lambda single: single.bits if bits >= 0 else -single.bits),
    )


def weigh_evidence(
    tables: Tables, n: int, mixture: FilteredMixture, forecast: Floats
) -> WeightOfEvidence | None:
    """Weigh the evidence for the most probable phase of tank n; None for a log without any.

    ``forecast``, shape (K,), is that of :func:`.filtering.forecast_only` now. For the
    :data:`TOP_GROUPS` strongest groups, for and against, the joint weight is computed, which
    costs a filter run each.
    """
    kinds = observed(tables.panel, n)
    if not any(kinds):
        return None
    now = mixture.phases()[-1]
    present, rival = (int(k) for k in np.argsort(-now, kind="stable")[:2])
    pair = np.array([present, rival])
    bits = float(_log_odds(now[pair]))
    ends = (mixture.chain.phase_of == pair[:, None]).astype(float)
    without = leave_one_out_phases(tables, n, mixture, ends)
    singles = [
        [Contribution(o, float(x)) for o, x in zip(items, bits - _log_odds(p), strict=True)]
        for items, p in zip(kinds, without, strict=True)
    ]
    groups = []
    for kind, index in _strongest_groups(singles):
        left = float(_log_odds(phases_without(tables, n, mixture, {kind: index})[pair]))
        groups.append(_group([singles[kind][i] for i in index], bits - left))
    groups.sort(key=lambda g: -abs(g.bits))
    return WeightOfEvidence(
        present=present,
        rival=rival,
        probability=(float(now[present]), float(now[rival])),
        forecast_bits=float(_log_odds(forecast[pair])),
        bits=bits,
        singles=tuple(p for kind in singles for p in kind),
        towards=tuple(g for g in groups if g.bits > 0),
        against=tuple(g for g in groups if g.bits < 0),
    )
