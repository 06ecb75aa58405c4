"""The words of every page, in one place.

Each chance is worded once, as a word and a percent, and the word follows from the percent beside
it. Its range is drawn, never written. The published likelihood scale stands in
:mod:`.likelihood_words`, for researchers.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from maturity_model.assessment.types import Assessment, Reach
    from maturity_model.logbook.types import Account, Problem

MONTHS = (
    "January February March April May June July August September October November December"
).split()
_ISO_DATE = re.compile(r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}\b")
#: From this percent on, the phase with the next best chance is named.
RUNNER_UP = 10
#: Days up to which a look is dated in days.
_DAYS = 28

Way = Literal["fwd", "flat", "back"]
#: The way a tank goes, in a word.
WAYS: dict[Way, str] = {"fwd": "forward", "flat": "steady", "back": "back"}


def whole_percent(p: float) -> int:
    """A probability in percent as it is shown: never 0, never 100."""
    return min(max(math.floor(100 * p + 0.5), 1), 99)


def percent(p: float) -> str:
    """A probability: '6 %', 'under 1 %'."""
    return "under 1 %" if p < 0.005 else f"{whole_percent(p)} %"


def phase_words(label: str, p: float) -> str:
    """The phase, as sure as it is: 'Probably colonising'."""
    shown, name = whole_percent(p), label.lower()
    if shown >= 99:
        return label
    if shown >= 90:
        return f"Very likely {name}"
    if shown >= 66:
        return f"Probably {name}"
    if shown >= 50:
        return f"{label}, but unsure"
    return f"No clear phase, perhaps {name}"


def runner_up(labels: Sequence[str], p: np.ndarray) -> str:
    """The phase that comes second, if it is worth a word.

    Parameters
    ----------
    p : ndarray, shape (K,)
        Probability of each phase.
    """
    second = int(np.argsort(p)[-2])
    return f"If not, {labels[second].lower()}." if whole_percent(p[second]) >= RUNNER_UP else ""


def look_words(days: int) -> str:
    """How long ago somebody looked."""
    if days <= 0:
        return "today"
    if days == 1:
        return "yesterday"
    return f"{days} days ago" if days < _DAYS else f"{days // 7} weeks ago"


def date_words(date: dt.date, seen_from: dt.date) -> str:
    """A date, short: '7 Nov', with its year where it is another."""
    short = f"{date.day} {MONTHS[date.month - 1][:3]}"
    return short if date.year == seen_from.year else f"{short} {date.year}"


def plain_dates(text: str, seen_from: dt.date) -> str:
    """A sentence with its ISO dates in words."""

    def words(match: re.Match[str]) -> str:
        try:
            return date_words(dt.date.fromisoformat(match[0]), seen_from)
        except ValueError:
            return match[0]

    return _ISO_DATE.sub(words, text)


def month_words(date: dt.date) -> str:
    """A month: 'May 2026'."""
    return f"{MONTHS[date.month - 1]} {date.year}"


def weeks_words(weeks: int) -> str:
    """A time from now, no finer than it is known: '3 weeks', '6 months'."""
    if weeks < 9:
        return "a week" if weeks == 1 else f"{weeks} weeks"
    months = round(weeks * 12 / 52)
    return f"{months} months" if months < 24 else "two years"


def blame_words(p: float) -> str:
    """How far an event is to blame for a slip, from the probability that it was due to it."""
    for least, words in (
        (0.9, "set it back, almost certainly"),
        (0.6, "probably set it back"),
        (0.4, "set it back, with an even chance"),
        (0.25, "may have set it back, one in three"),
        (0.05, "probably did not set it back"),
    ):
        if p >= least:
            return words
    return "no effect to be seen"


def pointer_dots(bits: float) -> int:
    """How strong a sign points, in dots out of three, from its weight of evidence."""
    return 3 if abs(bits) >= 2 else 2 if abs(bits) >= 0.7 else 1


def count_words(count: int) -> str:
    """A number of things in running text: 'four', '12'."""
    small = "no one two three four five six seven eight nine ten eleven twelve".split()
    return small[count] if count < len(small) else str(count)


def listed(names: Sequence[str]) -> str:
    """Names in running text: 'a, b and c'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def uncapital(text: str) -> str:
    """Text with a small first letter, for the middle of a sentence; 'pH' and units stay."""
    return text if text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


def capital(text: str) -> str:
    """First letter upper case, the rest as it is."""
    return text[:1].upper() + text[1:]


def day(date: dt.date) -> str:
    """A date in words, the same on every machine: '5 June 2026'."""
    return f"{date.day} {month_words(date)}"


def plural(count: int, one: str, many: str = "") -> str:
    """'1 week', '3 weeks'."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def phase_labels(assessment: Assessment) -> tuple[str, ...]:
    """Labels of the phases, in order."""
    known = assessment.catalogue.phases
    return tuple(known[p].label if p in known else capital(p) for p in assessment.phases)


def silence_words(reach: Reach) -> str:
    """How long nobody has looked, where that is long; else nothing."""
    if not reach.silent:
        return ""
    if reach.weeks_since_look is None:
        return "Nobody has looked yet"
    return f"Last looked {plural(reach.weeks_since_look, 'week')} ago"


def problem_counts(problems: Sequence[Problem]) -> list[str]:
    """How many problems of a log were errors, and how many were settled by an assumption."""
    errors = sum(p.severity == "error" for p in problems)
    settled = len(problems) - errors
    out = [plural(errors, "log problem")] if errors else []
    return out + ([plural(settled, "assumption")] if settled else [])


def unused_words(account: Account) -> str:
    """What of the log was not used, in one line; empty where all of it was."""
    counts = _files(account.names("refused"))
    counts += [plural(n, "row")] if (n := len(account.refused_rows)) else []
    for scope in ("column", "cell"):
        if parts := sum(p.scope == scope for p in account.refused_parts):
            counts.append(plural(parts, scope))
    out = [f"Not used of the log: {', '.join(counts)}"] if counts else []
    if aside := _files(account.names("set aside")):
        out.append(f"{' and '.join(aside)} set aside")
    return "; ".join(out)


def _files(names: Sequence[str]) -> list[str]:
    """Files and sheets counted; the name of a sheet stands behind an exclamation mark."""
    sheets = sum("!" in name for name in names)
    out = [plural(len(names) - sheets, "file")] if len(names) > sheets else []
    return out + ([plural(sheets, "sheet")] if sheets else [])
