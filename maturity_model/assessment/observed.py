"""Each observation of a tank, with its code and its place in the log.

The panel holds codes on a weekly grid; a keeper wants the date and the words. The panel
makes its codes from the check-ins in order, so the same order matches them here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from maturity_model.logbook import CheckIn, Reading
from maturity_model.panel import (
    BALANCE_HALF_LIFE,
    PREVIOUS_WEEKS,
    Observations,
    Panel,
    balance_level,
)

Kind = Literal["sign", "reading", "judgement"]
KINDS: tuple[Kind, ...] = ("sign", "reading", "judgement")
#: Name under which judged phases are grouped.
JUDGED = "judged_phase"


@dataclass(frozen=True, slots=True)
class Observed:
    """One observation that entered the likelihood.

    Attributes
    ----------
    kind : {'sign', 'reading', 'judgement'}
    name : str
        Of the sign or analyte; ``judged_phase`` for a judgement.
    date : date
        Of the check-in.
    week : int
        Week of the tank, 0 the week of its start.
    code : int
        Index into the panel's codes of its kind.
    seen : bool or None
        For a sign: seen, or looked for and not seen.
    reading : Reading or None
    phase : str or None
        The judged phase.
    look : str
        Way of looking of its check-in.
    checkin : int
        Index of the check-in among the tank's.
    """

    kind: Kind
    name: str
    date: dt.date
    week: int
    code: int
    seen: bool | None
    reading: Reading | None
    phase: str | None
    look: str
    checkin: int


def kinds_of(panel: Panel) -> tuple[Observations, Observations, Observations]:
    """The panel's observations in the order of :data:`KINDS`."""
    return panel.signs, panel.readings, panel.judgements


def checkins_of(panel: Panel, n: int) -> tuple[CheckIn, ...]:
    """Check-ins of tank n up to the day of the panel, by date."""
    return panel.checkins_by_tank.get(panel.tanks[n].name, ())


def observed(panel: Panel, n: int) -> tuple[tuple[Observed, ...], ...]:
    """Observations of tank n.

    Returns
    -------
    tuple of tuple of Observed
        Signs, readings, judgements; each in the order of the panel's codes.
    """
    first, last = int(panel.first[n]), int(panel.first[n + 1])
    codes = [kind.of_rows(first, last)[1] for kind in kinds_of(panel)]
    started, informative = panel.tanks[n].started, set(panel.catalogue.informative)
    out: tuple[list[Observed], ...] = ([], [], [])
    for at, c in enumerate(checkins_of(panel, n)):
        week = (c.date - started).days // 7
        rows: list[tuple[int, str, bool | None, Reading | None, str | None]] = []
        rows += [(0, name, seen, None, None) for name, seen in c.signs.items()]
        rows += [(1, name, None, r, None) for name, r in c.readings.items() if name in informative]
        if c.judged_phase is not None:
            rows.append((2, JUDGED, None, None, c.judged_phase))
        for kind, name, seen, reading, phase in rows:
            code = int(codes[kind][len(out[kind])])
            out[kind].append(
                Observed(KINDS[kind], name, c.date, week, code, seen, reading, phase, c.look, at)
            )
    return tuple(tuple(kind) for kind in out)


class Context(NamedTuple):
    """What the log so far contributes to the next answer of a sign or analyte.

    Attributes
    ----------
    last : date or None
        When it was last answered.
    value : float
        Sign: level of the balance of past sightings. Analyte: previous reading, -1 if
        there is none or it is too old.
    gap : float
        Analyte: weeks since the previous reading, as the panel's codes hold it.
    """

    last: dt.date | None
    value: float
    gap: float = 0.0


def sign_context(name: str, checkins: Iterable[CheckIn], day: dt.date) -> Context:
    """Balance of past sightings of a sign as a look on ``day`` would find it."""
    total, last = 0.0, None
    for c in checkins:
        if name in c.signs:
            if last is not None:
                total *= 2.0 ** (-(c.date - last).days / BALANCE_HALF_LIFE)
            total += 1.0 if c.signs[name] else -1.0
            last = c.date
    if last is None:
        return Context(None, 0.0)
    return Context(last, balance_level(total * 2.0 ** (-(day - last).days / BALANCE_HALF_LIFE)))


def reading_context(name: str, checkins: Iterable[CheckIn], day: dt.date) -> Context:
    """Previous reading of an analyte as a test on ``day`` would find it."""
    last = value = None
    for c in checkins:
        if name in c.readings:
            last, value = c.date, c.readings[name].best
    if last is None or value is None:
        return Context(None, -1.0)
    gap = max((day - last).days / 7.0, 1.0)
    if gap > PREVIOUS_WEEKS:
        return Context(last, -1.0)
    return Context(last, value, gap)


def codes_only(kind: Observations, codes: np.ndarray) -> Observations:
    """Codes without any row of the grid, for the tables of ``population.tables``."""
    nothing = np.zeros(0, dtype=np.int64)
    return Observations(codes, nothing, nothing)
