"""Parts of the check-in form: signs, readings, one event."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from maturity_model.logbook.kits import assumed_method
from maturity_model.logbook.units import default_unit, find_unit
from maturity_model.report.html import esc, unordered
from maturity_model.report.views.labels import unit_label
from maturity_model.report.views.problems import ALWAYS
from maturity_model.report.wording import day

if TYPE_CHECKING:
    import datetime as dt

    from maturity_model.assessment.cautions import Caution
    from maturity_model.assessment.next_checks import NextCheck
    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Analyte, Catalogue, Sign
    from maturity_model.logbook.types import Logbook

_ANSWERS = (("", "Not checked"), ("y", "Seen"), ("n", "Looked, not seen"))
_METHOD_WORDS = {"colour_chart": "colour chart", "strip": "test strip"}


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


def signs_part(
    here: str, tank: TankAssessment, catalogue: Catalogue, looks: Sequence[NextCheck]
) -> str:
    """One radio group for each sign, what tells most first; nothing is checked at first."""
    rank = {x.name: i for i, x in enumerate(looks)}
    last: dict[str, tuple[bool, dt.date]] = {}
    for checkin in tank.checkins:
        for name, seen in checkin.signs.items():
            last[name] = seen, checkin.date
    possible = [s.name for s in catalogue.signs.values() if tank.tank.can_have(s.needs)]
    order = sorted(possible, key=lambda name: rank.get(name, len(rank)))
    groups = "".join(_sign(here, catalogue.signs[name], last.get(name)) for name in order)
    return (
        f'<h3 id="{here}-sh">Signs</h3><div class="signs" role="group" '
        f'aria-labelledby="{here}-sh">{groups}</div>'
    )


def _sign(here: str, sign: Sign, last: tuple[bool, dt.date] | None) -> str:
    name = f"{here}-s-{esc(sign.name, 80)}"
    before = "never checked"
    if last is not None:
        before = f"{'seen' if last[0] else 'looked, not seen'}, {day(last[1])}"
    choice = "".join(
        f'<label><input type="radio" name="{name}" value="{value}"'
        f"{'' if value else ' checked'}> {words}</label>"
        for value, words in _ANSWERS
    )
    hint = ". ".join(esc(x.rstrip(".")) for x in (sign.where, sign.how) if x)
    more = (
        f'<details><summary>Where and how<span class="away">: {esc(sign.label, 80)}</span>'
        f"</summary><p>{hint}.</p></details>"
    )
    return (
        f'<fieldset class="sign" data-sign="{esc(sign.name, 80)}" aria-describedby="{name}-l">'
        f"<legend>{esc(sign.label, 80)}</legend>"
        f'<p class="last" id="{name}-l">Last: {before}</p>'
        f'<div class="choice">{choice}</div>{more if hint else ""}</fieldset>'
    )


def readings_part(
    here: str,
    tank: TankAssessment,
    catalogue: Catalogue,
    logbook: Logbook,
    looks: Sequence[NextCheck],
) -> str:
    """One field for each reading; those that this keeper never takes are folded away."""
    rank = {x.name: i for i, x in enumerate(looks)}
    last: dict[str, tuple[str, str, dt.date]] = {}
    used = {a for c in logbook.checkins for a in c.readings
            if logbook.tanks[c.tank].keeper == tank.tank.keeper}  # fmt: skip
    for checkin in tank.checkins:
        for name, reading in checkin.readings.items():
            last[name] = reading.text, reading.unit, checkin.date
    order = sorted(catalogue.analytes, key=lambda name: rank.get(name, len(rank)))
    shown: list[str] = []
    folded: list[str] = []
    for name in order:
        analyte = catalogue.analytes[name]
        scale = scale_of(logbook, tank.tank.keeper, analyte)
        row = _reading(here, analyte, scale, last.get(name))
        mine = name in used or name in last or (scale.named and name in rank)
        (shown if mine or not used else folded).append(row)
    more = "".join(folded)
    if more:
        more = (
            f'<details><summary>More readings<span class="away"> of '
            f"{esc(tank.tank.name, 80)}</span></summary>{more}</details>"
        )
    return f"<h3>Readings</h3>{''.join(shown)}{more}"


def _reading(
    here: str, analyte: Analyte, scale: Scale, last: tuple[str, str, dt.date] | None
) -> str:
    name = f"{here}-r-{esc(analyte.name, 80)}"
    label, unit = esc(analyte.label, 80), esc(unit_label(scale.unit))
    method = esc(_METHOD_WORDS.get(scale.method, scale.method), 30)
    assumed = "" if scale.named else ", assumed: no kit is named"
    before = "never measured"
    if last is not None:
        before = f"{esc(last[0], 30)} {esc(unit_label(last[1]))}".rstrip() + f", {day(last[2])}"
    # Without a kit, salinity may be written as a specific gravity too.
    taken = [scale.unit] if scale.named else [scale.unit, "sg 25/25"]
    units = f' data-units="{esc(json.dumps(taken), 200)}"'
    units += ' data-nutrient="yes"' if analyte.informative else ""
    about = f'aria-describedby="{name}-l"'
    if scale.steps:
        below = [f"<{scale.steps[0]:g}"] if scale.steps[0] > 0 else []
        steps = [*below, *(f"{x:.12g}" for x in scale.steps), f">{scale.steps[-1]:.12g}"]
        options = "".join(f'<option value="{esc(x)}">{esc(x)}</option>' for x in steps)
        field = (
            f'<select id="{name}" {about}><option value="">Not measured</option>{options}'
            '<option value="other">Another value</option></select>'
            f'<input type="text" class="own" id="{name}-own" inputmode="decimal" maxlength="20" '
            f'aria-label="{label}, another value" hidden>'
        )
    else:
        field = (
            f'<input type="text" id="{name}" inputmode="decimal" maxlength="20" '
            f'placeholder="Not measured" {about}>'
        )
    return (
        f'<div class="reading" data-analyte="{esc(analyte.name, 80)}" data-label="{label}"{units}>'
        f'<div><label for="{name}">{label} <span>{unit + ", " if unit else ""}{method}{assumed}'
        f'</span></label><p class="last" id="{name}-l">Last: {before}</p></div>'
        f'<div>{field}</div><p class="odd" role="status"></p></div>'
    )


def events_part(catalogue: Catalogue) -> str:
    """One event, to be copied by the page's script."""
    options = ['<option value="">Choose…</option>']
    for kind in catalogue.events.values():
        data = ""
        if kind.amount_means:
            means = kind.amount_means[:1].upper() + kind.amount_means[1:]
            data = f' data-means="{esc(means, 80)}"'
            if kind.default_amount is not None:
                data += f' data-usual="{kind.default_amount:g}"'
            if kind.max_amount is not None:
                data += f' data-most="{kind.max_amount:g}"'
            if kind.unit == "%":
                data += ' data-percent="yes"'
        options.append(f'<option value="{esc(kind.name, 80)}"{data}>{esc(kind.label, 80)}</option>')
    return (
        '<fieldset class="event"><legend class="away">Event</legend><div class="pair">'
        '<div><label data-label="event">What happened</label>'
        f'<select data-part="event">{"".join(options)}</select></div>'
        '<div><label data-label="date">Day</label><input type="date" data-part="date"></div></div>'
        '<div class="pair"><div class="amount"><label data-label="amount">Amount</label>'
        '<input type="text" inputmode="decimal" maxlength="20" data-part="amount">'
        '<small class="usual"></small></div>'
        '<div><label data-label="note">Note</label>'
        '<input type="text" maxlength="500" data-part="note"></div></div>'
        '<button type="button" class="remove">Remove this event</button></fieldset>'
    )


def caution_card(caution: Caution) -> str:
    """One caution with its authority."""
    urgent = caution.level == "urgent"
    return (
        f'<div class="caution{" urgent" if urgent else ""}">'
        f"<h3>{'Urgent: ' if urgent else ''}{esc(caution.title)}</h3>"
        f"<p>{esc(caution.text, 1200)}</p>"
        f'<p class="small soft">Authority: {esc(caution.authority)}</p></div>'
    )


def general_cautions() -> str:
    """The short cautions at the foot of the form."""
    items = (
        esc(x.text) + (f" <small>({esc(x.authority)})</small>" if x.authority else "")
        for x in ALWAYS
    )
    return f"<h2>Always</h2>{unordered(items)}"
