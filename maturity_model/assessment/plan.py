"""What-if plans: events today, and husbandry from now on.

A plan is written ``EVENT``, ``EVENT=AMOUNT`` (today), ``EVENT=AMOUNT/2w`` or
``EVENT=AMOUNT/10d`` (from now on, that often), ``water_change=none`` (none from now on),
and several of these joined with ``+``. Events and amounts are those of the log.
"""

from __future__ import annotations

import bisect
import datetime as dt
import re
from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.present import Present
from maturity_model.catalogue import Catalogue, EventKind
from maturity_model.panel import WATER_CAP, WATER_UNIT, WATER_USUAL

WATER = "water_change"
#: Days in which changed water counts; the longest text and the longest period accepted.
WINDOW, MAX_TEXT, MAX_DAYS = 28, 200, 182
_NUMBER = re.compile(r"([0-9]{1,6})(?:[.,]([0-9]{1,4}))?\Z")
_PERIOD = re.compile(r"([0-9]{1,3})([dw])\Z")


class PlanError(ValueError):
    """A plan that cannot be understood; the message says why, in plain words."""


@dataclass(frozen=True, slots=True)
class Step:
    """One part of a plan.

    Attributes
    ----------
    kind : str
        Name of an event.
    amount : float or None
        As in the log; None where the event has none.
    days : int
        0: today, once; otherwise from now on, at intervals of this length.
    none : bool
        No water changes from now on.
    """

    kind: str
    amount: float | None = None
    days: int = 0
    none: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """A course of events and husbandry from now on.

    Attributes
    ----------
    text : str
        As written.
    steps : tuple of Step
    """

    text: str
    steps: tuple[Step, ...]

    def label(self, catalogue: Catalogue) -> str:
        """The plan in plain words, for example ``Overfeeding today (3 x)``."""
        return "; ".join(_step_label(step, catalogue.events[step.kind]) for step in self.steps)


