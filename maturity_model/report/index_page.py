"""The page of all tanks, side by side, and the log's problems in full."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from maturity_model.logbook.types import OWN
from maturity_model.report.files import href
from maturity_model.report.history_figure import stacked_bar, swatch
from maturity_model.report.html import esc, page, section, table, unordered
from maturity_model.report.sections import (
    general_cautions,
    problem_item,
    provenance_section,
    unused_words,
)
from maturity_model.report.style import QUESTIONS_CSS
from maturity_model.report.tank_page import change_line, phase_labels
from maturity_model.report.wording import (
    BY_AGE,
    IF_NOTHING,
    ago,
    conditioning,
    day,
    no_risk_words,
    now_words,
    plural,
    problem_counts,
    silence_words,
    slips,
)

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, TankAssessment
    from maturity_model.logbook.types import Account, Problem


def index_page(assessment: Assessment, names: Mapping[str, str], command: str) -> str:
    """Build the page of all tanks.

    Parameters
    ----------
    names : mapping of str to str
        File name, without extension, by tank name.
    """
    labels = phase_labels(assessment)
    provenance = assessment.provenance
    cards = "".join(
        _card(tank, number, names[tank.tank.name], labels)
        for number, tank in enumerate(assessment.tanks)
    )
    legend = "".join(f"<li>{swatch(k)}{esc(label)}</li>" for k, label in enumerate(labels))
    header = (
        f"<h1>All tanks</h1><p>{day(provenance.as_of)}. "
        f"{plural(len(assessment.tanks), 'tank')} assessed"
        + (f", {len(assessment.refused_tanks)} not" if assessment.refused_tanks else "")
        + f". Every probability is {esc(conditioning(provenance))}.</p>"
    )
    if unused := unused_words(assessment.account):
        header += f'<p><a href="#problems">{unused}</a></p>'
    none = "No tank of this log can be assessed; the problems below say why."
    if assessment.ended and not assessment.refused_tanks:
        none = "All tanks of this log have ended."
    main = section(
        "tanks",
        "Tanks, in the order of the log",
        f'<ul class="legend">{legend}</ul><ol class="tanks">{cards}</ol>'
        if cards
        else f"<p>{none}</p>",
    )
    if assessment.ended:
        gone = unordered(
            f"<bdi>{esc(t.name, 120)}</bdi>, {day(t.ended)}" for t in assessment.ended if t.ended
        )
        count = plural(len(assessment.ended), "tank")
        folded = f"<details><summary>{count}</summary>{gone}</details>"
        main += section("ended", "Ended", folded)
    if assessment.refused_tanks:
        main += section("refused", "Not assessed", _refused(assessment))
    main += section(
        "rows",
        "Rows read",
        '<div class="scroll" role="region" tabindex="0" aria-label="Rows read">'
        + table(
            "Every row is used or listed below",
            ["File", "Read", "Used", "Refused", "Set aside"],
            (
                [esc(r.file, 80), *map(str, (r.read, r.used, r.refused, r.set_aside))]
                for r in assessment.account.rows
            ),
        )
        + "</div>",
    )
    main += section(
        "problems",
        "Log problems",
        unordered(map(_named_problem, assessment.problems), "problems") or "<p>None found.</p>",
        _set_aside(assessment.account),
    )
    main += provenance_section(provenance, command)
    css = QUESTIONS_CSS if any(t.questions for t in assessment.tanks) else ""
    return page(f"All tanks on {day(provenance.as_of)}", header, main, general_cautions(), css)


def _set_aside(account: Account) -> str:
    aside = [e for e in account.entries if e.fate == "set aside" and e.why != OWN]
    if not aside:
        return ""
    names = unordered(f"<bdi>{esc(e.name, 80)}</bdi> {esc(e.why)}" for e in aside)
    return f"<h3>Set aside</h3>{names}"


def withdrawn_page(why: str, command: str) -> str:
    """Build the page that stands in the place of a report that could not be made again."""
    header = (
        f"<h1>Nothing could be assessed</h1><p>{esc(why, 1000)}.</p><p>An older report in this "
        "folder was taken back: what it permitted may no longer be true. Mend the log and run "
        "the command again.</p>"
    )
    main = section("provenance", "Command", f"<p><code>{esc(command, 1000)}</code></p>")
    return page("Nothing could be assessed", header, main, general_cautions())


def _named_problem(problem: Problem) -> str:
    tank = f" <small>(tank <bdi>{esc(problem.tank, 80)}</bdi>)</small>" if problem.tank else ""
    return problem_item(problem) + tank


def _card(tank: TankAssessment, number: int, file: str, labels: Sequence[str]) -> str:
    reach = tank.reach
    seen = (
        "no check-in yet"
        if reach.last_checkin is None
        else f"last check-in {ago((tank.dates[-1] - reach.last_checkin).days)}"
    )
    if reach.last_checkin == tank.dates[-1]:
        seen = "checked that day"
    urgent = "".join(
        f'<p class="urgent"><b>Urgent:</b> {esc(c.title)}.</p>'
        for c in tank.cautions
        if c.level == "urgent"
    )
    action = outlook = ""
    if tank.questions is not None:
        # Loaded only where they are needed.
        from maturity_model.report.question_page import card_action, card_alarm, card_outlook

        urgent += card_alarm(tank, tank.questions)
        action = card_action(tank.questions)
        outlook = card_outlook(tank.questions, labels)
    cares = sum(c.level != "urgent" for c in tank.cautions)
    counts = problem_counts(tank.problems)
    counts += [plural(cares, "caution")] if cares else []
    more = f'<p class="small soft">{", ".join(counts)}</p>' if counts else ""
    return (
        f'<li><div><h3><a href="{href(file)}.html"><bdi>{esc(tank.tank.name, 120)}</bdi></a></h3>'
        f'<p class="small soft">Week {int(tank.weeks[-1])}, {seen}</p>{more}</div>'
        f"<div>{_phase(tank, number, labels, action, outlook)}</div>{urgent}</li>"
    )


def _phase(
    tank: TankAssessment, number: int, labels: Sequence[str], action: str, outlook: str
) -> str:
    """The phase of a tank's card and what to do; without any look the phase is folded away."""
    silence = silence_words(tank.reach)
    first_line = f"<p><b>{silence}.</b></p>" if silence else ""
    head, frequency = now_words(tank, labels)
    horizon, slip = slips(tank)[-1]
    risk = f"Slipping back within {horizon} weeks, {IF_NOTHING}: {slip}"
    risk = no_risk_words(tank, labels[0]) or risk
    since = day(tank.dates[-2], seen_from=tank.dates[-1]) if len(tank.dates) > 1 else "the start"
    said = (
        f"<p><b>{esc(head)}</b>, {esc(frequency)}</p>"
        f"{stacked_bar(tank.filtered[-1], labels, f'now-{number}')}"
        f'<p class="small">{esc(risk)}</p>'
        f'<p class="small">Since {since}: {esc(change_line(tank, labels))}</p>'
    )
    if tank.reach.never_looked:
        folded = f"<details><summary>{BY_AGE}</summary>{said}{outlook}</details>"
        return first_line + action + folded
    return first_line + said + action + outlook


def _refused(assessment: Assessment) -> str:
    out = []
    for name in assessment.refused_tanks:
        own = [p for p in assessment.problems if p.tank == name]
        out.append(
            f"<h3><bdi>{esc(name, 120)}</bdi></h3>"
            + (unordered(map(problem_item, own), "problems") or "<p>See the problems below.</p>")
        )
    return "".join(out)
