"""The sign grid: what was seen, looked for and not seen, or not checked, by week.

The three answers differ in shape: a filled disc, an open ring, a small dot. Discs are
zero-length strokes with round caps, which stay round however the grid is stretched, and
make one short path of a whole row (SVG 2, 'zero-length subpaths').
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from maturity_model.report.history_figure import time_axis
from maturity_model.report.html import as_table, esc
from maturity_model.report.wording import capital, plural

if TYPE_CHECKING:
    from maturity_model.assessment.types import TankAssessment
    from maturity_model.catalogue import Catalogue, Sign

#: At most this many weeks are drawn, the latest ones.
MAX_WEEKS = 78
_ROW = 19
_COLUMN = 13
_LABELS = 172


def weekly_answers(tank: TankAssessment) -> tuple[dict[str, dict[int, bool]], list[int]]:
    """Answers for each sign by week, and the weeks with a check-in.

    A sign is seen in a week when any check-in of the week saw it.
    """
    seen: dict[str, dict[int, bool]] = {}
    weeks = set()
    start = tank.tank.started
    for checkin in tank.checkins:
        week = (checkin.date - start).days // 7
        weeks.add(week)
        for sign, answer in checkin.signs.items():
            row = seen.setdefault(sign, {})
            row[week] = row.get(week, False) or answer
    return seen, sorted(weeks)


def _dots(kind: str, at: Iterable[tuple[int, int]], first: int) -> str:
    path = "".join(f"M{week - first}.5 {y}h0" for week, y in at)
    return f'<path class="dot {kind}" d="{path}"/>' if path else ""


def _groups(signs: Iterable[Sign]) -> dict[str, list[Sign]]:
    groups: dict[str, list[Sign]] = {}
    for sign in signs:
        groups.setdefault(sign.group, []).append(sign)
    return groups


def sign_figure(tank: TankAssessment, catalogue: Catalogue) -> tuple[str, str]:
    """The sign grid of a tank with its table, and the style rule for its width."""
    answers, checkin_weeks = weekly_answers(tank)
    count = min(len(tank.weeks), MAX_WEEKS)
    first = int(tank.weeks[-1]) - count + 1
    shown = [w for w in checkin_weeks if first <= w < first + count]
    names, y = [], 0
    rules: list[str] = []
    seen: list[tuple[int, int]] = []
    missed: list[tuple[int, int]] = []
    unchecked: list[tuple[int, int]] = []
    possible = [s for s in catalogue.signs.values() if tank.tank.can_have(s.needs)]
    for group, signs in _groups(possible).items():
        y += _ROW
        names.append(f'<text class="group" y="{y}">{esc(capital(group), 24)}</text>')
        for sign in signs:
            y += _ROW
            row = answers.get(sign.name, {})
            names.append(f'<text class="row" y="{y}">{esc(sign.label, 23)}</text>')
            rules.append(f'<line class="rule" x2="100%" y1="{y - 4}" y2="{y - 4}"/>')
            for week in shown:
                answer = row.get(week)
                into = unchecked if answer is None else seen if answer else missed
                into.append((week, y - 4))
    height = y + 6
    marks = (
        _dots("not", missed, first)
        + _dots("hole", missed, first)
        + _dots("un", unchecked, first)
        + _dots("seen", seen, first)
    )
    total = len(seen) + len(missed) + len(unchecked)
    described = (
        f"{plural(len(possible), 'sign')} by {plural(count, 'week')}: seen {len(seen)}, "
        f"looked for and not seen {len(missed)}, not checked {len(unchecked)} of {total} "
        "answers in weeks with a check-in."
    )
    # Labels of about 52 pixels must fit the narrowest that the grid can be.
    most = max(1, min(5, max(_COLUMN * count, min(170, 2 * _COLUMN * count + 60)) // 52))
    cut = f" The last {MAX_WEEKS} weeks." if len(tank.weeks) > MAX_WEEKS else ""
    picture = (
        f'<svg class="weeks" role="img" aria-labelledby="signs-t signs-d" width="100%" '
        f'height="{height + 30}"><title id="signs-t">Signs by week</title>'
        f'<desc id="signs-d">{described}</desc>'
        f"{time_axis(tank.tank.started, first, count, height, height, most)}{''.join(rules)}"
        f'<svg width="100%" height="{height}" viewBox="0 0 {count} {height}" '
        f'preserveAspectRatio="none">{marks}</svg></svg>'
    )
    html = (
        "<figure><figcaption>A column is a week, empty where there was no check-in."
        f'{cut}</figcaption><ul class="legend">{_legend()}</ul>'
        f'<div class="grid"><svg width="{_LABELS}" height="{height + 30}" aria-hidden="true">'
        f'{"".join(names)}</svg><div class="scroll" role="region" tabindex="0" '
        f'aria-label="Signs by week, newest at the right">{picture}</div></div></figure>'
        f"{_sign_table(answers, checkin_weeks, possible)}"
    )
    css = f".weeks{{min-width:{count * _COLUMN}px;max-width:{count * 2 * _COLUMN + 60}px}}\n"
    return html, css


def _legend() -> str:
    def key(paths: str) -> str:
        return f'<svg width="14" height="14" aria-hidden="true">{paths}</svg>'

    def dot(kind: str) -> str:
        return f'<path class="dot {kind}" d="M7 7h0"/>'

    return (
        f"<li>{key(dot('seen'))}seen</li>"
        f"<li>{key(dot('not') + dot('hole'))}looked for, not seen</li>"
        f"<li>{key(dot('un'))}not checked</li>"
    )


def week_ranges(weeks: Sequence[int]) -> str:
    """Weeks in words: [1, 2, 3, 7] as '1–3, 7'."""
    out: list[str] = []
    start = last = None
    for week in [*weeks, None]:
        if start is not None and last is not None and week != last + 1:
            out.append(str(start) if start == last else f"{start}–{last}")
            start = None
        if start is None:
            start = week
        last = week
    return ", ".join(out)


def _sign_table(
    answers: dict[str, dict[int, bool]], weeks: Sequence[int], signs: Iterable[Sign]
) -> str:
    rows = []
    for sign in signs:
        row = answers.get(sign.name, {})
        rows.append(
            [
                esc(sign.label),
                week_ranges([w for w in weeks if row.get(w) is True]) or "never",
                week_ranges([w for w in weeks if row.get(w) is False]) or "never",
                str(sum(w not in row for w in weeks)),
            ]
        )
    return as_table(
        "Signs",
        f"Signs in the {plural(len(weeks), 'week')} with a check-in, over the whole log",
        ["Sign", "Seen in week", "Looked for, not seen in week", "Weeks not checked"],
        rows,
    )