def _step_label(step: Step, kind: EventKind) -> str:
    if step.none:
        return f"no {kind.label.lower()} from now on"
    amount = "" if step.amount is None else f" ({step.amount:g} {kind.unit})"
    if step.days == 0:
        return f"{kind.label}{amount} today"
    count, unit = (step.days // 7, "week") if step.days % 7 == 0 else (step.days, "day")
    often = f"every {unit}" if count == 1 else f"every {count} {unit}s"
    return f"{kind.label}{amount} {often} from now on"


def parse_plan(text: str, catalogue: Catalogue) -> Plan:
    """Read a plan such as ``overfeeding=3`` or ``water_change=20/2w``, or raise PlanError."""
    if len(text) > MAX_TEXT:
        raise PlanError(f"a what-if has at most {MAX_TEXT} characters")
    steps = tuple(_step(part.strip(), catalogue) for part in text.split("+"))
    standing = [s.kind for s in steps if s.days or s.none]
    for kind in standing:
        if standing.count(kind) > 1:
            raise PlanError(f"{kind} is given two rhythms; one is needed")
    return Plan(text, steps)


def _step(text: str, catalogue: Catalogue) -> Step:
    head, slash, often = (part.strip() for part in text.partition("/"))
    name, equals, written = (part.strip() for part in head.partition("="))
    kind = catalogue.events.get(name)
    if kind is None:
        raise PlanError(
            f"{name[:40]!r} is not an event; the events are {', '.join(catalogue.events)}"
        )
    if written.lower() == "none" and not slash:
        if name != WATER:
            raise PlanError(f"no further {name} is what is assumed anyway; leave it out")
        return Step(name, none=True)
    if equals and not written:
        raise PlanError(f"an amount is missing after {name}=")
    days = _days(often, name) if slash else 0
    return Step(name, _amount(written, kind) if equals else _blank(kind), days)


def _blank(kind: EventKind) -> float | None:
    """Return the amount that a blank means."""
    if kind.amount_means and kind.default_amount is None:
        raise PlanError(
            f"{kind.name} needs an amount ({kind.amount_means}), "
            f"for example {kind.name}={kind.reference_amount:g}"
        )
    return kind.default_amount


def _amount(text: str, kind: EventKind) -> float:
    if not kind.amount_means:
        raise PlanError(f"{kind.name} has no amount; write {kind.name} alone")
    match = _NUMBER.match(text.removesuffix(kind.unit).strip())
    if not match:
        raise PlanError(
            f"{text[:40]!r} is not an amount; "
            f"{kind.name} takes a plain number ({kind.amount_means})"
        )
    value = float(f"{match[1]}.{match[2] or 0}")
    if kind.max_amount is not None and value > kind.max_amount:
        raise PlanError(f"{value:g} is too much for {kind.name}; at most {kind.max_amount:g}")
    return value


def _days(text: str, name: str) -> int:
    match = _PERIOD.match(text)
    days = int(match[1]) * (7 if match[2] == "w" else 1) if match else 0
    if not 1 <= days <= MAX_DAYS:
        raise PlanError(
            f"{text[:40]!r} does not say how often; write for example {name}=20/2w (every two "
            f"weeks) or /10d (every ten days), at most {MAX_DAYS} days"
        )
    return days


@dataclass(frozen=True)
class Ahead:
    """Hazards 1..H weeks ahead of the present, by draw.

    Attributes
    ----------
    factor : ndarray, shape (1, H, K or 1, D)
        On the present hazards of advancing, by phase.
    setback, collapse : ndarray, shape (1, H, K, D)
    """

    factor: Floats
    setback: Floats
    collapse: Floats


def _planned(present: Present, step: Step, horizon: int) -> list[dt.date]:
    """Days of a step, up to the end of the horizon."""
    today = present.panel.as_of
    if step.none:
        return []
    if step.days == 0:
        return [today]
    period, day = dt.timedelta(days=step.days), today
    if step.kind == WATER:
        # A rhythm continues from the last change in the log, so that planning what is
        # already done changes nothing.
        past = [d for d, _ in _changes(present)]
        if past:
            day = max(today, past[-1] + period)
    return [day + i * period for i in range((_week_end(present, horizon) - day) // period + 1)]


def _week_end(present: Present, ahead: int) -> dt.date:
    started = present.panel.tanks[present.n].started
    return started + dt.timedelta(days=7 * (present.weeks - 1 + ahead) + 6)


def _changes(present: Present) -> list[tuple[dt.date, float]]:
    """Logged water changes of the tank, by date."""
    return sorted((e.date, e.amount or 0.0) for e in present.events if e.kind == WATER)


def _share(changes: list[tuple[dt.date, float]], end: dt.date, weeks: int) -> float:
    """Percent changed in the four weeks to a day, scaled up in a young tank as in the panel."""
    days = [d for d, _ in changes]
    since = bisect.bisect_right(days, end - dt.timedelta(days=WINDOW))
    return sum(a for _, a in changes[since : bisect.bisect_right(days, end)]) * 4 / min(4, weeks)


def water_ahead(present: Present, horizon: int, plan: Plan | None = None) -> Floats:
    """The water covariate 1..horizon weeks ahead, shape (horizon,).

    Without a rhythm in the plan, husbandry stays as it is. With one, the logged changes leave
    the window of four weeks day by day as the planned ones enter it; without any logged
    change, the past counts as usual.
    """
    panel, row = present.panel, int(present.panel.first[present.n + 1]) - 1
    now = panel.husbandry[row, list(panel.catalogue.husbandry).index("water_changed")]
    water = [s for s in plan.steps if s.kind == WATER] if plan else []
    if not water:
        return np.full(horizon, now)
    today, known = panel.as_of, bool(panel.water_known[row])
    past = _changes(present)
    standing = _share(past, today, present.weeks) if known else WATER_USUAL * WATER_UNIT
    once: list[tuple[dt.date, float]] = []
    rhythm: list[tuple[dt.date, float]] = []
    for step in water:
        days = [(d, step.amount or 0.0) for d in _planned(present, step, horizon)]
        (rhythm if step.days or step.none else once).extend(days)
    steady = not any(s.days or s.none for s in water)
    out = np.empty(horizon)
    for h in range(1, horizon + 1):
        end, weeks = _week_end(present, h), present.weeks + h
        percent = _share(once, end, weeks)
        if steady:
            percent += standing
        else:
            percent += _share(sorted(past + rhythm) if known else rhythm, end, weeks)
            if not known:
                # Days of the window in the unlogged past.
                unlogged = max(WINDOW - (end - today).days, 0)
                percent += standing * unlogged / WINDOW
        out[h - 1] = min(percent / WATER_UNIT, WATER_CAP) - WATER_USUAL
    return out


def look_ahead(present: Present, horizon: int, plan: Plan | None = None) -> Ahead:
    """Hazards of the next weeks, with no event but the plan's and otherwise husbandry as it is."""
    panel, population = present.panel, present.population
    extra = change = None
    if plan is not None:
        catalogue, started = panel.catalogue, panel.tanks[present.n].started
        index = {name: i for i, name in enumerate(catalogue.events)}
        extra = np.zeros((horizon, len(index)))
        for step in plan.steps:
            size = catalogue.events[step.kind].size(step.amount)
            for day in _planned(present, step, horizon):
                week = (day - started).days // 7 - (present.weeks - 1)
                extra[max(week, 1) - 1, index[step.kind]] += size
        if any(s.kind == WATER for s in plan.steps):
            names = list(population.covariates)
            now = panel.husbandry[int(panel.first[present.n + 1]) - 1]
            change = np.zeros((horizon, len(names)))
            at = names.index("water_changed")
            change[:, at] = water_ahead(present, horizon, plan) - now[at]
    return Ahead(*present.hazards.from_now(horizon, extra, change))
