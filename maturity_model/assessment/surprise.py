"""Surprises: answers of the last check-in that were improbable given the log before it.

Two things are watched. The model itself gives the probability that the tank has slipped in
the last weeks, from all signs and readings together. And two things lie outside the model:
animals that were seen week after week and are gone, and a single reading that nothing else
agrees with. The limits below were tuned by the study in ``reports/surprise``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.evidence import POISONS, low_step
from maturity_model.assessment.filtering import Tables, coded_tables
from maturity_model.assessment.observed import KINDS, Observed, codes_only, kinds_of, observed
from maturity_model.catalogue import load_permissions
from maturity_model.hmm import native
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.hmm.staged import step_lanes
from maturity_model.population.tables import judgement_table, reading_table, sign_table

#: Weeks back in which a slip is recent.
RECENT_WEEKS = 3
#: P(fell back to the first phase recently) that raises the alarm; small, because missing it
#: is costly.
FELL = 0.025
#: P(slipped at all recently) that raises the alarm.
SLIPPED = 0.25
#: A reading whose tail probability is below this is far off.
FAR_OFF = 0.01
#: An animal sign whose absence had less than this probability has vanished.
VANISHED = 0.1
#: P(none of the vanished animals seen) below which they raise the alarm.
VANISHED_TOGETHER = 0.002
#: P(slip) at or above which a far-off reading counts as corroborated.
CORROBORATED = 0.1
#: Animals whose disappearance is held to be the worst omen (common practice, no source).
PODS = ("amphipods", "copepods")

Alarm = Literal["", "check the kit", "something is wrong"]


@dataclass(frozen=True, slots=True)
class Surprise:
    """One observation of the last check-in.

    Attributes
    ----------
    what : Observed
    probability : float
        P(this answer | log before this check-in) for a sign or judgement, with the full
        likelihood. For a reading, the tail: twice the smaller of P(at least as high) and
        P(at least as low), at most 1.
    vanished : bool
        An animal sign that was seen repeatedly and is not seen now, with a probability
        below :data:`VANISHED`.
    far_off : bool
        A reading whose tail is below :data:`FAR_OFF`.
    high : bool or None
        Whether the reading lies on the high side; None for other kinds.
    """

    what: Observed
    probability: float
    vanished: bool
    far_off: bool
    high: bool | None


@dataclass(frozen=True, slots=True)
class Surprises:
    """The surprises of one check-in.

    Attributes
    ----------
    alarm : {'', 'check the kit', 'something is wrong'}
        ``something is wrong``: the probability of having fallen or slipped reaches
        :data:`FELL` or :data:`SLIPPED`; or animals vanished together; or a reading is far off
        and a slip, vanished animals, another reading that is far off, or the other of ammonia
        and nitrite above its low step corroborates it.
        ``check the kit``: a reading is far off and nothing corroborates it.
    recent : RecentSlip
        Over the last :data:`RECENT_WEEKS` weeks, given the log up to the week of the check-in.
    vanished : float
        P(none of the vanished animals seen | log before this check-in); 1 for none vanished.
    pods : bool
        Whether pods are among the vanished.
    items : tuple of Surprise
        All observations of the check-in, least probable first.
    """

    alarm: Alarm
    recent: RecentSlip
    vanished: float
    pods: bool
    items: tuple[Surprise, ...]

    @property
    def date(self) -> dt.date:
        """Day of the check-in."""
        return self.items[0].what.date


class RecentSlip(NamedTuple):
    """Slips of the last weeks.

    Both fields are given the log up to the end of a week, draw weights included. The evidence
    weight discounts observations that repeat one another for months, which those of the last
    weeks do not. So the log before those weeks counts with that weight, and the
    observations in them count in full.

    Attributes
    ----------
    slipped : float
        Expected number of moves to a lower phase in those weeks: an upper bound on the
        probability of any, and close to it while it is small.
    fell : float
        P(in the first phase now, and in a later one before those weeks).
    """

    slipped: float
    fell: float


def recent_slip(
    mixture: FilteredMixture, week: int, evidence_weight: float, weeks: int = RECENT_WEEKS
) -> RecentSlip:
    """Compute the slips of the last ``weeks`` moves up to ``week``.

    ``evidence_weight`` is the one in ``mixture``; with 0, no observation counts.
    """
    back = max(week - weeks, 0)
    if back == week:
        return RecentSlip(0.0, 0.0)
    p, q, _, s, d = mixture.filtered.shape
    length = week - back
    full = np.ones((length + 1, s, q, d))
    if evidence_weight > 0:
        full[1:] = mixture.emission[back + 1 : week + 1]
        if evidence_weight != 1:
            full[1:] **= 1 / evidence_weight
    moves = np.ascontiguousarray(mixture.moves[back:week])
    # Filter again from the lanes as they were. `later` holds only paths that started in a
    # later phase.
    filtered, scale = np.empty((p, q, length + 1, s, d)), np.ones((p, q, length + 1, d))
    filtered[:, :, 0] = mixture.filtered[:, :, back]
    later = filtered[:, :, 0].copy()
    first = slice(0, mixture.chain.n_stages)
    later[:, :, first] = 0.0
    for t in range(length):
        seen = full[t + 1].swapaxes(0, 1)
        new = step_lanes(filtered[:, :, t], moves[t], mixture.chain) * seen
        total = new.sum(axis=2)
        scale[:, :, t + 1] = total
        inverse = (1.0 / np.where(total > 0, total, 1.0))[:, :, None]
        filtered[:, :, t + 1] = new * inverse
        later = step_lanes(later, moves[t], mixture.chain) * seen * inverse
    lanes = mixture.node_weight[:, :, back] * scale.prod(axis=2)
    within = lanes.sum(axis=(0, 1))
    nodes = lanes / np.where(within > 0, within, 1.0)
    draws = mixture.draw_weight[back] * within ** float(mixture.trusted.power[back])
    draws = draws / draws.sum()
    states, down = np.empty((length + 1, s, d)), np.empty((length + 1, d))
    native.smooth_lanes(
        moves, full, filtered, scale, nodes, *mixture.chain, states, down, np.empty((2 * s + 1, d))
    )
    fell = np.einsum("pqsd,pqd,d->", later[:, :, first], nodes, draws)
    return RecentSlip(float(down.sum(axis=0) @ draws), float(fell))


def predicted(
    tables: Tables, n: int, mixture: FilteredMixture, week: int, earlier: list[tuple[int, int]]
) -> Floats:
    """P(state, skill node, draw) before a check-in of tank n, shape (S, Q, D); sums to 1.

    ``earlier`` holds kind and code of that week's observations before the check-in.
    """
    if week > 0:
        lanes = step_lanes(mixture.filtered[:, :, week - 1], mixture.moves[week - 1], mixture.chain)
        nodes = mixture.node_weight[:, :, week - 1]
        draws, power = mixture.draw_weight[week - 1], float(mixture.trusted.power[week - 1])
    else:
        d = mixture.states.shape[2]
        start = tables.population.start[tables.panel.rock[n]]
        lanes = np.broadcast_to(start[:, None], (*tables.node_prior.shape, len(start), d)).copy()
        nodes = np.broadcast_to(tables.node_prior[:, :, None], (*tables.node_prior.shape, d))
        draws, power = mixture.start.weight[0], float(mixture.start.power[0])
    joint = np.einsum("pqd,pqsd->sqd", nodes, lanes)
    coded = coded_tables(tables)
    for kind, code in earlier:
        joint = joint * coded[kind][1][code]
    within = joint.sum(axis=(0, 1))
    if earlier:
        draws = draws * within**power
        draws = draws / draws.sum()
    return np.asarray(joint * (draws / np.where(within > 0, within, 1.0)))


def before_checkin(
    tables: Tables, n: int, mixture: FilteredMixture, week: int, checkin: int
) -> Floats:
    """:func:`predicted` before the tank's check-in of this index, which lies in ``week``."""
    return predicted(tables, n, mixture, week, _earlier(observed(tables.panel, n), week, checkin))


