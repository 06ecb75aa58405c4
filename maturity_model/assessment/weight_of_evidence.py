"""Why this phase: what each observation adds to the odds of the present phase.

Weight of evidence in bits (Good 1950, *Probability and the Weighing of Evidence*): the
binary logarithm of the factor by which the odds of the present phase against the next
best change through an observation, with all the others in place.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.observed import Kind, Observed, kinds_of, observed
from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture

if TYPE_CHECKING:
    from maturity_model.assessment.filtering import Tables


#: Groups whose joint weight is computed, each way.
TOP_GROUPS = 3
#: Probabilities below this are not told apart.
_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Push:
    """What one observation adds.

    Attributes
    ----------
    what : Observed
    bits : float
        log2 of [P(present) / P(rival) given the whole log] over [the same given the log
        without this observation]; above 0 it speaks for the present phase. The later
        observations keep the context they were seen in (balance of past sightings,
        previous reading), which this observation helped to make.
    """

    what: Observed
    bits: float


@dataclass(frozen=True, slots=True)
class GroupPush:
    """What all observations of one sign, one analyte or all judgements add together.

    Attributes
    ----------
    kind : {'sign', 'reading', 'judgement'}
    name : str
    bits : float
        As :class:`Push`, all of them taken out at once and the log filtered again.
        It is not the sum of their single bits: they stand in for one another.
    count, seen : int
        Observations; and those that were sightings (signs only, else 0).
    first, last : date
    latest : Observed
        The latest of them.
    strongest : Push
        The one that pushes hardest the same way when it alone is taken out.
    """

    kind: Kind
    name: str
    bits: float
    count: int
    seen: int
    first: dt.date
    last: dt.date
    latest: Observed
    strongest: Push


@dataclass(frozen=True, slots=True)
class Why:
    """Why the present phase is held to be the present one.

    Attributes
    ----------
    present, rival : int
        The two most probable phases now, given the log up to now.
    probability : tuple of float
        P(present phase | log), P(rival | log).
    forecast_bits : float
        log2 odds of present against rival with no sign, reading or judgement at all:
        what rock, age, husbandry and events say.
    bits : float
        log2 odds of present against rival, given the whole log.
    singles : tuple of Push
        One for each observation: signs, readings, judgements, each by date.
    towards, against : tuple of GroupPush
        The strongest groups each way, strongest first.
    """

    present: int
    rival: int
    probability: tuple[float, float]
    forecast_bits: float
    bits: float
    singles: tuple[Push, ...]
    towards: tuple[GroupPush, ...]
    against: tuple[GroupPush, ...]


def _log_odds(p: Floats) -> Floats:
    # log2 of the first over the second along the last axis.
    p = np.log2(np.maximum(p, _LEAST))
    return np.asarray(p[..., 0] - p[..., 1])


def phases_without_each(
    tables: Tables, n: int, found: FilteredMixture, ends: Floats
) -> tuple[Floats, Floats, Floats]:
    """P(end in each set | log without one observation), for every observation of tank n.

    Within a draw it is exact. Across draws the weight of draw d is multiplied by
    R_d ** share, with R_d = P(others | d) / P(all | d) and the share of the likelihood
    that the weights hold (``found.trusted.power``).

    Parameters
    ----------
    tables : Tables
    n : int
    found : FilteredMixture
        Of tank n, under ``tables``.
    ends : ndarray, shape (M, S)
        1 where the present state belongs to the set.

    Returns
    -------
    tuple of ndarray, shape (observations, M)
        Signs, readings, judgements, in the order of :func:`.observed.observed`.
    """
    first, last = int(tables.panel.first[n]), int(tables.panel.first[n + 1])
    p, q, _, s, d = found.filtered.shape
    rows = np.concatenate([ends, np.ones((1, s))])
    m = len(rows)
    arguments, outs = [], []
    looked_up = (tables.signs, tables.readings[:, :, None, :], tables.judgements[:, :, None, :])
    for kind, table in zip(kinds_of(tables.panel), looked_up, strict=True):
        starts, codes = kind.of_rows(first, last)
        outs.append(np.empty((len(codes), m, d)))
        arguments += [starts, codes, np.ascontiguousarray(table), outs[-1]]
    native.leave_one_out(
        found.moves, found.emission, found.filtered, found.scale,
        np.ascontiguousarray(found.node_weight[:, :, -1]), rows, *found.chain, *arguments,
        np.empty((m, p, q, s, d)), np.empty((2, s, d)), np.empty((m, s, d)),
    )  # fmt: skip
    weight, power = found.draw_weight[-1], float(found.trusted.power[-1])
    mixed = [_mix_without(out, weight, power) for out in outs]
    for number, kind in enumerate(kinds_of(tables.panel)):
        # A factor of 0 cannot be divided out again: there the log is filtered again.
        lost = tables.impossible[number]
        for i in np.flatnonzero(lost[kind.of_rows(first, last)[1]]) if lost.any() else ():
            leave = [np.zeros(0, dtype=np.int64)] * 3
            leave[number] = np.array([i])
            states = _states_without(tables, n, found, (leave[0], leave[1], leave[2]))
            mixed[number][i] = ends @ states
    return mixed[0], mixed[1], mixed[2]


def _mix_without(out: Floats, weight: Floats, power: float) -> Floats:
    # (O, M+1, D), the last row R_d -> (O, M)
    ratio = out[:, -1]
    if power == 1.0:
        scaled = np.broadcast_to(weight, ratio.shape)
    else:
        scaled = weight * np.where(ratio > 0, ratio, 1.0) ** (power - 1.0)
    total = np.einsum("od,od->o", ratio, scaled)
    mixed = np.einsum("omd,od->om", out[:, :-1], scaled)
    return np.asarray(mixed / np.where(total > 0, total, 1.0)[:, None])


def phases_without(
    tables: Tables, n: int, found: FilteredMixture, leave: tuple[Ints, Ints, Ints]
) -> Floats:
    """P(phase now | log without these observations), the log filtered again.

    Draw weights as in :func:`phases_without_each`.

    Parameters
    ----------
    tables : Tables
    n : int
    found : FilteredMixture
    leave : tuple of int ndarray
        Indices of the signs, readings and judgements of tank n to leave out, ascending.

    Returns
    -------
    ndarray, shape (K,)
    """
    return found.chain.by_phase(_states_without(tables, n, found, leave))


def _states_without(
    tables: Tables, n: int, found: FilteredMixture, leave: tuple[Ints, Ints, Ints]
) -> Floats:
    # P(state now | log without these), shape (S,).
    first, last = int(tables.panel.first[n]), int(tables.panel.first[n + 1])
    p, q, weeks, s, d = found.filtered.shape
    looked_up = (tables.signs, tables.readings[:, :, None, :], tables.judgements[:, :, None, :])
    emission, plan = found.emission, None
    parts = []
    kinds = kinds_of(tables.panel)
    for kind, table, index, lost in zip(kinds, looked_up, leave, tables.impossible, strict=True):
        starts, codes = kind.of_rows(first, last)
        taken = np.zeros(len(codes), dtype=bool)
        taken[index] = True
        parts.append((starts, codes, np.ascontiguousarray(table), taken, lost))
    used = [part for part in parts if part[3].any()]
    left = [(starts, np.flatnonzero(taken)) for starts, _, _, taken, _ in used]
    if len(used) == 1 and not used[0][4][used[0][1][used[0][3]]].any():
        # One kind, and all its factors can be divided out again.
        starts, codes, table, taken, _ = used[0]
        plan = (_starts(starts, taken), codes[taken], table)
    else:
        emission = np.ones(found.emission.shape)
        for starts, codes, table, taken, _ in parts:
            if not taken.all():
                native.multiply_codes(_starts(starts, ~taken), codes[~taken], table, emission)
        plan = (np.zeros(weeks + 1, dtype=np.int64), np.zeros(0, dtype=np.int64), emission[:1])
    initial = tables.population.start[tables.panel.rock[n]]
    # Up to the first that is left out, the log is filtered already.
    begin = min((int(np.searchsorted(at, i[0], "right")) - 1 for at, i in left), default=0)
    states, log_l = np.empty((p, q, s, d)), np.empty((p, q, d))
    if begin > 0:
        states[:] = found.filtered[:, :, begin - 1]
        np.maximum(found.lane_log_likelihood[:, :, begin - 1], -1e300, out=log_l)
    native.filter_without(
        np.repeat(initial[:, None], d, axis=1), found.moves, emission, *plan, begin,
        *found.chain, states, log_l, np.empty((q + 2, s, d)),
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        joint = log_l + np.log(tables.node_prior)[:, :, None]
    top = joint.max(axis=(0, 1))
    share = np.exp(joint - top)
    total = share.sum(axis=(0, 1))
    within = np.einsum("pqd,pqsd->sd", share / total, states)
    weight, power = found.draw_weight[-1], float(found.trusted.power[-1])
    before = np.where(weight > 0, found.log_likelihood[-1], 0.0)
    change = np.where(weight > 0, power * (np.log(total) + top - before), -np.inf)
    scaled = weight * np.exp(change - change.max())
    return np.asarray(within @ scaled / scaled.sum())


def _starts(starts: Ints, keep: Bools) -> Ints:
    return np.concatenate([[0], np.cumsum(keep)]).astype(np.int64)[starts]


def why(
    tables: Tables, n: int, found: FilteredMixture, forecast: Floats, top: int = TOP_GROUPS
) -> Why | None:
    """Say why tank n is held to be in its present phase.

    Parameters
    ----------
    tables : Tables
    n : int
    found : FilteredMixture
        Of tank n, under ``tables``.
    forecast : ndarray, shape (K,)
        P(phase now | rock, events, husbandry alone), as ``assess.forecast_only`` gives it.
    top : int
        Groups whose joint weight is reckoned, each way; each costs a filter run.

    Returns
    -------
    Why or None
        None for a log without any observation.
    """
    kinds = observed(tables.panel, n)
    if not any(kinds):
        return None
    now = found.phases()[-1]
    present, rival = (int(k) for k in np.argsort(-now, kind="stable")[:2])
    pair = np.array([present, rival])
    ends = (found.chain.phase_of == pair[:, None]).astype(float)
    bits = float(_log_odds(now[pair]))
    singles = [
        [Push(o, float(x)) for o, x in zip(items, bits - _log_odds(without), strict=True)]
        for items, without in zip(kinds, phases_without_each(tables, n, found, ends), strict=True)
    ]
    groups: dict[tuple[int, str], list[int]] = {}
    for k, items in enumerate(kinds):
        for i, o in enumerate(items):
            groups.setdefault((k, o.name), []).append(i)
    # Which groups are strongest is judged by the sum of their single bits, then reckoned.
    sums = {key: sum(singles[key[0]][i].bits for i in index) for key, index in groups.items()}
    ranked = sorted(sums, key=lambda key: sums[key])
    chosen = dict.fromkeys(ranked[:top] + ranked[::-1][:top])
    pushes = []
    for kind, name in chosen:
        index = groups[kind, name]
        leave = [np.zeros(0, dtype=np.int64)] * 3
        leave[kind] = np.array(index, dtype=np.int64)
        without = phases_without(tables, n, found, (leave[0], leave[1], leave[2]))
        joint = bits - float(_log_odds(without[pair]))
        own = [singles[kind][i] for i in index]
        pushes.append(
            GroupPush(
                own[0].what.kind,
                name,
                joint,
                len(own),
                sum(bool(p.what.seen) for p in own),
                own[0].what.date,
                own[-1].what.date,
                own[-1].what,
                max(own, key=lambda p: p.bits if joint >= 0 else -p.bits),
            )
        )
    pushes.sort(key=lambda g: -abs(g.bits))
    return Why(
        present=present,
        rival=rival,
        probability=(float(now[present]), float(now[rival])),
        forecast_bits=float(_log_odds(forecast[pair])),
        bits=bits,
        singles=tuple(p for kind in singles for p in kind),
        towards=tuple(g for g in pushes if g.bits > 0),
        against=tuple(g for g in pushes if g.bits < 0),
    )
