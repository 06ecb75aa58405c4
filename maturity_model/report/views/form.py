"""The form for the weekly check-in: a card a tank, with the looks that tell most."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from maturity_model.catalogue.guide import load_guide
from maturity_model.file_names import file_names
from maturity_model.logbook.photos import VIEWS
from maturity_model.logbook.plausible import ranges_by_unit
from maturity_model.report.plain_text import cut
from maturity_model.report.views.actions import urgent_words
from maturity_model.report.views.folds import best_looks
from maturity_model.report.views.form_asks import ReadingAsk, SignAsk, reading_asks, sign_asks
from maturity_model.report.views.guide import EntryView, guide_entry
from maturity_model.report.views.labels import event_label
from maturity_model.report.views.problems import ALWAYS, Safety, cautions_of
from maturity_model.report.wording import capital, date_words, look_words

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import EventKind
    from maturity_model.logbook.types import Logbook

#: Looks that a card shows unfolded.
MOST = 5


@dataclass(frozen=True)
class Happening:
    """A kind of event that can be logged; empty texts where it has no amount."""

    name: str
    label: str
    description: str
    means: str
    usual: str
    most: str
    percent: bool


@dataclass(frozen=True)
class Card:
    """One tank.

    Attributes
    ----------
    name, file : str
        ``file`` goes into the name of the file that holds this tank alone.
    started : date
    look : str
        When somebody looked last.
    urgent : tuple of str
        What happened and what to do, each in a line.
    safety : tuple of Safety
        The cautions in full.
    first : tuple of SignAsk or ReadingAsk
        What tells most, unfolded; what an urgent caution asks for stands first.
    signs, readings, rare : tuple
        The rest, folded; ``rare`` are readings that this keeper has never taken.
    cannot : str
        Kinds of events that cannot happen to this tank, separated by blanks.
    events : str
        The last ones.
    """

    name: str
    file: str
    started: dt.date
    look: str
    urgent: tuple[str, ...]
    safety: tuple[Safety, ...]
    first: tuple[SignAsk | ReadingAsk, ...]
    signs: tuple[SignAsk, ...]
    readings: tuple[ReadingAsk, ...]
    rare: tuple[ReadingAsk, ...]
    cannot: str
    events: str


@dataclass(frozen=True)
class FormView:
    """The form of a keeper, or of everybody; ``data`` are attributes that its script reads."""

    title: str
    keeper: str
    made: str
    people: tuple[str, ...]
    cards: tuple[Card, ...]
    left_out: tuple[str, ...]
    phases: tuple[tuple[str, str], ...]
    happenings: tuple[Happening, ...]
    always: tuple[Safety, ...]
    data: dict[str, str]
    #: Views of a photo, by number.
    views: dict[int, str]
    #: Of the signs that are asked for, each once.
    guide: tuple[EntryView, ...]


def form_view(
    assessment: Assessment, logbook: Logbook, keeper: str | None, decimal: str
) -> FormView:
    """What the form shows.

    Parameters
    ----------
    assessment : Assessment
        As of the day when it is made, with the questions answered.
    logbook : Logbook
        The one that was assessed.
    keeper : str or None
        Only this keeper's tanks; None for all.
    decimal : {'.', ','}
        Decimal mark of the logbook.
    """
    catalogue = assessment.catalogue
    tanks = [t for t in assessment.tanks if keeper is None or t.tank.keeper == keeper]
    files = file_names([t.tank.name for t in tanks])
    shown = {t.tank.name for t in assessment.tanks} | {t.name for t in assessment.ended}
    left_out = [*logbook.refused_tanks, *(n for n in logbook.tanks if n not in shown)]
    as_of = assessment.provenance.as_of
    data = {
        "keeper": keeper or "",
        "file": "checkins-" + file_names([keeper])[keeper] if keeper else "checkins",
        "decimal": decimal,
        "signs": json.dumps(list(catalogue.signs)),
        "ranges": json.dumps({n: ranges_by_unit(a) for n, a in catalogue.analytes.items()}),
    }
    cards = tuple(_card(t, assessment, logbook, files[t.tank.name]) for t in tanks)
    asked = {ask.name for card in cards for ask in (*card.first, *card.signs)}
    drawn = [name for name in catalogue.signs if name in asked and name in load_guide()]
    return FormView(
        title=f"Check-in: {keeper}" if keeper else "Check-in",
        keeper=keeper or "",
        made=date_words(as_of, as_of),
        people=tuple(sorted({t.keeper for t in logbook.tanks.values()} - {""})),
        cards=cards,
        left_out=tuple(cut(name, 80) for name in left_out[:20]),
        phases=tuple((p.name, p.label) for p in catalogue.phases.values()),
        happenings=tuple(_happening(kind) for kind in catalogue.events.values()),
        always=ALWAYS,
        data=data,
        views=VIEWS,
        guide=tuple(map(guide_entry, drawn)),
    )


def _card(tank: TankAssessment, assessment: Assessment, logbook: Logbook, file: str) -> Card:
    as_of, catalogue = assessment.provenance.as_of, assessment.catalogue
    looks = best_looks(tank.questions.next_checks) if tank.questions else []
    ranked = {x.name: x for x in looks}
    signs = sign_asks(tank, assessment, ranked)
    readings = reading_asks(tank, assessment, logbook, ranked)
    urgent = [c for c in tank.cautions if c.level == "urgent"]
    names = first_names(tank)
    either: dict[str, SignAsk | ReadingAsk] = {**signs, **readings}
    taken = {a for c in logbook.checkins for a in c.readings
             if logbook.tanks[c.tank].keeper == tank.tank.keeper}  # fmt: skip
    rest = [r for r in readings.values() if r.name not in names]
    kinds = catalogue.events.values()
    last = tank.reach.last_look
    return Card(
        name=tank.tank.name,
        file=file,
        started=tank.tank.started,
        look=f"Last look {look_words((as_of - last).days)}" if last else "No look yet",
        urgent=tuple(urgent_words(c, as_of) for c in urgent),
        safety=cautions_of(tank.cautions, as_of),
        first=tuple(either[name] for name in names if name in either),
        signs=tuple(s for s in signs.values() if s.name not in names),
        readings=tuple(r for r in rest if r.name in taken or not taken),
        rare=tuple(r for r in rest if taken and r.name not in taken),
        cannot=" ".join(k.name for k in kinds if not tank.tank.can_have(k.needs)),
        events=_last_events(tank, assessment),
    )


def first_names(tank: TankAssessment) -> list[str]:
    """What is asked for first: what an urgent caution wants, then the looks that tell most."""
    urgent = any(c.level == "urgent" for c in tank.cautions)
    asked = ["ammonia"] if urgent or _asks_for_ammonia(tank) else []
    looks = best_looks(tank.questions.next_checks) if tank.questions else []
    return list(dict.fromkeys([*asked, *(x.name for x in looks)]))[:MOST]


def _asks_for_ammonia(tank: TankAssessment) -> bool:
    decisions = tank.questions.decisions if tank.questions else ()
    return any(d.action == "measure_ammonia" and d.verdict == "yes" for d in decisions)


def _last_events(tank: TankAssessment, assessment: Assessment) -> str:
    said = []
    for event in tank.events[-3:][::-1]:
        kind = assessment.catalogue.events[event.kind]
        much = f" {event.amount:g} {kind.unit}" if event.amount is not None else ""
        label = event_label(event.kind, assessment.catalogue)
        said.append(f"{label}{much}, {date_words(event.date, assessment.provenance.as_of)}")
    return capital("; ".join(said)) or "None logged"


def _happening(kind: EventKind) -> Happening:
    amount = bool(kind.amount_means)
    return Happening(
        name=kind.name,
        label=cut(kind.label, 80),
        description=kind.description,
        means=capital(kind.amount_means),
        usual=f"{kind.default_amount:g}" if amount and kind.default_amount is not None else "",
        most=f"{kind.max_amount:g}" if amount and kind.max_amount is not None else "",
        percent=kind.unit == "%",
    )