def _earlier(
    what: tuple[tuple[Observed, ...], ...], week: int, checkin: int
) -> list[tuple[int, int]]:
    """Kind and code of a week's observations before a check-in."""
    return [
        (kind, o.code)
        for kind, items in enumerate(what)
        for o in items
        if o.week == week and o.checkin < checkin
    ]


def _full_likelihood(tables: Tables, what: list[Observed]) -> list[Floats]:
    """P(answer | state, skill, draw), shape (S, Q or 1, D), of observations sorted by kind."""
    signs, readings, judgements = (
        codes_only(kind, kind.codes[[o.code for o in what if o.kind == name]])
        for name, kind in zip(KINDS, kinds_of(tables.panel), strict=True)
    )
    panel = replace(tables.panel, signs=signs, readings=readings, judgements=judgements)
    return [
        *sign_table(panel, tables.population, tables.skill, 1.0),
        *reading_table(panel, tables.population, 1.0)[:, :, None],
        *judgement_table(panel, tables.population, 1.0)[:, :, None],
    ]


def _tails(tables: Tables, what: Observed) -> tuple[Floats, Floats]:
    """P(value >= low), P(value <= high) of a reading | state, draw, shape (S, 1, D) each."""
    panel = tables.panel
    codes = np.repeat(panel.readings.codes[[what.code]], 2)
    codes["high"][0], codes["low"][1] = np.inf, 0.0
    both = replace(panel, readings=codes_only(panel.readings, codes))
    table = reading_table(both, tables.population, 1.0)[:, :, None]
    return table[0], table[1]


