"""The form for the weekly check-in: one page that works from a file, without any network.

What is filled in becomes a check-in file, which ``maturity-model add`` checks and appends;
:mod:`maturity_model.logbook.incoming` says what stands in it. Nothing of a log becomes part
of the script: names and numbers travel in attributes, and only as text.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from maturity_model.logbook.plausible import ranges_by_unit
from maturity_model.report.files import file_names
from maturity_model.report.form_parts import (
    caution_card,
    events_part,
    general_cautions,
    readings_part,
    signs_part,
)
from maturity_model.report.html import document, esc
from maturity_model.report.style import asset, style_sheet
from maturity_model.report.views.folds import best_looks
from maturity_model.report.views.labels import label_of
from maturity_model.report.wording import day, silence_words

if TYPE_CHECKING:
    from maturity_model.assessment.next_checks import NextCheck
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.logbook.types import Logbook

#: Checks named at the top of a tank.
MOST = 4
_LOOKS = (("careful", "Careful look"), ("torch", "With a torch"), ("glance", "Just a glance"))
_HOW = {"torch": ", with a torch"}


def form_page(
    assessment: Assessment,
    logbook: Logbook,
    keeper: str | None,
    today: dt.date,
    decimal: str = ".",
) -> str:
    """Build the form of a keeper, or of everybody.

    Parameters
    ----------
    assessment : Assessment
        With the questions answered: what tells most comes first.
    logbook : Logbook
        The one that was assessed.
    keeper : str or None
        Only this keeper's tanks; None for all.
    today : date
        The day the form is made; its own dates are those of the keeper's device.
    decimal : {'.', ','}
        Decimal mark of the logbook.
    """
    tanks = [t for t in assessment.tanks if keeper is None or t.tank.keeper == keeper]
    left_out = _left_out(assessment, logbook)
    catalogue = assessment.catalogue
    title = f"Check-in: {keeper}" if keeper else "Check-in"
    links = "".join(
        f'<li><a href="#t{n}"><bdi>{esc(t.tank.name, 120)}</bdi></a></li>'
        for n, t in enumerate(tanks)
    )
    keepers = sorted({t.keeper for t in logbook.tanks.values()} - {""})
    people = "".join(f'<option value="{esc(k)}"></option>' for k in keepers)
    head = (
        f"<h1>{'Check-in: <bdi>' + esc(keeper, 120) + '</bdi>' if keeper else 'Check-in'}</h1>"
        "<p>Say what you saw, what you looked for and did not see, and leave the rest at "
        "“not checked”. Nothing leaves this page until you save.</p>"
        f'<p class="small soft">Made on {day(today)}. What tells most about a tank comes '
        "first.</p>"
        '<noscript><p class="caution">This browser runs no script here, so the page cannot save '
        "a file. Print it and fill it in by hand, or write the rows into the log "
        "yourself.</p></noscript>"
        '<p class="caution live-only" id="no-drafts" hidden>This browser keeps no drafts for '
        "this page: save before you close it.</p>"
        '<p class="said live-only" id="draft" role="status" hidden><span></span> '
        '<button type="button" id="afresh">Delete them and start afresh</button></p>'
        f"{left_out}"
        + (f'<nav aria-label="Tanks"><ul>{links}</ul></nav>' if len(tanks) > 1 else "")
        + '<div class="pair"><div><label for="observer">Who is looking</label>'
        '<input type="text" id="observer" maxlength="80" list="people" '
        f'value="{esc(keeper or "")}"><datalist id="people">{people}</datalist></div></div>'
    )
    body = "".join(_tank(n, t, assessment, logbook) for n, t in enumerate(tanks))
    data = {
        "keeper": keeper or "",
        "file": "checkins-" + file_names([keeper])[keeper] if keeper else "checkins",
        "decimal": decimal,
        "signs": json.dumps(list(catalogue.signs)),
        "ranges": json.dumps({n: ranges_by_unit(a) for n, a in catalogue.analytes.items()}),
    }
    attributes = "".join(f' data-{k}="{esc(v, 100_000)}"' for k, v in data.items())
    main = (
        f'<form id="form" aria-label="Check-in" autocomplete="off" novalidate{attributes}>'
        f"{body or '<p>No tank of this keeper can be assessed.</p>'}{_save()}</form>"
        f'<template id="event">{events_part(catalogue)}</template>'
    )
    style, script = style_sheet("form.css"), asset("form.js")
    return document(title, head, main, general_cautions(), style, script, skip="the tanks")


def _left_out(assessment: Assessment, logbook: Logbook) -> str:
    shown = {t.tank.name for t in assessment.tanks} | {t.name for t in assessment.ended}
    names = [*logbook.refused_tanks, *(n for n in logbook.tanks if n not in shown)]
    if not names:
        return ""
    said = ", ".join(f"<bdi>{esc(n, 80)}</bdi>" for n in names[:20])
    return f'<p class="small soft">Not here, because the log has an error: {said}.</p>'


def _tank(n: int, tank: TankAssessment, assessment: Assessment, logbook: Logbook) -> str:
    here = f"t{n}"
    looks = best_looks(tank.questions.next_checks) if tank.questions else []
    name, started = esc(tank.tank.name, 120), tank.tank.started
    last, silence = tank.reach.last_checkin, silence_words(tank.reach)
    seen = silence or (f"Last check-in {day(last)}" if last else "No check-in yet")
    cautions = sorted(tank.cautions, key=lambda c: c.level != "urgent")
    options = "".join(f'<option value="{v}">{words}</option>' for v, words in _LOOKS)
    phases = "".join(
        f'<option value="{esc(p.name)}">{esc(p.label)}</option>'
        for p in assessment.catalogue.phases.values()
    )
    return (
        f'<section class="tank" id="{here}" tabindex="-1" aria-labelledby="{here}-h" '
        f'data-tank="{esc(tank.tank.name)}" data-started="{started.isoformat()}" '
        f'data-cannot="{esc(" ".join(_cannot(tank, assessment)), 500)}">'
        f'<h2 id="{here}-h"><bdi>{name}</bdi></h2>'
        f'<p class="soft">{seen}. Week {int(tank.weeks[-1])}.</p>'
        f"{''.join(map(caution_card, cautions))}{_most(looks, assessment)}"
        f'<div class="pair"><div><label for="{here}-date">Day</label>'
        f'<input type="date" id="{here}-date" data-field="date" min="{started.isoformat()}" '
        "required></div>"
        f'<div><label for="{here}-look">How you looked</label>'
        f'<select id="{here}-look" data-field="look">{options}</select></div></div>'
        f"{signs_part(here, tank, assessment.catalogue, looks)}"
        f"{readings_part(here, tank, assessment.catalogue, logbook, looks)}"
        f'<h3 id="{here}-eh">Events since the last check-in</h3>{_last_events(tank, assessment)}'
        f'<div class="events" role="group" aria-labelledby="{here}-eh"></div>'
        f'<p class="live-only"><button type="button" class="add" aria-describedby="{here}-h">'
        f"Add an event</button></p>{_paper_events(tank, assessment)}"
        f'<h3><label for="{here}-note">Note</label></h3>'
        f'<textarea id="{here}-note" data-field="note" maxlength="2000"></textarea>'
        f'<details><summary>Judge the phase<span class="away"> of {name}</span></summary>'
        "<p>Only if you know such tanks well: your own judgement, not what this program said.</p>"
        f'<label for="{here}-phase">Phase</label><select id="{here}-phase" '
        f'data-field="judged_phase"><option value="">Not judged</option>{phases}</select>'
        "</details></section>\n"
    )


def _most(looks: Sequence[NextCheck], assessment: Assessment) -> str:
    if not looks:
        return ""
    named = ", ".join(
        f"{esc(label_of(x.name, assessment))} ({x.minutes:g} min{_HOW.get(x.how, '')})"
        for x in looks[:MOST]
    )
    return f'<p class="most"><b>Tells most now:</b> {named}.</p>'


def _last_events(tank: TankAssessment, assessment: Assessment) -> str:
    said = []
    for event in tank.events[-3:][::-1]:
        kind = assessment.catalogue.events[event.kind]
        much = f" {event.amount:g} {esc(kind.unit)}" if event.amount is not None else ""
        said.append(f"{esc(kind.label.lower())}{much}, {day(event.date)}")
    words = "; ".join(said) or "none logged"
    return f'<p class="last">Last: {words}.</p>'


def _cannot(tank: TankAssessment, assessment: Assessment) -> list[str]:
    """Events that cannot happen to the tank, by name."""
    events = assessment.catalogue.events.values()
    return [kind.name for kind in events if not tank.tank.can_have(kind.needs)]


def _paper_events(tank: TankAssessment, assessment: Assessment) -> str:
    cannot = _cannot(tank, assessment)
    lines = "".join(
        f"<li>{esc(kind.label)}: day ____________"
        + (f", {esc(kind.amount_means)} ________" if kind.amount_means else "")
        + "</li>"
        for kind in assessment.catalogue.events.values()
        if kind.name not in cannot
    )
    return f'<ul class="paper">{lines}</ul>'


def _save() -> str:
    return (
        '<section id="save" class="live-only" aria-labelledby="save-h"><h2 id="save-h">Save</h2>'
        '<p id="count">Nothing is filled in yet.</p>'
        '<div class="faults" id="faults" role="alert" tabindex="-1" hidden>'
        "<p><b>Not saved yet.</b> Please mend:</p><ul></ul></div>"
        '<div class="buttons"><button type="button" id="write" class="main">Save the file</button>'
        '<button type="button" id="clear">Delete all answers</button></div>'
        '<div class="said" id="asking" role="group" aria-labelledby="asking-p" hidden>'
        '<p id="asking-p">Delete every answer on this page, the draft included?</p>'
        '<div class="buttons"><button type="button" id="no">Keep them</button>'
        '<button type="button" id="yes">Delete them</button></div></div>'
        '<p id="status" role="status"></p>'
        '<div id="saved" hidden><p>Give the file to the person who keeps the log; adding it '
        "twice does no harm. They run <code>maturity-model add FILE LOGBOOK</code>. The answers "
        "stay on this page until you delete them.</p>"
        '<p><label for="text">If no file was saved, copy this instead</label></p>'
        '<textarea id="text" readonly spellcheck="false"></textarea>'
        '<div class="buttons"><button type="button" id="copy">Copy</button></div></div></section>'
    )
