"""What a check-in form asks of a tank: signs to look for, readings to take, in a keeper's words."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, NamedTuple, TypeVar

from maturity_model.catalogue.guide import load_guide
from maturity_model.logbook.kits import assumed_method
from maturity_model.logbook.units import default_unit, find_unit
from maturity_model.report.plain_text import cut
from maturity_model.report.views.labels import unit_label
from maturity_model.report.wording import date_words

if TYPE_CHECKING:
    import datetime as dt

    from maturity_model.assessment.next_checks import NextCheck
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.catalogue import Analyte
    from maturity_model.logbook.types import Logbook

_METHOD_WORDS = {"colour_chart": "colour chart", "strip": "test strip"}
_Ask = TypeVar("_Ask")
#: A look that tells less, in bits, is not worth a reason.
_TELLING = 0.02


class Scale(NamedTuple):
    """How a keeper writes a reading.

    Attributes
    ----------
    unit, method : str
    steps : tuple of float
        Of the chart, in ``unit``; empty for an instrument.
    named : bool
        Whether the logbook has a kit for it.
    """

    unit: str
    method: str
    steps: tuple[float, ...]
    named: bool


@dataclass(frozen=True)
class SignAsk:
    """A sign to look for: ``hint`` says where and how, ``why`` what an answer would settle.

    ``last`` is the last answer and its day; ``last_value`` is 'y', 'n' or nothing. ``drawn`` says
    whether the field guide shows it: a club's own sign it does not.
    """

    kind: ClassVar[str] = "sign"
    name: str
    label: str
    hint: str
    last: str
    last_value: str
    why: str = ""
    drawn: bool = False


@dataclass(frozen=True)
class ReadingAsk:
    """A reading to take; ``units`` are those that it may be written in, as JSON.

    ``choices`` are what the chart can show, for an instrument nothing.
    """

    kind: ClassVar[str] = "reading"
    name: str
    label: str
    about: str
    units: str
    nutrient: bool
    choices: tuple[str, ...]
    last: str
    why: str = ""


def scale_of(logbook: Logbook, keeper: str, analyte: Analyte) -> Scale:
    """The kit of a keeper, else the one for everybody, else what is assumed of any."""
    kits = {k.keeper: k for k in logbook.kits if k.analyte == analyte.name}
    kit = kits.get(keeper) or kits.get("")
    unit = (find_unit(analyte.name, kit.unit) if kit else None) or default_unit(analyte.name)
    method = kit.method if kit else assumed_method(analyte)
    # Charts of the catalogue are in its own unit.
    same = all(unit.convert(x) == x for x in (1.0, 7.0))
    chart = analyte.charts.get(method)
    steps = kit.steps if kit else ()
    if not steps and chart is not None and same:
        steps = chart.steps
    return Scale(unit.name, method, tuple(steps), kit is not None)


def why_look(look: NextCheck | None, assessment: Assessment) -> str:
    """What an answer would settle, in a few words."""
    if look is None or look.bits < _TELLING:
        return ""
    phases = [p.label.lower() for p in assessment.catalogue.phases.values()]
    one, other = (phases[k] for k in look.between)
    return f"would settle {one} or {other}"


def sign_asks(
    tank: TankAssessment, assessment: Assessment, ranked: dict[str, NextCheck]
) -> dict[str, SignAsk]:
    """Every sign that can be in the tank, by name: what tells most first."""
    as_of = assessment.provenance.as_of
    last: dict[str, tuple[bool, dt.date]] = {}
    for checkin in tank.checkins:
        for name, seen in checkin.signs.items():
            last[name] = seen, checkin.date
    out = {}
    for sign in assessment.catalogue.signs.values():
        if not tank.tank.can_have(sign.needs):
            continue
        before, value = "not looked for yet", ""
        if sign.name in last:
            seen, date = last[sign.name]
            value = "y" if seen else "n"
            before = f"{'seen' if seen else 'not seen'} on {date_words(date, as_of)}"
        hint = ". ".join(x.rstrip(".") for x in (sign.where, sign.how) if x)
        why = why_look(ranked.get(sign.name), assessment)
        label = cut(sign.label, 80)
        drawn = sign.name in load_guide()
        out[sign.name] = SignAsk(sign.name, label, cut(hint, 400), before, value, why, drawn)
    return _in_order(out, ranked)


def reading_asks(
    tank: TankAssessment,
    assessment: Assessment,
    logbook: Logbook,
    ranked: dict[str, NextCheck],
) -> dict[str, ReadingAsk]:
    """Every reading, by name: what tells most first."""
    as_of = assessment.provenance.as_of
    last: dict[str, str] = {}
    for checkin in tank.checkins:
        for name, reading in checkin.readings.items():
            value = f"{reading.text} {unit_label(reading.unit)}".strip()
            last[name] = f"{cut(value, 40)} on {date_words(checkin.date, as_of)}"
    out = {}
    for analyte in assessment.catalogue.analytes.values():
        scale = scale_of(logbook, tank.tank.keeper, analyte)
        unit, method = unit_label(scale.unit), _METHOD_WORDS.get(scale.method, scale.method)
        about = ", ".join(x for x in (unit, method) if x)
        if not scale.named:
            about += " (no kit named)"
        # Without a kit, salinity may be written as a specific gravity too.
        taken = [scale.unit] if scale.named else [scale.unit, "sg 25/25"]
        out[analyte.name] = ReadingAsk(
            analyte.name,
            cut(analyte.label, 80),
            cut(about, 100),
            json.dumps(taken),
            analyte.informative,
            _choices(scale.steps),
            last.get(analyte.name, "not measured yet"),
            why_look(ranked.get(analyte.name), assessment),
        )
    return _in_order(out, ranked)


def _choices(steps: tuple[float, ...]) -> tuple[str, ...]:
    if not steps:
        return ()
    below = (f"<{steps[0]:g}",) if steps[0] > 0 else ()
    return (*below, *(f"{x:.12g}" for x in steps), f">{steps[-1]:.12g}")


def _in_order(asks: dict[str, _Ask], ranked: dict[str, NextCheck]) -> dict[str, _Ask]:
    rank = {name: i for i, name in enumerate(ranked)}
    return {name: asks[name] for name in sorted(asks, key=lambda n: rank.get(n, len(rank)))}