def _under(joint: Floats, likelihood: Floats) -> float:
    return float((joint * likelihood).sum())


def surprises(
    tables: Tables,
    n: int,
    mixture: FilteredMixture,
    checkin: int | None = None,
    what: tuple[tuple[Observed, ...], ...] | None = None,
) -> Surprises | None:
    """Find the surprises of a check-in of tank n.

    Parameters
    ----------
    checkin : int, optional
        Index of the check-in; default the last. Nothing logged after that week is used.
    what : tuple, optional
        ``observed(tables.panel, n)``, if the caller has it.

    Returns
    -------
    Surprises or None
        None without a check-in that holds an observation.
    """
    kinds = observed(tables.panel, n) if what is None else what
    everything = [(k, o) for k, items in enumerate(kinds) for o in items]
    if not everything:
        return None
    if checkin is None:
        checkin = max(o.checkin for _, o in everything)
    new = [o for _, o in everything if o.checkin == checkin]
    if not new:
        return None
    week = new[0].week
    joint = predicted(tables, n, mixture, week, _earlier(kinds, week, checkin))
    items, gone = [], np.ones((1, 1, 1))
    for o, likelihood in zip(new, _full_likelihood(tables, new), strict=True):
        vanished, far_off, high = False, False, None
        if o.kind == "reading":
            above, below = (_under(joint, x) for x in _tails(tables, o))
            p, high = min(2 * min(above, below), 1.0), above < below
            far_off = p < FAR_OFF
        else:
            p = _under(joint, likelihood)
        if o.kind == "sign" and not o.seen and p < VANISHED:
            sign = tables.panel.catalogue.signs[o.name]
            level = float(tables.panel.signs.codes["level"][o.code])
            vanished = sign.group == "animals" and level > 0
            if vanished:
                gone = gone * likelihood
        items.append(Surprise(o, p, vanished, far_off, high))
    items.sort(key=lambda s: s.probability)
    recent = recent_slip(mixture, week, tables.evidence_weight)
    any_gone = any(s.vanished for s in items)
    together = _under(joint, gone) if any_gone else 1.0
    return Surprises(
        alarm=_alarm(recent, together, sum(s.far_off for s in items), _poisons_agree(items)),
        recent=recent,
        vanished=together,
        pods=any(s.vanished and s.what.name in PODS for s in items),
        items=tuple(items),
    )


def _poisons_agree(items: list[Surprise]) -> bool:
    """Whether one of ammonia and nitrite is far above the expected, and the other not low."""
    limits = load_permissions()
    high = {
        s.what.name
        for s in items
        if s.what.reading is not None and s.what.reading.low > low_step(s.what.reading, limits)
    }
    far_off = any(s.far_off and s.high and s.what.name in POISONS for s in items)
    return far_off and high.issuperset(POISONS)


def _alarm(recent: RecentSlip, vanished: float, far_off: int, agreed: bool) -> Alarm:
    if recent.fell >= FELL or recent.slipped >= SLIPPED or vanished < VANISHED_TOGETHER:
        return "something is wrong"
    if far_off:
        corroborated = recent.slipped >= CORROBORATED or vanished < 1.0 or far_off > 1 or agreed
        return "something is wrong" if corroborated else "check the kit"
    return ""
