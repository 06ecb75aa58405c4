"""Where to look next: the information that each sign or test would give about the present phase."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import Tables
from maturity_model.assessment.observed import (
    checkins_of,
    codes_only,
    reading_context,
    sign_context,
)
from maturity_model.catalogue import LOOKS, Analyte
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.logbook.kits import assumed_method, between_steps
from maturity_model.logbook.units import find_unit
from maturity_model.panel import Panel
from maturity_model.population.tables import reading_table, sign_table

#: Ways of looking that are ranked for each sign; a glance is never recommended.
ASKED_LOOKS = ("careful", "torch")
#: Days without an answer after which a sign or analyte counts as unchecked.
UNCHECKED_DAYS = 28
#: Intervals into which the readings of an instrument without a colour chart are grouped.
BINS = 12


@dataclass(frozen=True, slots=True)
class NextCheck:
    """One look or test that could be made now.

    Attributes
    ----------
    kind : {'sign', 'reading'}
    name : str
    how : str
        For a sign the way of looking, for an analyte the method of the keeper's kit.
    bits : float
        Mutual information of its outcome and the present phase, given the log: the expected
        drop of the phase's entropy under the full likelihood of the answer.
    minutes : float
        Effort, from the catalogue.
    seen : float or None
        P(seen | log) for a sign.
    last : date or None
        When it was last answered.
    unchecked : bool
        No answer in the last :data:`UNCHECKED_DAYS` days.
    between : tuple of int
        The two phases that its answer helps most to tell apart.
    """

    kind: Literal["sign", "reading"]
    name: str
    how: str
    bits: float
    minutes: float
    seen: float | None
    last: dt.date | None
    unchecked: bool
    between: tuple[int, int]

    @property
    def per_minute(self) -> float:
        """Bits per minute of effort."""
        return self.bits / self.minutes


def mutual_information(joint: Floats) -> Floats:
    """Mutual information, in bits, of joint distributions, shape (..., K, outcomes).

    They are normalised here.
    """
    total = joint.sum(axis=(-2, -1), keepdims=True)
    joint = joint / np.where(total > 0, total, 1.0)
    apart = joint.sum(axis=-1, keepdims=True) * joint.sum(axis=-2, keepdims=True)
    ratio = np.divide(joint, apart, out=np.ones_like(joint), where=joint > 0)
    return np.asarray(np.maximum((joint * np.log2(ratio)).sum(axis=(-2, -1)), 0.0))


def best_told_apart(joint: Floats) -> tuple[int, int]:
    """The two phases about which an answer tells most, given P(phase now, outcome | log).

    The pair, in order, with the largest information of the outcome about which of the two it is,
    times the probability of either.
    """
    pairs = list(itertools.combinations(range(len(joint)), 2))
    either = joint[np.array(pairs)]
    weighed = either.sum(axis=(1, 2)) * mutual_information(either)
    return pairs[int(np.argmax(weighed))]


def present_lanes(mixture: FilteredMixture) -> Floats:
    """P(state now, skill node, draw | log), shape (S, Q, D); sums to 1."""
    nodes, lanes = mixture.node_weight[:, :, -1], mixture.filtered[:, :, -1]
    return np.asarray(np.einsum("pqd,pqsd,d->sqd", nodes, lanes, mixture.draw_weight[-1]))


def outcome_table(mixture: FilteredMixture, now: Floats, likelihood: Floats) -> Floats:
    """P(phase now, outcome | log), shape (K, outcomes).

    ``now`` is :func:`present_lanes`; ``likelihood``, shape (outcomes, S, Q or 1, D), is
    P(outcome | state, skill, draw).
    """
    s = now.shape[0]
    if likelihood.shape[2] == 1:
        now, likelihood = now.sum(axis=1), likelihood[:, :, 0]
    by_state = (likelihood.reshape(len(likelihood), s, -1) * now.reshape(s, -1)).sum(axis=2)
    return mixture.chain.by_phase(by_state).T


def _signs(tables: Tables, n: int, mixture: FilteredMixture, now: Floats) -> list[NextCheck]:
    panel, day = tables.panel, tables.panel.as_of
    checkins = checkins_of(panel, n)
    contexts = {name: sign_context(name, checkins, day) for name in panel.catalogue.signs}
    asked = [
        (i, sign.name, look)
        for i, sign in enumerate(panel.catalogue.signs.values())
        if panel.tanks[n].can_have(sign.needs)
        for look in ASKED_LOOKS
    ]
    codes = np.array(
        [(i, LOOKS.index(look), contexts[name].value, True) for i, name, look in asked],
        dtype=panel.signs.codes.dtype,
    )
    signs = replace(panel, signs=codes_only(panel.signs, codes))
    seen = sign_table(signs, tables.population, tables.skill, 1.0)
    phases = outcome_table(mixture, now, seen)
    total = mixture.chain.by_phase(now.sum(axis=(1, 2)))
    out = []
    for (_, name, look), column in zip(asked, phases.T, strict=True):
        joint = np.stack([column, np.maximum(total - column, 0.0)], axis=1)
        minutes, chance = panel.catalogue.signs[name].minutes, float(column.sum())
        out.append(_check("sign", name, look, joint, minutes, chance, contexts[name].last, day))
    return out


def _check(
    kind: Literal["sign", "reading"],
    name: str,
    how: str,
    joint: Floats,
    minutes: float,
    seen: float | None,
    last: dt.date | None,
    day: dt.date,
) -> NextCheck:
    """A look or test, given P(phase now, outcome | log) and the day of its last answer."""
    bits, between = float(mutual_information(joint)), best_told_apart(joint)
    unchecked = last is None or (day - last).days >= UNCHECKED_DAYS
    return NextCheck(kind, name, how, bits, minutes, seen, last, unchecked, between)


def keepers_kit(panel: Panel, n: int, analyte: Analyte) -> tuple[str, tuple[float, ...]]:
    """Method and chart of the kit with which the keeper of tank n reads an analyte.

    That in the logbook, else of the latest reading, else the assumed one. The chart's steps are in
    the canonical unit; an instrument has none.
    """
    keeper = panel.tanks[n].keeper
    kits = {k.keeper: k for k in panel.logbook.kits if k.analyte == analyte.name}
    kit = kits.get(keeper) or kits.get("")
    if kit is not None:
        unit = find_unit(analyte.name, kit.unit)
        if kit.steps and unit is not None:
            return kit.method, tuple(unit.convert(x) for x in kit.steps)
        method = kit.method
    else:
        method = assumed_method(analyte)
        for c in checkins_of(panel, n):
            if analyte.name in c.readings:
                method = c.readings[analyte.name].method
    chart = analyte.charts.get(method)
    return method, chart.steps if chart else ()


def outcomes(analyte: Analyte, method: str, steps: tuple[float, ...]) -> list[tuple[float, float]]:
    """Intervals that a reading can fall into, without gaps, from the least value to inf.

    An instrument's readings are grouped into :data:`BINS` of equal width in log(x + offset),
    no finer than it resolves. Grouping loses information, so what it would give is a lower
    bound.
    """
    if steps:
        spans = [between_steps(step, steps, analyte.range.low) for step in steps]
        # Values below half-way to a first step above zero still read as the first.
        return [(analyte.range.low, spans[0][1]), *spans[1:]]
    chart = analyte.charts.get(method)
    grain = (chart.resolution if chart else 0.0) or 1e-9
    top = 5 * max(t.value for t in analyte.typical)
    cuts = np.geomspace(analyte.offset, top + analyte.offset, BINS)[1:] - analyte.offset
    cuts = np.maximum(np.round(cuts / grain - 0.5), 0.0) * grain + grain / 2
    edges = [analyte.range.low, *np.unique(cuts[cuts > analyte.range.low]).tolist(), np.inf]
    return list(itertools.pairwise(edges))


def _readings(tables: Tables, n: int, mixture: FilteredMixture, now: Floats) -> list[NextCheck]:
    panel, day = tables.panel, tables.panel.as_of
    checkins = checkins_of(panel, n)
    rows, plan = [], []
    for i, name in enumerate(panel.catalogue.informative):
        analyte = panel.catalogue.analytes[name]
        method, steps = keepers_kit(panel, n, analyte)
        context = reading_context(name, checkins, day)
        spans = outcomes(analyte, method, steps)
        rows += [(i, low, high, context.value, context.gap) for low, high in spans]
        plan.append((name, analyte, method, context.last, len(spans)))
    codes = np.array(rows, dtype=panel.readings.codes.dtype)
    readings = replace(panel, readings=codes_only(panel.readings, codes))
    likelihood = reading_table(readings, tables.population, 1.0)[:, :, None]
    joint = outcome_table(mixture, now, likelihood)
    out, at = [], 0
    for name, analyte, method, last, width in plan:
        chart = analyte.charts.get(method) or analyte.charts[assumed_method(analyte)]
        answers, minutes = joint[:, at : at + width], chart.minutes.value
        out.append(_check("reading", name, method, answers, minutes, None, last, day))
        at += width
    return out


def rank_by_information_gain(
    tables: Tables, n: int, mixture: FilteredMixture
) -> tuple[NextCheck, ...]:
    """Rank the looks and tests that could be made in tank n now: the most bits per minute first.

    Every sign that can be in the tank, at a careful look and with a torch, and every analyte that
    bears on the phase, with the keeper's kit. Each is ranked alone, so two that would give the
    same information both rank high.
    """
    now = present_lanes(mixture)
    looks = [*_signs(tables, n, mixture, now), *_readings(tables, n, mixture, now)]
    return tuple(sorted(looks, key=lambda x: (-x.per_minute, x.minutes, x.name, x.how)))
